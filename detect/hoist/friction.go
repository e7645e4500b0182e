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
//	P⁻ = P + q² (drift);  K = P⁻/(P⁻ + R);  x ← x + K (z − x)
//	P ← (1 − K)² P⁻ + K² R                                  (Joseph form)
//
//	x  friction factor, 1 = as commissioned            –
//	z  factor that one piece of evidence shows, [ServiceBrake.Health]   –
//	R  variance of z                                   –
//	q  drift of the factor a piece of evidence         –
//
// The factor is that of the lining's friction, so it serves discs and bands, and a
// band in both directions. Feed it only while the brake is pressed, the drum turns,
// and drive and auxiliary torque are known.
//
// Source: textbook Kalman filter; random-walk friction as in brake observers
// (Ricciardi et al. 2017, Appl. Sci. 7(9) 873, a survey).
type FrictionTracker struct {
	Factor       float64
	Variance     float64
	Drift        float64
	Applications int // pieces of evidence taken
}

// Limits of a factor that can be: a lining does not gain more than half of its
// friction, nor lose all.
const (
	LeastFactor = 0.1
	MostFactor  = 1.6
)

// NewFrictionTracker returns a tracker that starts as commissioned, known to sd,
// relative, and with a drift a piece of evidence.
func NewFrictionTracker(sd, drift float64) FrictionTracker {
	return FrictionTracker{Factor: 1, Variance: sd * sd, Drift: drift}
}

// Take takes one piece of evidence, a factor and its standard deviation, and returns
// the factor. What is not finite, or a standard deviation not above 0, changes nothing.
func (f *FrictionTracker) Take(factor, sd float64) float64 {
	if !(sd > 0) || math.IsInf(sd, 0) || math.IsNaN(factor) || math.IsInf(factor, 0) {
		return f.Factor
	}
	p, r := f.Variance+f.Drift*f.Drift, sd*sd
	k := p / (p + r)
	f.Factor = min(max(f.Factor+k*(factor-f.Factor), LeastFactor), MostFactor)
	f.Variance = (1-k)*(1-k)*p + k*k*r
	f.Applications++
	return f.Factor
}

// Renew forgets what is known, but not how often the brake was applied: the lining
// has become another one, and is known to sd about factor.
func (f *FrictionTracker) Renew(factor, sd float64) {
	f.Factor, f.Variance = min(max(factor, LeastFactor), MostFactor), sd*sd
}

// AtLeast takes proof that the factor is not below bound, known to sd: an estimate
// below it is drawn up to it, one above it stays.
func (f *FrictionTracker) AtLeast(bound, sd float64) {
	if !(bound > f.Factor) || !(sd > 0) || math.IsInf(bound, 0) {
		return
	}
	k := f.Variance / (f.Variance + sd*sd)
	f.Factor = min(f.Factor+k*(bound-f.Factor), MostFactor)
}

// Z95 is the two-sided 95 % point of the normal distribution.
const Z95 = 1.959963984540054

// Interval returns the 95 % interval of the factor, with an error of relative size
// common that all evidence shares and that no amount of it takes away.
func (f *FrictionTracker) Interval(common float64) (low, high float64) {
	d := Z95 * math.Sqrt(f.Variance+common*common*f.Factor*f.Factor)
	return max(f.Factor-d, 0), f.Factor + d
}

// LossTest tells whether evidence speaks for a lining that has lost part of its
// friction or for one as it was: Page's cumulative sum of the log-likelihood ratio
//
//	l = (Δ/v) (m − Δ/2 − z)   held within ±Most;   S ← max(0, S + l)
//
//	m  mean without the loss, the lining as it was   –
//	Δ  the loss looked for, Loss·m                   –
//	z  factor that one piece of evidence shows       –
//	v  variance of z − m                             –
//
// It finds when S reaches Mark. With Mark above Most no single piece can find,
// however sure it says it is. Without a loss S rises to Mark about once in e^Mark
// pieces or more seldom.
//
// Source: Page 1954, Biometrika 41:100; the bound e^Mark is Wald's (both from
// memory, not confirmed).
type LossTest struct {
	Loss float64 // part of the friction
	Most float64
	Mark float64
	Sum  float64
}

// Take takes one piece of evidence and tells whether the loss is found.
func (t *LossTest) Take(factor, mean, variance float64) bool {
	delta := t.Loss * mean
	l := delta / variance * (mean - delta/2 - factor)
	if !(variance > 0) || math.IsNaN(l) {
		return false
	}
	t.Sum = max(0, t.Sum+min(max(l, -t.Most), t.Most))
	return t.Sum >= t.Mark
}

// TakeReturn is Take for a lining that has lost it: it tells whether the friction is
// back.
func (t *LossTest) TakeReturn(factor, mean, variance float64) bool {
	delta := t.Loss * mean
	return t.Take(2*mean-delta-factor, mean, variance)
}

// Held returns the least friction factor that a load held at standstill proves:
// the torque that the load demands of the brake at least, W r f_low, as
// [ServiceBrake.Health] at the pressure. Creep at standstill makes it an equality.
// +Inf pressure or none gives 0, no proof.
//
//	f_low  fast-line factor of lowering: sheave friction holds its share
//
// Source: static balance of drum and load.
func (r *Rig) Held(hookLoad units.Newton, radius units.Metre, pressure units.Pascal, t units.Kelvin) float64 {
	demand := r.Reeving.FastLineFactor(Lowering) * float64(hookLoad) * float64(radius)
	if !(pressure > 0) || math.IsInf(float64(pressure), 0) || !(demand > 0) {
		return 0
	}
	k := r.Service.Health(units.NewtonMetre(demand), pressure, t, Lowering)
	if math.IsNaN(k) || math.IsInf(k, 0) {
		return 0
	}
	return k
}

// Health returns the friction factor, present over commissioned at the same
// temperature, with which the brake gives a torque at a pressure: the inverse of
// [ServiceBrake.Torque] at factor Health times the fade curve's.
//
//	disc            k = T/(2 μ F p A r_e N)
//	band, lowering  k = ln(1 + T/G)/(μ F θ),   G = B T_l R
//	band, raising   k = −ln(1 − T/G)/(μ F θ)
//
// with F the fade curve's factor at t. A torque of 0 or less gives 0, one beyond what a
// band can give +Inf; without pressure, or with what is not known, it is NaN.
//
// Source: as Torque.
func (b ServiceBrake) Health(torque units.NewtonMetre, p units.Pascal, t units.Kelvin, d Direction) float64 {
	f := b.Fade.Factor(t)
	if !(p > 0) || !(f > 0) || math.IsNaN(float64(torque)) {
		return math.NaN()
	}
	if torque <= 0 {
		return 0
	}
	if b.Kind != BandBrake {
		return float64(torque / b.Torque(p, f, d))
	}
	pull := float64(b.LiveTension) * float64(p/b.FullPressure) * float64(b.Bands) * float64(b.EffectiveRadius)
	x := float64(torque) / pull
	if d == Raising {
		if x >= 1 {
			return math.Inf(1)
		}
		return -math.Log1p(-x) / (b.Friction * f * b.WrapAngle)
	}
	return math.Log1p(x) / (b.Friction * f * b.WrapAngle)
}
