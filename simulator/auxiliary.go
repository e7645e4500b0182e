package simulator

import (
	"math"
	"math/rand/v2"

	"hoistward/detect/hoist"
)

type auxParams struct {
	kind       hoist.AuxiliaryKind
	peak       float64 // N·m
	peakSpeed  float64 // rad/s
	power      float64 // W, motor braking
	full       float64 // A, coil at full excitation
	lag        float64 // s, of coil, fill or current behind the lever
	saturation float64 // 0: torque ∝ current squared; large: torque stops rising
	heatMass   float64 // J/K of rotor and its water
	coolant    float64 // W/K
	weaken     float64 // 1/K, torque lost with temperature
}

func drawAux(rig *hoist.Rig, spread float64, r *rand.Rand) auxParams {
	a := rig.Auxiliary
	p := auxParams{
		kind: a.Kind, peak: float64(a.PeakTorque), peakSpeed: float64(a.PeakSpeed),
		power: or(float64(a.PowerLimit), math.Inf(1)), full: or(float64(a.FullCurrent), 100),
		heatMass: 9e5, coolant: 2.5e4, weaken: 0.0012,
	}
	p.peak *= around(r, 1, 0.03, spread, 0.5)
	p.peakSpeed *= around(r, 1, 0.03, spread, 0.5)
	switch a.Kind {
	case hoist.EddyCurrent:
		p.lag, p.saturation = around(r, 0.35, 0.05, spread, 0.1), 0.6
	case hoist.Hydrodynamic:
		p.lag = around(r, 2.5, 0.4, spread, 0.5)
	case hoist.MotorBraking:
		p.lag = 0.12
	}
	return p
}

// ceiling returns the greatest torque at drum speed w, full excitation, N·m.
//
//	eddy current  T = 2·T_max/(ω/ω_c + ω_c/ω)
//	hydrodynamic  T = T_p·(ω/ω_p)², to 1.6·T_p
//	motor         T = min(T_max, P/ω)
//
// None of the first two holds at rest. Sources: common form of the eddy-current
// curve; T = k·N²·D⁵ for water brakes.
func (p *auxParams) ceiling(w float64) float64 {
	w = math.Abs(w)
	if w < 1e-6 && p.kind != hoist.MotorBraking {
		return 0
	}
	switch p.kind {
	case hoist.EddyCurrent:
		x := w / p.peakSpeed
		return 2 * p.peak / (x + 1/x)
	case hoist.Hydrodynamic:
		x := w / p.peakSpeed
		return p.peak * min(1.6, x*x)
	case hoist.MotorBraking:
		return min(p.peak, p.power/max(w, 1e-6))
	}
	return 0
}

// share returns the part of the ceiling that excitation x (0 to 1) gives.
func (p *auxParams) share(x float64) float64 {
	if p.kind != hoist.EddyCurrent {
		return x
	}
	return x * x * (1 + p.saturation) / (1 + p.saturation*x*x)
}

// leverFor is the inverse of share.
func (p *auxParams) leverFor(share float64) float64 {
	share = math.Max(0, math.Min(1, share))
	if p.kind != hoist.EddyCurrent {
		return share
	}
	return math.Sqrt(share / (1 + p.saturation*(1-share)))
}

// auxiliary is the brake beside the friction brake.
type auxiliary struct {
	excitation float64 // 0 to 1, what flows
	temp       float64 // K
	factor     float64 // fault: torque times this, 1 = sound
	supply     float64 // fault: excitation times this, 1 = sound
	cooled     bool    // false: coolant lost
}

func (a *auxiliary) step(p *auxParams, dt, lever, power, ambient float64) {
	target := lever * a.supply
	if a.excitation != target {
		a.excitation += (target - a.excitation) * min(1, dt/max(p.lag, dt))
	}
	loss := 60.0
	if a.cooled {
		loss = p.coolant
	}
	if p.kind != hoist.MotorBraking && (power != 0 || a.temp != ambient) {
		a.temp += (power - loss*(a.temp-ambient)) * dt / p.heatMass
	}
}

func (a *auxiliary) torque(p *auxParams, w float64) float64 {
	if p.kind == hoist.NoAuxiliary {
		return 0
	}
	if a.excitation == 0 {
		return 0
	}
	hot := 1 / (1 + p.weaken*max(0, a.temp-330))
	return p.ceiling(w) * p.share(a.excitation) * a.factor * hot
}
