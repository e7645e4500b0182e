package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Torque returns the auxiliary brake's expected torque against the drum's turning:
//
//	eddy current   T = x² 2 T_p/(ω/ω_p + ω_p/ω)
//	hydrodynamic   T = x T_p (ω/ω_p)²
//	motor          T = x min(T_p, P/ω)
//
//	T_p  PeakTorque                                     N·m
//	ω_p  PeakSpeed; ω drum speed, its sign does not matter   rad/s
//	P    PowerLimit, 0 = not limited                    W
//	x    excitation, 0 to 1: coil current over full current, filling of a water
//	     brake, share asked of a motor                  –
//
// An eddy-current and a hydrodynamic brake have no torque at rest, so they cannot
// hold. Above ω_p an eddy-current brake is unstable: torque falls as speed rises.
// The iron is taken as not saturated (torque as current squared); saturated iron
// gives more at part current. Excitation outside 0 to 1 is held there; not known
// gives NaN. Motor braking is lost with the drive: no emergency bound counts on it.
//
// Source: eddy current, common form (from memory; its shape agrees with published
// behaviour); T = k N² D⁵ for hydrodynamic brakes (published).
func (a AuxiliaryBrake) Torque(speed units.RadianPerSecond, excitation float64) units.NewtonMetre {
	w := math.Abs(float64(speed))
	x := min(max(excitation, 0), 1)
	peak := float64(a.PeakTorque)
	switch a.Kind {
	case EddyCurrent:
		if w == 0 {
			return 0
		}
		s := w / float64(a.PeakSpeed)
		return units.NewtonMetre(x * x * 2 * peak / (s + 1/s))
	case Hydrodynamic:
		s := w / float64(a.PeakSpeed)
		return units.NewtonMetre(x * peak * s * s)
	case MotorBraking:
		if p := float64(a.PowerLimit); p > 0 && w > 0 {
			peak = min(peak, p/w)
		}
		return units.NewtonMetre(x * peak)
	}
	return 0
}

// SteadySpeed returns the drum speed at which the auxiliary brake alone balances a
// load torque T_L that turns the drum:
//
//	eddy current  ω/ω_p = (1 − √(1 − q²))/q,  q = T_L/(x² T_p)
//	hydrodynamic  ω/ω_p = √q,                 q = T_L/(x T_p)
//
// Symbols as for [AuxiliaryBrake.Torque]. It is the lower, stable speed of an
// eddy-current brake. +Inf means that the brake cannot balance the load at any
// speed (q above 1), or is none; a motor holds any load within its torque at rest.
//
// Source: inverse of the torque curves; q 0.4, 0.6, 0.8 give 0.209, 0.333, 0.500.
func (a AuxiliaryBrake) SteadySpeed(load units.NewtonMetre, excitation float64) units.RadianPerSecond {
	x := min(max(excitation, 0), 1)
	q := float64(load / a.PeakTorque)
	switch {
	case a.Kind == EddyCurrent && q > 0 && q <= x*x:
		q /= x * x
		return a.PeakSpeed * units.RadianPerSecond((1-math.Sqrt(1-q*q))/q)
	case a.Kind == Hydrodynamic && q > 0 && x > 0:
		return a.PeakSpeed * units.RadianPerSecond(math.Sqrt(q/x))
	case a.Kind == MotorBraking && q <= x, load <= 0:
		return 0
	}
	return units.RadianPerSecond(math.Inf(1))
}
