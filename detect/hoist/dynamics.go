package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// EquivalentMass returns the mass that hoist and load together put in the way of a
// change of the block's speed, sheave friction left out: m + J n²/r².
//
// Source: kinetic energy of drum and block. R1: J n²/r² = 1.5496e6 kg, 52 times the
// empty block.
func (r *Rig) EquivalentMass(hookLoad units.Newton, radius units.Metre) units.Kilogram {
	n := float64(r.Reeving.Lines) / float64(radius)
	return units.Kilogram(float64(hookLoad)/float64(units.StandardGravity) + float64(r.Drawworks.Drum.Inertia)*n*n)
}

// KineticEnergy returns the energy of drum and block at a block speed: ½ m_eff v².
func (r *Rig) KineticEnergy(hookLoad units.Newton, radius units.Metre, v units.MetrePerSecond) units.Joule {
	return units.Joule(0.5 * float64(r.EquivalentMass(hookLoad, radius)) * float64(v*v))
}

// Deceleration returns how fast a brake torque slows the block, drive released:
//
//	raising   a = (T_b + f m g r)/(J n/r + f m r)
//	lowering  a = (T_b − f m g r)/(J n/r + f m r)
//
//	T_b  torque at the drum                 N·m
//	f    fast-line factor of the direction  –
//	m    hook load over g                   kg
//
// Below 0 the block speeds up. Raising above g the line goes slack and the block
// slows at g; the value is the drum's then. Static is lowering.
//
// Source: Newton's law for drum and block.
func (r *Rig) Deceleration(torque units.NewtonMetre, hookLoad units.Newton, radius units.Metre, d Direction) units.MetrePerSecond2 {
	sign := 1.0
	if d != Raising {
		d, sign = Lowering, -1
	}
	rad := float64(radius)
	f := r.Reeving.FastLineFactor(d)
	pull := f * float64(hookLoad) * rad
	mass := float64(r.Drawworks.Drum.Inertia)*float64(r.Reeving.Lines)/rad + pull/float64(units.StandardGravity)
	return units.MetrePerSecond2((float64(torque) + sign*pull) / mass)
}

// Braking is the timing of a stop at constant deceleration.
type Braking struct {
	Dead         units.Second          // at constant speed
	Drive        units.Second          // drive still on after that
	DriveRate    units.MetrePerSecond2 // acceleration then
	Rise         units.Second          // straight to the full deceleration
	Deceleration units.MetrePerSecond2
}

// Stop returns distance and time of a stop from speed v in closed form:
//
//	s = v t_d + v t_p + ½ a_p t_p² + v' t_b − a t_b²/6 + (v' − a t_b/2)²/(2a)
//	v' = v + a_p t_p;  if v' ≤ a t_b/2 the stop lies in the rise:
//	t_s = √(2 v' t_b/a), distance (2/3) v' t_s
//
// t_d dead time, t_p drive time, t_b rise, a deceleration. It is the second road
// beside [Rig.Stop]'s integration, for one friction and no slack line. A
// deceleration not above 0 gives +Inf.
//
// Source: kinematics of phases apart; 1.5 m/s, 0.30 s, 0.50 s and 1.95 m/s² give
// 1.3816 m in 1.3192 s.
func (b Braking) Stop(v units.MetrePerSecond) (units.Metre, units.Second) {
	a, tb, tp := float64(b.Deceleration), float64(b.Rise), float64(b.Drive)
	if !(a > 0) {
		return units.Metre(math.Inf(1)), units.Second(math.Inf(1))
	}
	s := float64(v)*(float64(b.Dead)+tp) + float64(b.DriveRate)*tp*tp/2
	t := float64(b.Dead) + tp
	w := float64(v) + float64(b.DriveRate)*tp
	if w <= a*tb/2 {
		ts := math.Sqrt(2 * w * tb / a)
		return units.Metre(s + 2*w*ts/3), units.Second(t + ts)
	}
	rest := w - a*tb/2
	return units.Metre(s + w*tb - a*tb*tb/6 + rest*rest/(2*a)), units.Second(t + tb + rest/a)
}
