package simulator

import (
	"math"
	"math/rand/v2"

	"hoistward/detect/hoist"
)

type heatParams struct {
	ring, body float64 // heat capacity, J/K
	link       float64 // conductance between them, W/K
	area       float64 // m², of ring and body together
	emissivity float64
	share      float64 // of the brake's work that the discs take; the pads have the rest
	radius     float64 // of the disc, m
	still      float64 // W/(m²·K) at rest
	wind       float64 // times the rotating-disc law
	fixed      float64 // W/(m²·K): replaces convection and radiation where above 0
	water      float64 // W/K from the body to cooling water at ambient, 0 = air cooled
}

func drawHeat(rig *hoist.Rig, spread float64, r *rand.Rand) heatParams {
	h := rig.Heat
	capacity := float64(h.Mass) * float64(h.SpecificHeat) * around(r, 1, 0.02, spread, 0.5)
	ring := or(h.RingShare, 0.25) * capacity * around(r, 1, 0.08, spread, 0.3)
	even := or(float64(h.ExchangeTime), 9) * around(r, 1, 0.1, spread, 0.3) // s, of the difference between ring and body
	return heatParams{
		ring: ring, body: capacity - ring,
		link:       ring * (capacity - ring) / capacity / even,
		water:      0.7 * 4.18e6 * float64(h.WaterFlow) * around(r, 1, 0.1, spread, 0.3), // the water leaves 0.7 of the way to the body's temperature
		area:       float64(h.CoolingArea) * around(r, 1, 0.05, spread, 0.5),
		emissivity: h.Emissivity,
		share:      around(r, 0.97, 0.01, math.Min(spread, 1), 0.9),
		radius:     or(float64(rig.Service.EffectiveRadius), 0.6) + 0.12,
		still:      around(r, 4.5, 0.5, spread, 1),
		wind:       around(r, 1, 0.1, spread, 0.3),
	}
}

// heat is the discs as two lumps: the ring that the pads rub and the body.
type heat struct {
	ring, body float64 // K
	in, out    float64 // J, into the discs and lost by them, since the start
}

// air returns the coefficient of heat loss to still air and to that which a
// rotating disc moves at drum speed w, the larger of the two, W/(m²·K).
//
//	Nu = 0.36·Re^0.5 below Re 2.4e5, 0.015·Re^0.8 above, Re = ω·R²/ν
//
// Air at 20 °C: k 0.0257 W/(m·K), ν 1.5e-5 m²/s.
// Source: standard rotating-disc forms, from memory, not confirmed; measured
// standing discs 3 to 5 W/(m²·K), Topouris et al. 2020.
func (h *heatParams) air(w float64) float64 {
	re := math.Abs(w) * h.radius * h.radius / 1.5e-5
	nu := 0.36 * math.Sqrt(re)
	if re > 2.4e5 {
		nu = 0.015 * math.Pow(re, 0.8)
	}
	return max(h.still, h.wind*nu*0.0257/h.radius)
}

// radiation is the coefficient of heat loss by radiation at temperature t, W/(m²·K).
func (h *heatParams) radiation(t, ambient float64) float64 {
	return h.emissivity * stefan * (t*t + ambient*ambient) * (t + ambient)
}

// step moves the temperatures on by dt with work joule of friction done.
func (s *heat) step(p *heatParams, dt, work, w, ambient float64) {
	in := p.share * work
	flow := p.link * (s.ring - s.body) * dt
	// The ring is about a third of the cooled surface.
	ring, body := p.fixed, p.fixed
	if !(p.fixed > 0) {
		air := p.air(w)
		ring, body = air+p.radiation(s.ring, ambient), air+p.radiation(s.body, ambient)
	}
	lossRing := ring * p.area / 3 * (s.ring - ambient) * dt
	lossBody := (body*p.area*2/3 + p.water) * (s.body - ambient) * dt
	s.ring += (in - flow - lossRing) / p.ring
	s.body += (flow - lossBody) / p.body
	s.in += in
	s.out += lossRing + lossBody
}
