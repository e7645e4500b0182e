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
