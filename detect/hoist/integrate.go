package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// The integrator's limits. Steps follow the equations, not a clock: where the
// lining's friction does not change with temperature the motion is a cubic in
// time, for which a Runge–Kutta step of order 4 is exact, so one step spans a
// phase. Where it does change, a step is held to a small part of the fade.
const (
	stepHeat    = 15.0  // K, greatest heating in one step on a sloping piece of the fade curve
	stepTime    = 0.2   // s, greatest step on a sloping piece
	kinkSlip    = 0.3   // K, by which a step may pass a kink of the curve
	speedZero   = 1e-6  // m/s, at rest
	farthest    = 500.0 // m, more travel than any mast has
	mostSteps   = 2000
	restReturns = 6
)

// integration is the state of one stop as it is worked out.
type integration struct {
	p                    *plant
	s, v, temp, t        float64
	mass                 float64 // M of the taut line, N·m per m/s²
	pull                 float64 // f m g r, signed: positive drives the motion
	q                    float64 // drive (> 0) or retarding (< 0) torque at t = 0
	turn                 float64 // drum radians per metre of block, n/r
	a, heats             float64 // dv/dt and dT/dt at the state's own time
	seg                  segment // of the fade curve, the newest that held
	full                 float64 // capacity on it, where it is level
	flat                 float64 // capacity that holds now; 0 before the brake bites
	perMass, warm        float64 // 1/M; K per N·m of torque and metre of travel, n/(r m_b c)
	timed                bool    // the time of the stop is asked for
	fine                 float64 // s, greatest step, closed forms left out: the second road for tests; 0 = not
	slack                bool
	slackTop, slackUntil float64 // of the block, coasting: highest point and when
}

func (g *integration) begin() {
	p := g.p
	g.turn = p.lines / p.rad
	m := p.load / p.g
	g.mass = p.inertia*g.turn + p.f*m*p.rad
	g.perMass, g.warm = 1/g.mass, g.turn/p.heat
	g.pull = p.f * p.load * p.rad
	if p.raising {
		g.pull = -g.pull
	}
	g.q = g.mass*p.a - g.pull
	if g.q < 0 && p.lost {
		g.q = 0
	}
}

// phase is a stretch of time in which the build-up of the brake is one straight
// line and the applied torque one formula.
type phase struct {
	to           float64
	u0, uSlope   float64 // u at the stretch's start, and its growth 1/s
	drive        float64 // drive torque still on
	retard       float64 // retarding torque, fading as 1 − u
	start        float64
	lastFullTime bool // brake full and drive off: nothing changes by itself any more
}

// cuts are the times at which something changes by itself: the drive's release, where
// it matters, the end of the brake's dead time and that of its rise, in order.
func (g *integration) cuts() (first, second, third float64) {
	first, second, third = g.p.rel, g.p.dead, g.p.dead+g.p.rise
	if g.q <= 0 {
		first = 0 // no drive: its release changes nothing
	}
	if first > second {
		first, second = second, first
	}
	if second > third {
		second, third = third, second
	}
	return first, second, third
}

// phaseOver fills in the phase between two times.
func (g *integration) phaseOver(h *phase, from, to float64) {
	p := g.p
	h.start, h.to, h.u0, h.uSlope, h.drive, h.retard = from, to, 0, 0, 0, 0
	switch full := p.dead + p.rise; {
	case from >= full:
		h.u0 = 1
	case from >= p.dead:
		h.u0, h.uSlope = (from-p.dead)/p.rise, 1/p.rise
	}
	if g.q > 0 && from < p.rel {
		h.drive = g.q
	}
	if g.q < 0 {
		h.retard = g.q
	}
	h.lastFullTime = to == math.Inf(1)
}

// rates returns dv/dt and dT/dt at a time within a phase.
func (g *integration) rates(h *phase, seg segment, t, v, temp float64) (dv, dT float64) {
	capacity := g.flat
	if seg.slope != 0 {
		capacity = g.p.capacity(seg.factor(temp))
	}
	u := h.u0 + h.uSlope*(t-h.start)
	brake := u * capacity
	dv = (g.pull + h.drive + h.retard*(1-u) - brake) / g.mass
	return dv, brake * v * g.turn / g.p.heat
}

// step returns travel, speed and temperature after dt, by the classical
// Runge–Kutta method of order 4, and the acceleration there. On a level piece of
// the fade curve that depends on time alone, and the two middle slopes are one.
func (g *integration) step(h *phase, seg segment, dt float64) (ds, v, temp, aEnd float64) {
	k1, q1 := g.a, g.heats
	v2 := g.v + dt/2*k1
	k2, q2 := g.rates(h, seg, g.t+dt/2, v2, g.temp+dt/2*q1)
	v3 := g.v + dt/2*k2
	k3, q3 := k2, 0.0
	if seg.slope != 0 {
		k3, q3 = g.rates(h, seg, g.t+dt/2, v3, g.temp+dt/2*q2)
	} else {
		q3 = (h.u0 + h.uSlope*(g.t+dt/2-h.start)) * g.flat * v3 * g.turn / g.p.heat
	}
	v4 := g.v + dt*k3
	k4, q4 := g.rates(h, seg, g.t+dt, v4, g.temp+dt*q3)
	ds = dt / 6 * (g.v + 2*v2 + 2*v3 + v4)
	v = g.v + dt/6*(k1+2*k2+2*k3+k4)
	temp = g.temp + dt/6*(q1+2*q2+2*q3+q4)
	if aEnd = k4; seg.slope != 0 {
		aEnd, _ = g.rates(h, seg, g.t+dt, v, temp)
	}
	return ds, v, temp, aEnd
}

// run works the stop out until rest and answers; before is the travel up to the trip.
func (g *integration) run(before float64) Stop {
	first, second, third := g.cuts()
	from, to := 0.0, first
	var h phase
	for i := range 4 {
		switch i {
		case 1:
			to = second
		case 2:
			to = third
		case 3:
			to = math.Inf(1)
		}
		if !(to > from) {
			continue
		}
		g.phaseOver(&h, from, to)
		rest, reason := g.through(&h)
		switch {
		case reason != StopGood:
			return cannot(reason, g.temp)
		case rest:
			return g.atRest(before)
		}
		from = to
	}
	return cannot(StopTooFar, g.temp)
}

// through carries the stop through a phase, in closed form where there is one, else in
// steps; it tells of rest, and why there will be none.
func (g *integration) through(h *phase) (rest bool, reason StopReason) {
	for steps := 0; g.t < h.to; steps++ {
		if steps > mostSteps || g.s > farthest {
			return false, StopTooFar
		}
		rest, held := g.closed(h)
		if !held {
			rest, reason = g.stepped(h)
		}
		if rest || reason != StopGood {
			return rest, reason
		}
	}
	return false, StopGood
}

// closed takes the closed form that holds here, if there is one. Before the brake bites
// nothing heats, and any piece of the fade curve is level.
func (g *integration) closed(h *phase) (rest, held bool) {
	switch {
	case g.fine > 0:
		return false, false
	case h.u0 == 0 && h.uSlope == 0:
		g.flat = 0
		return g.level(h, math.Inf(1))
	case !(g.temp >= g.seg.from && g.temp < g.seg.to):
		g.enter()
	}
	switch {
	case g.seg.slope == 0:
		g.flat = g.full
		return g.level(h, g.seg.to)
	case g.seg.slope < 0 && h.lastFullTime:
		return g.fading(g.seg)
	}
	return false, false
}

// enter looks up the piece of the fade curve that holds now.
func (g *integration) enter() {
	if g.seg = g.p.fade.segment(g.temp); g.seg.slope == 0 {
		g.full = g.p.capacity(g.seg.factor(g.temp))
	}
}

// stepped takes one step of the integrator.
func (g *integration) stepped(h *phase) (rest bool, reason StopReason) {
	if !(g.temp >= g.seg.from && g.temp < g.seg.to) {
		g.enter()
	}
	seg := g.seg
	g.flat = g.full
	a, heats := g.rates(h, seg, g.t, g.v, g.temp)
	if g.v <= speedZero && a <= 0 {
		return true, StopGood
	}
	if h.lastFullTime && a >= 0 {
		if reason := g.hopeless(); reason != StopGood {
			return false, reason
		}
	}
	if g.p.raising && !g.slack && a < -g.p.g*(1+1e-12) {
		g.goSlack()
		return false, StopGood
	}
	g.a, g.heats = a, heats
	return g.advance(h, seg), StopGood
}

// advance takes one step, shortened to the end of the phase, to the next kink of
// the fade curve, to where the line goes slack and to rest; it tells of rest.
func (g *integration) advance(h *phase, seg segment) (rest bool) {
	a := g.a
	dt := g.trial(h, seg, a)
	ds, v, temp, aEnd := g.step(h, seg, dt)
	for range restReturns {
		short := dt
		if temp > seg.to+kinkSlip {
			short = dt * max((seg.to+kinkSlip/2-g.temp)/(temp-g.temp), 1e-3)
		}
		if g.p.raising && !g.slack && aEnd < -g.p.g*(1+1e-9) {
			short = min(short, dt*(a+g.p.g)/(a-aEnd))
		} else if a < 0 && aEnd > 0 && v < g.v {
			short = min(short, dt/2) // it may touch rest in between
		}
		if short >= dt*(1-1e-9) {
			break
		}
		dt = max(short, 1e-7)
		ds, v, temp, aEnd = g.step(h, seg, dt)
	}
	if v < -speedZero {
		dt, ds, v, temp = g.toRest(h, seg, dt, v, a)
		rest = true
	}
	g.s, g.v, g.temp, g.t = g.s+ds, v, temp, g.t+dt
	if rest {
		g.v = 0
	}
	return rest
}

// trial returns the step to try first.
func (g *integration) trial(h *phase, seg segment, a float64) float64 {
	dt := h.to - g.t
	if a < 0 {
		dt = min(dt, 1.5*g.v/-a+1e-6)
	}
	if g.fine > 0 {
		return min(dt, g.fine)
	}
	if seg.slope != 0 || math.IsInf(dt, 1) {
		dt = min(dt, stepTime)
		if seg.slope == 0 {
			dt = 2 // gaining speed at full brake below the next kink
		}
		if heating := g.heating(h, seg, dt); heating > stepHeat {
			dt *= stepHeat / heating
		}
	}
	return dt
}

// heating estimates the temperature rise over dt from the rate at its end.
func (g *integration) heating(h *phase, seg segment, dt float64) float64 {
	_, q := g.rates(h, seg, g.t+dt, g.v, g.temp)
	return q * dt
}

// toRest finds the step within dt at whose end the block is at rest, by the
// parabola through speed and acceleration at the start and speed at the end.
func (g *integration) toRest(h *phase, seg segment, dt, vEnd, a float64) (at, ds, v, temp float64) {
	lo, hi := 0.0, dt
	v = vEnd
	for range 40 {
		c := (v - g.v - a*dt) / (dt * dt)
		next := -2 * g.v / (a - math.Sqrt(max(a*a-4*c*g.v, 0)))
		if v < 0 {
			hi = dt
		} else {
			lo = dt
		}
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		dt = next
		ds, v, temp, _ = g.step(h, seg, dt)
		if math.Abs(v) <= speedZero || hi-lo < 1e-12 {
			break
		}
	}
	return dt, ds, v, temp
}

// hopeless says why a brake that is full on and not slowing the block never will,
// or StopGood where a hotter lining may yet.
func (g *integration) hopeless() StopReason {
	if g.p.capacity(g.p.fade.bestAbove(g.temp)) > g.pull {
		return StopGood
	}
	if g.p.capacity(g.p.fade.Factor(units.Kelvin(g.p.temp))) > g.pull {
		return StopBrakeFades
	}
	return StopBrakeWeak
}

// goSlack parts block and drum: the block coasts under gravity, the drum goes on
// slowing alone, without the line's pull.
func (g *integration) goSlack() {
	g.slack = true
	g.slackTop = g.s + g.v*g.v/(2*g.p.g)
	g.slackUntil = g.t + g.v/g.p.g
	g.mass = g.p.inertia * g.turn
	g.perMass = 1 / g.mass
	g.pull = 0
}

// atRest gives the answer. With a slack line the block rests at the top of its
// coasting, unless the drum went on past it and drew it along.
func (g *integration) atRest(before float64) Stop {
	s := Stop{
		Distance: units.Metre(before + g.s), Time: units.Second(g.t),
		EndTemperature: units.Kelvin(g.temp), CanStop: true, Slack: g.slack,
	}
	if g.slack {
		s.Time = units.Second(g.slackUntil)
		if g.slackTop >= g.s {
			s.Distance = units.Metre(before + g.slackTop)
		} else {
			s.Time = units.Second(max(g.slackUntil, g.t))
		}
	}
	return s
}
