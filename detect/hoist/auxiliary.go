package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Torque returns the auxiliary brake's expected torque against the drum's turning:
//
//	eddy current   T = x 2 T_p/(ω/ω_p + ω_p/ω)
//	hydrodynamic   T = x T_p (ω/ω_p)²
//	motor          T = x min(T_p, P/ω)
//
//	T_p  PeakTorque                                     N·m
//	ω_p  PeakSpeed; ω drum speed, its sign does not matter   rad/s
//	P    PowerLimit, 0 = not limited                    W
//	x    excitation (eddy current: torque share of the excitation), 0 to 1; of a
//	     water brake its filling, of a motor the share asked for
//
// An eddy-current and a hydrodynamic brake have no torque at rest, so they cannot
// hold. Above ω_p an eddy-current brake is unstable: torque falls as speed rises.
// Excitation outside 0 to 1 is held there; not known gives NaN.
//
// Source: Kloss form of the eddy-current curve (from memory, its shape agrees with
// published behaviour); T = k N² D⁵ for hydrodynamic brakes (published).
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
		return units.NewtonMetre(x * 2 * peak / (s + 1/s))
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
