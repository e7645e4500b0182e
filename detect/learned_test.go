package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"hoistward/detect/hoist"
)

// A gauge with noise of 1.2 % of full, cut off at none, shows its zero.
func TestGaugeZero(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, zero := range []float64{-0.01, 0, 0.005, 0.02} {
		g := gaugeZero{spread: gaugeSpread}
		for range 400 {
			x := math.Max(0, zero+0.012*r.NormFloat64())
			g.n++
			g.sum += x
			if x > 0 {
				g.above++
			}
		}
		g.learn()
		if !(math.Abs(g.zero-zero) < 0.0025) || !(g.spread <= gaugeSpread) {
			t.Errorf("zero %.3f: learned %.4f, spread %.4f", zero, g.zero, g.spread)
		}
	}
	g := gaugeZero{spread: gaugeSpread, n: 100, above: 1, sum: 0.005}
	if g.learn(); g.zero != 0 || g.spread != gaugeSpread {
		t.Errorf("a gauge that shows nothing: zero %g, spread %g", g.zero, g.spread)
	}
}

// Iron that saturates gives more at part current than current squared: what is learned at
// one excitation says something of its neighbours, and little of those far off.
func TestExcitationLearns(t *testing.T) {
	rig := &hoist.Rig{Auxiliary: hoist.AuxiliaryBrake{Kind: hoist.EddyCurrent}}
	e := newExcitation(rig, true)
	_, before := e.at(1)
	for range 20 {
		e.learn(0.5, 1.4, 0.02*0.02)
	}
	c, v := e.at(0.5)
	if !(math.Abs(c-1.4) < 0.01) || !(v < 1e-4) {
		t.Errorf("at 0.5: %.3f, standard deviation %.3f, want 1.4", c, math.Sqrt(v))
	}
	if c, v = e.at(1); !(math.Abs(c-1) < 0.1) || !(v > 0.5*before) {
		t.Errorf("at 1: %.3f, variance %.5f, was %.5f", c, v, before)
	}
	if c, _ = e.at(0.25); !(c > 1.45 && c < 1.7) {
		t.Errorf("at 0.25: %.3f, want the slope carried on, 1.45 to 1.7", c)
	}
	e.learn(0.5, math.NaN(), 0.01)
	if c, _ = e.at(0.5); !(math.Abs(c-1.4) < 0.01) {
		t.Errorf("evidence that is none moved it to %.3f", c)
	}
	e.age(rig, 0.1, false) // the current is lost: a lever of which nothing is known
	if c, v = e.at(0.5); c != leverMean || v < leverSD*leverSD {
		t.Errorf("not measured: %.3f, variance %.3f", c, v)
	}
}

// A piece that speaks for a loss as loudly as one piece may is complete; by hand, with a
// factor of 1 known to 0.02 and a piece of 0.78 known to 0.045: v = 0.00243,
// l = 0.25/0.00243 (0.875 − 0.78) = 9.8, beyond the 4 that one piece may say. At 0.86
// l = 1.5: it goes on.
func TestPieceThatSaysAll(t *testing.T) {
	rig := &hoist.Rig{Service: hoist.ServiceBrake{Kind: hoist.DiscBrake}}
	f := newFriction(rig)
	if f.saysAll(0.78, 0.045) {
		t.Error("a first piece: said all, with nothing to hold it against")
	}
	f.low.Factor, f.low.Variance, f.applications = 1, 0.02*0.02, 5
	for z, want := range map[float64]bool{0.78: true, 0.86: false, 1.0: false} {
		if got := f.saysAll(z, 0.045); got != want {
			t.Errorf("%.2f says all: got %v, want %v", z, got, want)
		}
	}
	if f.lost = true; f.saysAll(0.78, 0.045) {
		t.Error("after a loss is found: said all, want pieces of whole length")
	}
}

// A load that bounces at 1 Hz so that the share wavers by ±0.3 has a mean square of
// 0.3²/2 about a mean that hardly follows it; a fall of the last half second is not in it.
func TestBounceIsKeptApartFromAFall(t *testing.T) {
	a, dt := newAuxiliary(), 0.05
	given := func(x braking) float64 { return x.share }
	at := func(share float64) { a.remember(braking{share: share, load: 1e5, excitation: math.NaN()}, given, dt) }
	for k := range 200 {
		at(1 + 0.3*math.Sin(2*math.Pi*float64(k)*dt))
	}
	// The mean lags with 0.3 s: what is left of the sine is ωτ/√(1 + ω²τ²) = 0.88 of it.
	bounce := a.wavered[1]
	if want := 0.88 * 0.88 * 0.3 * 0.3 / 2; !(math.Abs(bounce/want-1) < 0.25) {
		t.Errorf("mean square of the bounce %.4f, want about %.4f", bounce, want)
	}
	for range int(suddenTime/dt) - 1 {
		at(0.1)
	}
	if a.wavered[1] > 1.2*bounce {
		t.Errorf("half a second after the fall %.4f, before it %.4f: it hides itself", a.wavered[1], bounce)
	}
}
