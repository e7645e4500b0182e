package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// EffectiveRadiusUniformPressure returns the effective radius of a disc's pads
// from Ri to Ro when new, pressure the same everywhere:
// (2/3)(Ro³ − Ri³)/(Ro² − Ri²).
//
// Source: machine-design texts. 0.80 and 0.55 m give 0.6827 m.
func EffectiveRadiusUniformPressure(outer, inner units.Metre) units.Metre {
	o, i := float64(outer), float64(inner)
	return units.Metre(2 * (o*o + o*i + i*i) / (3 * (o + i)))
}

// EffectiveRadiusUniformWear returns the effective radius once worn in:
// (Ro + Ri)/2. Source: machine-design texts.
func EffectiveRadiusUniformWear(outer, inner units.Metre) units.Metre { return (outer + inner) / 2 }

// BandTensions returns the tight and slack tension of a band brake from its
// greatest lining pressure:
//
//	T1 = p_max b R,  T2 = T1 e^{−μθ},  torque (T1 − T2) R
//
//	b  lining width m; R drum radius m; μ friction; θ wrap rad
//
// The greatest pressure stands at the tight end only: a solved problem that takes
// it as uniform (672 N·m for 620 kPa on a 350 mm drum) is wrong; this gives 359.2.
//
// Source: Euler–Eytelwein; machine-design texts.
func BandTensions(pMax units.Pascal, width, radius units.Metre, friction, wrap float64) (tight, slack units.Newton, torque units.NewtonMetre) {
	t1 := float64(pMax) * float64(width) * float64(radius)
	t2 := t1 * math.Exp(-friction*wrap)
	return units.Newton(t1), units.Newton(t2), units.NewtonMetre((t1 - t2) * float64(radius))
}

// HydraulicLag is a brake's way from command to pressure: a dead time of valve
// and line, then a first-order rise while oil fills the calipers.
type HydraulicLag struct {
	DeadTime     units.Second
	TimeConstant units.Second
	pressure     units.Pascal
}

// Pressure returns the pressure at a time after a step of the command from one
// pressure to another: p = p1 + (p0 − p1) e^{−(t − t_d)/τ} past the dead time t_d.
//
// Source: first-order lag; common practice for short lines.
func (h HydraulicLag) Pressure(from, to units.Pascal, t units.Second) units.Pascal {
	if t <= h.DeadTime {
		return from
	}
	if h.TimeConstant <= 0 {
		return to
	}
	return to + (from-to)*units.Pascal(math.Exp(-float64((t-h.DeadTime)/h.TimeConstant)))
}

// Ramp returns the dead time and straight rise that stand for the lag in a stop,
// so that the lost impulse ∫(1 − u) dt and its moment about t = 0 are the same:
//
//	rise t_r = √12 τ,  dead = t_d + τ − t_r/2, not below 0
//
// With a dead time shorter than 0.73 τ the ramp starts at once and t_r is such
// that the impulse stays the same. Source: moments of the two responses; derived
// here.
func (h HydraulicLag) Ramp() (dead, rise units.Second) {
	tau := float64(h.TimeConstant)
	r := math.Sqrt(12) * tau
	if d := float64(h.DeadTime) + tau - r/2; d >= 0 {
		return units.Second(d), units.Second(r)
	}
	return 0, units.Second(2 * (float64(h.DeadTime) + tau))
}

// LagFromRamp returns the lag that stands for a dead time and straight rise, the
// inverse of [HydraulicLag.Ramp] where its dead time is not cut off.
func LagFromRamp(dead, rise units.Second) HydraulicLag {
	tau := rise / units.Second(math.Sqrt(12))
	return HydraulicLag{DeadTime: max(dead+rise/2-tau, 0), TimeConstant: tau}
}

// Step moves the pressure towards a command over dt, dead time left to the caller,
// and returns it.
func (h *HydraulicLag) Step(command units.Pascal, dt units.Second) units.Pascal {
	if dt > 0 {
		h.pressure = HydraulicLag{TimeConstant: h.TimeConstant}.Pressure(h.pressure, command, dt)
	}
	return h.pressure
}
