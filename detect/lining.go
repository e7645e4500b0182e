package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// lining gathers what the drum's balance shows of the friction lining. A pressure that
// moves, a valve that lags and an acceleration that is filtered make the balance of one
// moment worth little; that of a span of time, kept as angular momentum, is good even
// while all of them move:
//
//	∫ T_friction dt = ∫ (± f F r − c T_aux) dt − J Δω
//
//	f F r   load's torque at the drum, + lowering, − raising    N·m
//	c T_aux auxiliary brake by its curve and what was learned   N·m
//	J Δω    growth of the drum's angular momentum over the span N·m·s
//
// A span lasts up to spanTime. With its mean pressure it shows one friction factor
// (hoist.ServiceBrake.Health). Its own error has
//
//	τ |ΔT|, τ' |Δ(f F r)| pressure, torque and load lag each other, τ lagSpread, τ' loadLag
//	√2 J σ_ω              drum speed at both ends
//	τ |ΔT_curve|          excitation and torque lag each other
//
// The spans of one application are averaged, each weighted by its variance, into one
// piece of evidence, and errors that stay through an application are not averaged away:
//
//	auxiliary brake, inertia, pressure gauge, and the lining's own spread liningSpread
//
// An application of the brake is one piece, or each pieceTime of a long one. It shows
// nothing unless the drum turns, the drive is out, the spring-set calipers are clear,
// the auxiliary brake is not just lost, and the hook load is believed.
//
// Source: PHYSICS sections 3, 9 and 20; weighted mean with common errors, any text on
// the propagation of uncertainty.
type lining struct {
	last  moment
	span  span
	piece piece
	freed float64 // event time since which the drive is out; NaN = it is in
	// Of the present lowering: for how long the friction brake carried alone, and
	// whether it was ever off while something else carried.
	alone   float64
	carried bool
}

const (
	spanTime  = 1.0 // s
	spanLeast = 0.6
	longest   = 1.5 // s between two frames that can still be joined
	pieceTime = 2.0 // s
	// lagSpread is one standard deviation of how the pads' torque lags the pressure that
	// is measured, s, and loadLag of how the hook load lags both (hydraulic lines and
	// damped load cells, common practice 0.05 to 0.2 s).
	lagSpread = 0.06
	loadLag   = 0.12
	// turnNoise is that of the drum's speed at one moment, rad/s.
	turnNoise = 0.03
	// gaugeSpread is that of a pressure gauge's zero before it is learned, of full scale
	// (class 0.5).
	gaugeSpread = 0.005
	// inertiaSpread stands where the rig states none.
	inertiaSpread = 0.02
	// liningSpread is that of a lining's friction from one application to the next:
	// F = k Pᵃ Vᵇ (SAE 740415) over the pressures and speeds of ordinary work.
	liningSpread = 0.015
	// shapeSpread is that of the auxiliary brake's curve over speed, relative.
	shapeSpread = 0.02
	// idleSpread stands for an auxiliary brake that is taken to be idle, relative.
	idleSpread = 0.04
	idleAfter  = 3.0  // s of lowering on the friction brake alone
	carries    = 0.15 // of the load's torque, by something else
	// lowBare is the part of the factor as known below which what is seen of all brakes
	// together is too low for the friction brake alone.
	lowBare = 0.90
	// lightSpread is that of the torque of a brake that is hardly pressed, relative.
	lightSpread = 0.3
	// pieceWorst is the spread beyond which a piece is no evidence.
	pieceWorst = 0.12
	// evident is the least mean pressure of a span, of full (PHYSICS section 9).
	evident = 0.08
	// turning is the least drum speed for evidence, rad/s, about 5 % of the fastest
	// (PHYSICS section 9).
	turning = 1.5
)

// moment is one frame as the balance needs it.
type moment struct {
	ok       bool
	t        float64
	dir      hoist.Direction
	load     float64 // ± f F r, N·m
	omega    float64 // magnitude, rad/s
	pressure float64 // of full
	curve    float64 // of the auxiliary brake, N·m
	x        float64 // excitation
	stated   bool
}

// span is what is integrated, each times s.
type span struct {
	dt, load, pressure, curve, learned, x float64
	most                                  float64 // greatest pressure, of full
	begin                                 moment
}

// piece is the spans of one application.
type piece struct {
	dir            hoist.Direction
	dt             float64
	n              int
	w, wz, own     float64 // sums of weight, weight times factor, weight² times own variance
	aux, inertia   float64 // sums of weight times standard deviation
	gauge, hot     float64
	pressure, idle float64
}

func (d *Detector) momentNow(t, now float64) moment {
	m := moment{t: t}
	w, known := d.drumTurns(now)
	p := d.pressureFraction(now)
	if s := &d.ins[ingest.DrumSpeed]; s.live(now) && s.came && !s.fresh {
		return m // one reading set aside: the filtered speed lags in a stop, and Δω would be wrong
	}
	if !known || !Known(d.load.force) || !Known(p) || !d.moving(now) || d.aux.lost || d.load.doubt || !d.calipersClear(now) {
		return m
	}
	r := d.pos.radius()
	m.omega, m.pressure = math.Abs(w), p-d.gauge.zero
	m.dir = hoist.Lowering
	out := d.driveOut(now)
	if w > 0 {
		m.dir = hoist.Raising
		out = t-d.lining.freed > float64(d.rig.Drawworks.DriveRelease)
	}
	m.load = d.rig.Reeving.FastLineFactor(m.dir) * d.load.force * r
	if m.dir == hoist.Raising {
		m.load = -m.load
	}
	m.x, m.stated = d.excited(now)
	if d.rig.Auxiliary.Kind != hoist.NoAuxiliary && (m.stated || m.dir == hoist.Lowering) {
		m.curve = float64(d.rig.Auxiliary.Torque(units.RadianPerSecond(m.omega), m.x))
	}
	m.ok = out && m.omega > turning
	return m
}

// drumTurns is the drum's speed, winding in positive, rad/s.
func (d *Detector) drumTurns(now float64) (w float64, known bool) {
	if s := &d.ins[ingest.DrumSpeed]; s.live(now) && s.fresh == s.came {
		return s.v, true
	}
	if c := &d.ins[ingest.DrumCounts]; c.live(now) && d.pos.tied {
		return d.pos.motion.x[ixV] / d.pos.perRadian(), true
	}
	return 0, false
}

// calipersClear tells whether the spring-set calipers are not known to rub.
func (d *Detector) calipersClear(now float64) bool {
	i := &d.ins[ingest.EmergencyPressure]
	return !i.live(now) || i.v >= 0.95*float64(d.rig.Emergency.ReleasePressure)
}

// followLining takes one frame.
func (d *Detector) followLining(t, now float64) {
	l := &d.lining
	d.followDrive(t, now)
	m := d.momentNow(t, now)
	dt := t - l.last.t
	if d.aux.lost || d.load.doubt { // what it showed meanwhile was not the lining's
		l.span, l.piece = span{}, piece{}
	}
	if _, stated := d.excited(now); dt > 0 {
		d.excitation.age(d.rig, dt, stated)
	}
	if !m.ok || !l.last.ok || m.dir != l.last.dir || m.stated != l.last.stated || !(dt > 0 && dt < longest) {
		d.endSpan()
		d.endPiece()
		if !m.ok || m.dir == hoist.Raising {
			l.alone, l.carried = 0, false
		}
		if dt > 0 {
			l.last = m
		}
		return
	}
	l.span.add(&d.excitation, &l.last, &m, dt)
	l.last = m
	if l.span.dt >= spanTime {
		d.endSpan()
	}
}

// followDrive keeps since when the drive is known to be out.
func (d *Detector) followDrive(t, now float64) {
	e, l := &d.ins[ingest.DriveEngaged], &d.lining
	switch {
	case !e.live(now) || e.v != 0:
		l.freed = math.NaN()
	case math.IsNaN(l.freed):
		l.freed = t
	}
}

func (s *span) add(e *excitation, a, b *moment, dt float64) {
	if s.dt == 0 {
		s.begin = *a
		s.most = a.pressure
	}
	half := dt / 2
	ca, _ := e.at(a.x)
	cb, _ := e.at(b.x)
	s.dt += dt
	s.load += half * (a.load + b.load)
	s.pressure += half * (a.pressure + b.pressure)
	s.curve += half * (a.curve + b.curve)
	s.learned += half * (ca*a.curve + cb*b.curve)
	s.x += half * (a.x + b.x)
	s.most = max(s.most, b.pressure)
}

// endSpan takes the present span as evidence of the auxiliary brake or of the lining.
func (d *Detector) endSpan() {
	l := &d.lining
	s, end := l.span, l.last
	l.span = span{}
	if s.dt < spanLeast {
		return
	}
	inertia := float64(d.rig.Drawworks.Drum.Inertia)
	growth := inertia * (end.omega - s.begin.omega) // N·m·s
	seen := s.load - growth                         // by all brakes
	speed := math.Sqrt2 * inertia * turnNoise
	swing := loadLag * (end.load - s.begin.load)
	if s.most-d.gauge.excess < pressed {
		d.learnAuxiliary(&s, seen, math.Sqrt(speed*speed+swing*swing))
		return
	}
	if l.alone += s.dt; s.pressure < evident*s.dt {
		return
	}
	d.showLining(&s, &end, seen, growth, math.Sqrt(speed*speed+swing*swing))
}

// learnAuxiliary takes a span with the friction brake off.
func (d *Detector) learnAuxiliary(s *span, seen, noise float64) {
	l := &d.lining
	d.endPiece()
	if s.begin.dir == hoist.Lowering && seen > carries*s.load {
		l.carried = true
	}
	if !(s.curve > leastOfCurve*float64(d.rig.Auxiliary.PeakTorque)*s.dt) {
		return
	}
	rest := max(0, s.pressure-d.gauge.excess*s.dt) // a light hand on the brake
	grip := d.serviceTorque(rest, d.friction.of(s.begin.dir).Factor, s.begin.dir)
	sd := math.Hypot(noise/s.curve+balanceSpread/2, lightSpread*grip/s.curve)
	d.excitation.learn(s.x/s.dt, (seen-grip)/s.curve, sd*sd)
}

// showLining takes a span with the friction brake on into the present piece.
func (d *Detector) showLining(s *span, end *moment, seen, growth, noise float64) {
	l := &d.lining
	dir := s.begin.dir
	aux, auxSD, idle := s.learned, 0.0, 0.0
	if s.curve > 0 {
		_, v := d.excitation.at(s.x / s.dt)
		auxSD = math.Sqrt(v+shapeSpread*shapeSpread) * s.curve
	}
	p := s.pressure / s.dt
	full := d.serviceTorque(1, 1, dir)
	at := max(healthLeast, d.friction.of(dir).Factor)
	here := d.serviceTorque(p, at, dir)
	slope := (d.serviceTorque(p, at+0.01, dir) - d.serviceTorque(p, at-0.01, dir)) / 0.02 * s.dt
	z := d.shown((seen-aux)/s.dt, p, dir)
	if s.curve > 0 && !s.begin.stated {
		switch bare := d.shown(seen/s.dt, p, dir); {
		case bare < lowBare*d.friction.low.Factor: // the auxiliary brake can only add: it is lower still
			z, auxSD = bare, 0
		case !l.carried && l.alone > idleAfter && d.friction.couldBe(bare):
			z, auxSD, idle = bare, 0, idleSpread
		}
	}
	z = min(z, hoist.MostFactor)
	lag := lagSpread * (end.pressure - s.begin.pressure) * full
	coil := lagSpread * (end.curve - s.begin.curve)
	own := (noise*noise + lag*lag + coil*coil) / (slope * slope)
	u := float64(d.rig.Uncertainty.Inertia)
	if !(u > 0) {
		u = inertiaSpread
	}
	inertia := u * math.Abs(growth) / slope
	gauge := d.gauge.spread / p * here * s.dt / slope
	auxSD /= slope
	total := own + inertia*inertia + gauge*gauge + auxSD*auxSD
	if !(total > 0) || math.IsNaN(z) || math.IsInf(total, 0) {
		return
	}
	q, w := &l.piece, 1/total
	q.dir = dir
	q.dt += s.dt
	q.n++
	q.w += w
	q.wz += w * z
	q.own += w * w * own
	q.aux += w * auxSD
	q.inertia += w * inertia
	q.gauge += w * gauge
	q.hot += w * d.fadeSlope() * at
	q.idle += w * idle
	q.pressure += w * p
	if z, sd := q.factor(); q.dt >= pieceTime || sd < pieceWorst && d.friction.saysAll(z, sd) {
		d.endPiece()
	}
}

// shown is the friction factor with which the brake gives a torque at a pressure.
func (d *Detector) shown(torque, p float64, dir hoist.Direction) float64 {
	return d.rig.Service.Health(units.NewtonMetre(torque), units.Pascal(p)*d.rig.Service.FullPressure, units.FromCelsius(d.heat.expected()), dir)
}

// fadeSlope is one standard deviation of the lining's fade by the brake's temperature
// not being known better than it is, relative.
func (d *Detector) fadeSlope() float64 {
	t, sd := d.heat.expected(), (d.heat.bound()-d.heat.expected())/z95
	f := d.rig.Service.Fade
	lo, mid, hi := f.Factor(units.FromCelsius(t-sd)), f.Factor(units.FromCelsius(t)), f.Factor(units.FromCelsius(t+sd))
	return math.Abs(hi-lo) / 2 / max(mid, 0.1)
}

// factor returns what the piece shows and its standard deviation.
func (q *piece) factor() (z, sd float64) {
	square := func(x float64) float64 { return x * x }
	stays := square(q.aux) + square(q.inertia) + square(q.gauge) + square(q.idle)
	return q.wz / q.w, math.Sqrt((q.own+stays)/(q.w*q.w) + liningSpread*liningSpread)
}

// endPiece takes the present piece into the friction health.
func (d *Detector) endPiece() {
	l := &d.lining
	q := l.piece
	l.piece = piece{}
	if q.n == 0 {
		return
	}
	z, sd := q.factor()
	if sd < pieceWorst {
		d.friction.take(z, sd, &q, l.last.t)
		d.friction.hot = q.hot / q.w
		t := d.heat.expected()
		d.byHeat.take(z*d.rig.Service.Fade.Factor(units.FromCelsius(t)), t)
	}
}
