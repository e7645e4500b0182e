package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// RecursiveLeastSquares estimates μ of y = μ φ + noise with forgetting:
//
//	K = P φ/(λ + φ² P);  μ ← μ + K (y − μ φ);  P ← (1 − K φ) P/λ
//
//	y  torque that the drum's balance demands of the brake, any unit
//	φ  its regressor, 2 p A r N for a disc, in the same unit
//	λ  forgetting factor, 0.98 to 0.995 a stop (from memory)
//
// Only the product of μ with area, radius and count can be told, so track it
// against commissioning.
//
// Source: textbook recursive least squares.
type RecursiveLeastSquares struct {
	Mu, P, Lambda float64
}

// Update takes one application of the brake and returns the estimate. A pair that
// is not finite, or φ of 0, changes nothing.
func (e *RecursiveLeastSquares) Update(y, phi float64) float64 {
	if !(math.Abs(phi) > 0) || math.IsInf(phi, 0) || math.IsNaN(y) || math.IsInf(y, 0) {
		return e.Mu
	}
	k := e.P * phi / (e.Lambda + phi*phi*e.P)
	e.Mu += k * (y - e.Mu*phi)
	e.P = (1 - k*phi) * e.P / e.Lambda
	return e.Mu
}

// FrictionTracker follows the lining's friction factor, present over commissioned
// at the same temperature, as a random walk with a Kalman filter:
//
//	P⁻ = P + q² (drift);  K = P⁻ φ/(φ² P⁻ + R);  x ← x + K (y − x φ)
//	P ← (1 − K φ)² P⁻ + K² R                                (Joseph form)
//
//	x  friction factor, 1 = as commissioned            –
//	y  torque that the drum's balance demands          N·m
//	φ  torque expected at the present pressure and temperature, as commissioned   N·m
//	R  variance of y − x φ                             N²·m²
//	q  drift of the factor an application              –
//
// For a band brake, whose torque is no multiple of its friction, x is the factor
// on torque; keep one tracker a direction. Feed it only while the brake is
// pressed, the drum turns, and drive and auxiliary torque are known.
//
// Source: textbook Kalman filter; random-walk friction as in brake observers
// (Ricciardi et al. 2017, Appl. Sci. 7(9) 873, a survey).
type FrictionTracker struct {
	Factor       float64
	Variance     float64
	Drift        float64
	Applications int
}

// Limits of a factor that can be: a lining does not gain more than half of its
// friction, nor lose all.
const (
	leastFactor = 0.1
	mostFactor  = 1.6
)

// NewFrictionTracker returns a tracker that starts as commissioned, with the
// rig's own uncertainty of friction and a drift an application.
func NewFrictionTracker(b *ServiceBrake, sd, drift float64) FrictionTracker {
	rel := 0.1
	if b.Friction > 0 && sd > 0 {
		rel = sd / b.Friction
	}
	return FrictionTracker{Factor: 1, Variance: rel * rel, Drift: drift}
}

// Update takes one application: the torque demanded, the torque expected as
// commissioned and the standard deviation of their difference. It returns the
// factor. What is not finite or not above 0 where it must be changes nothing.
func (f *FrictionTracker) Update(demanded, expected, sd units.NewtonMetre) float64 {
	y, phi, r := float64(demanded), float64(expected), float64(sd)
	if !(phi > 0 && r > 0) || math.IsInf(phi, 0) || math.IsInf(r, 0) || math.IsNaN(y) || math.IsInf(y, 0) {
		return f.Factor
	}
	p := f.Variance + f.Drift*f.Drift
	k := p * phi / (phi*phi*p + r*r)
	f.Factor = min(max(f.Factor+k*(y-f.Factor*phi), leastFactor), mostFactor)
	rest := 1 - k*phi
	f.Variance = rest*rest*p + k*k*r*r
	f.Applications++
	return f.Factor
}

// z95 is the two-sided 95 % point of the normal distribution.
const z95 = 1.959963984540054

// Interval returns the 95 % interval of the factor.
func (f *FrictionTracker) Interval() (low, high float64) {
	d := z95 * math.Sqrt(f.Variance)
	return max(f.Factor-d, 0), f.Factor + d
}

// Held returns the least friction factor that a load held at standstill proves:
// the torque that the load demands of the brake at least, W r f_low, over that
// expected as commissioned. Creep at standstill makes it an equality. +Inf
// pressure or none gives 0, no proof.
//
//	f_low  fast-line factor of lowering: sheave friction holds its share
//
// Source: static balance of drum and load.
func (r *Rig) Held(hookLoad units.Newton, radius units.Metre, pressure units.Pascal, t units.Kelvin) float64 {
	demand := r.Reeving.FastLineFactor(Lowering) * float64(hookLoad) * float64(radius)
	phi := float64(r.Service.Torque(pressure, r.Service.Fade.Factor(t), Lowering))
	if !(phi > 0) || math.IsInf(phi, 0) || !(demand > 0) {
		return 0
	}
	return demand / phi
}
