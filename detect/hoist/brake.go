package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Torque returns the service brake's torque at the drum:
//
//	disc            T = 2 μ p A r_e N
//	band, lowering  T = B T_l (e^{μθ} − 1) R        self-energised
//	band, raising   T = B T_l (1 − e^{−μθ}) R
//
//	μ    friction, Friction·factor                     –
//	p    pressure at the calipers                      Pa
//	A    area of one piston, one side                  m²
//	r_e  effective radius; R of a band's drum          m
//	N    calipers; B bands
//	T_l  live tension of one band, LiveTension·p/FullPressure   N
//	θ    wrap angle of one band                        rad
//
// A disc brake does not know directions; a band brake grips several times harder
// lowering. Static means holding a load, which is lowering. Pressure or factor
// below 0 gives 0; not known gives NaN.
//
// Source: caliper with two pads, any machine-design text; band, Euler–Eytelwein
// belt equation.
func (b ServiceBrake) Torque(p units.Pascal, factor float64, d Direction) units.NewtonMetre {
	if p < 0 || factor < 0 {
		return 0
	}
	mu := b.Friction * factor
	if b.Kind == BandBrake {
		live := float64(b.LiveTension) * float64(p/b.FullPressure) * float64(b.Bands)
		return units.NewtonMetre(live * float64(b.EffectiveRadius) * bandGain(mu*b.WrapAngle, d))
	}
	return units.NewtonMetre(2 * mu * float64(p) * float64(b.PistonArea) *
		float64(b.EffectiveRadius) * float64(b.Calipers))
}

// bandGain returns a band's torque over live tension times radius, for μθ.
func bandGain(muTheta float64, d Direction) float64 {
	if d == Raising {
		return -math.Expm1(-muTheta)
	}
	return math.Expm1(muTheta)
}

// Capacity returns the torque at full pressure with the lining at temperature t
// and health times its commissioned friction (1 = as commissioned).
func (b ServiceBrake) Capacity(t units.Kelvin, health float64, d Direction) units.NewtonMetre {
	return b.Torque(b.FullPressure, health*b.Fade.Factor(t), d)
}

// Torque returns the torque of the spring-set calipers at a release pressure:
//
//	T = 2 μ (F_s − p/p_r·F_s) r_e N
//
//	F_s  spring force of one caliper              N
//	p    release pressure now; p_r that which just lifts the pads   Pa
//	r_e  effective radius, N calipers             m, –
//
// No pressure means fully set; at p_r or above the pads are clear and the torque
// is 0. A pressure that is not known gives NaN.
//
// Source: force balance of a spring-set caliper, T = 2 μ (F_s − p A) r_e N with
// A = F_s/p_r.
func (e EmergencyBrake) Torque(releasePressure units.Pascal) units.NewtonMetre {
	if e.Calipers == 0 {
		return 0
	}
	grip := 1 - float64(max(releasePressure, 0)/e.ReleasePressure)
	if grip < 0 {
		grip = 0
	}
	return units.NewtonMetre(2 * e.Friction * grip * float64(e.SpringForce) *
		float64(e.EffectiveRadius) * float64(e.Calipers))
}

// HoldMargin returns a brake's capacity over what a hanging load demands of it:
// capacity/(W r/n), friction of the sheaves not counted in its favour. Without a
// load on the hook it is +Inf.
//
// Source: common practice for hoist brakes (1.25 and up by trade; drawworks near 2).
func HoldMargin(capacity units.NewtonMetre, hookLoad units.Newton, radius units.Metre, lines int) float64 {
	demand := float64(hookLoad) * float64(radius) / float64(lines)
	if demand <= 0 {
		return math.Inf(1)
	}
	return float64(capacity) / demand
}
