package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// balance is the drum's torque balance of one frame: who brakes, and how much.
//
//	lowering  T = f_d F r − (J n/r) a_d      all that retards
//	raising   T = −(J n/r) a − f_u F r       what is left to the brakes
//
//	T    retarding torque at the drum       N·m
//	F    hook load now (the force, with its inertia) N
//	r    working radius                     m
//	J    inertia of what turns              kg·m²
//	n    lines
//	a    acceleration of the block, a_d down-positive m/s²
//	f    fast-line tension over hook load in that direction
//
// Valid while line is taut and the drive is out (lowering) or known; a driven
// drum's braking cannot be told from less driving, and counts as none.
//
// Source: PHYSICS section 3, drum equation with the measured force.
type balance struct {
	omega          float64 // drum speed, rad/s, magnitude
	retarding      float64 // all that retards, N·m, ≥ 0; NaN = not known
	friction       float64 // by the friction brake, N·m; NaN = not known
	frictionSD     float64 // one standard deviation of it
	heating        float64 // of it, what heats the brake: below pressed too, there about 0 by the gauge's noise
	auxiliary      float64 // by the auxiliary brake; NaN = not known
	auxiliaryKnown float64 // by its curve
}

const (
	// pressed is the least pressure, of full, at which linings are taken to touch.
	pressed = 0.03
	// highFriction: linings do not grip above 1.3 of their commissioned value (common
	// practice).
	highFriction = 1.3
	// auxiliaryGone is the spread of an auxiliary brake that has been found lost, of its
	// curve.
	auxiliaryGone = 0.2
)

func (d *Detector) balanceNow(now float64) balance {
	v, a := d.pos.motion.x[ixV], d.pos.motion.x[ixA]
	r := d.pos.radius()
	n := float64(d.rig.Reeving.Lines)
	b := balance{omega: math.Abs(v) * n / r, retarding: NotKnown(), friction: NotKnown(), heating: NotKnown(), auxiliary: NotKnown()}
	if !d.moving(now) || !Known(d.load.force) {
		return b
	}
	inertia := float64(d.rig.Drawworks.Drum.Inertia) * n / r * a
	if v < 0 {
		f := d.rig.Reeving.FastLineFactor(hoist.Lowering)
		b.retarding = max(0, f*d.load.force*r+inertia)
	} else {
		f := d.rig.Reeving.FastLineFactor(hoist.Raising)
		b.retarding = max(0, -inertia-f*d.load.force*r)
	}
	d.share(&b, now, v < 0)
	return b
}

// share parts what retards between the friction brake and the auxiliary one.
func (d *Detector) share(b *balance, now float64, lowering bool) {
	p := d.pressureFraction(now)
	dir := hoist.Raising
	if lowering {
		dir = hoist.Lowering
	}
	b.auxiliaryKnown = d.auxiliaryTorque(b.omega, now, lowering)
	switch {
	case !Known(p):
		b.friction, b.frictionSD = b.retarding, balanceSpread*b.retarding
		b.heating = b.friction
	case p-d.gauge.zero-d.gauge.excess < pressed:
		// A hand that rests on the lever heats the brake for hours. The gauge's noise is
		// left in, so that it averages out.
		b.friction = 0
		b.heating = d.serviceTorque(p-d.gauge.zero-d.gauge.excess, d.friction.of(dir).Factor, dir)
		b.frictionSD = lightSpread * math.Abs(b.heating)
	default:
		grip := d.serviceTorque(max(0, p-d.gauge.zero), d.friction.of(dir).Factor, dir)
		zero := d.serviceTorque(d.gauge.spread, 1, dir)
		aux := d.auxiliaryGives(b.omega, now, lowering)
		aux.sd = math.Hypot(aux.sd, d.balanceNoise())
		b.fuse(grip, math.Hypot((gripSpread+d.friction.sd())*grip, zero), aux)
		b.heating = b.friction
	}
	b.auxiliary = max(0, b.retarding-b.friction)
}

// gives is a torque and its standard deviation, N·m.
type gives struct{ torque, sd float64 }

// auxiliaryGives is what the auxiliary brake gives at this speed, as learned with the
// friction brake off.
func (d *Detector) auxiliaryGives(omega, now float64, lowering bool) gives {
	if d.rig.Auxiliary.Kind == hoist.NoAuxiliary || !lowering {
		return gives{}
	}
	curve, _ := d.auxiliaryCurve(omega, now)
	if d.aux.lost {
		return gives{0, auxiliaryGone * curve}
	}
	x, _ := d.excited(now)
	c, v := d.excitation.at(x)
	return gives{max(0, c) * curve, math.Sqrt(v+shapeSpread*shapeSpread) * curve}
}

// fuse sets the friction brake's torque by its two witnesses, each weighted by how sure
// it is: what the balance leaves after the auxiliary brake (aux, its spread with the
// balance's own noise), the better one where the friction brake does most; and what the pressure gives at the present health, the better
// one where it does little. A faded lining shows in the first, and soon in the health too.
func (b *balance) fuse(grip, gripSD float64, aux gives) {
	sl := math.Hypot(balanceSpread*b.retarding, aux.sd) + 1
	sp := gripSD + 1
	wl, wp := 1/(sl*sl), 1/(sp*sp)
	b.friction = (wl*(b.retarding-aux.torque) + wp*grip) / (wl + wp)
	b.friction = max(0, min(b.friction, b.retarding+aux.sd))
	b.frictionSD = 1 / math.Sqrt(wl+wp)
}

// One standard deviation of the balance and of a lining's friction from one moment to the next, relative (chosen here; SAE 740415
// gives a lining's change with pressure and speed as of this size).
const (
	balanceSpread = 0.05
	gripSpread    = 0.08
)

// serviceTorque is what the service brake gives at a pressure, a fraction of full, and
// a health, as hot as it is taken to be, N·m.
func (d *Detector) serviceTorque(pressure, health float64, dir hoist.Direction) float64 {
	return float64(d.rig.Service.Capacity(units.FromCelsius(d.heat.expected()), health, dir)) * pressure
}

// pressureFraction is the service brake's pressure over full, or not known.
func (d *Detector) pressureFraction(now float64) float64 {
	p := &d.ins[ingest.BrakePressure]
	full := float64(d.rig.Service.FullPressure)
	if !p.live(now) || !(full > 0) {
		return NotKnown()
	}
	return max(0, p.v/full)
}

// driveOut tells whether the drive is known to be released; a rig that does not
// say counts as released while lowering.
func (d *Detector) driveOut(now float64) bool {
	e := &d.ins[ingest.DriveEngaged]
	return !e.live(now) || e.v == 0
}
