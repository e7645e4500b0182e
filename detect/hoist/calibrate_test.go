package hoist

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/optimize"

	"hoistward/ingest/units"
)

// known draws points on a rig's own map with noise of sd.
func known(r *Rig, wraps []float64, load units.Newton, sd float64, seed uint64) []KnownHeight {
	m, err := NewMap(r)
	if err != nil {
		panic(err)
	}
	rng := rand.New(rand.NewPCG(seed, 1))
	points := make([]KnownHeight, 0, len(wraps))
	for _, w := range wraps {
		h := float64(m.Height(w, load)) + sd*rng.NormFloat64()
		points = append(points, KnownHeight{units.Metre(h), w - 14, load})
	}
	return points
}

func TestCalibrateFindsRiseAndWraps(t *testing.T) {
	truth := r1()
	truth.Drawworks.Drum.LayerRise = 0.91
	points := known(truth, []float64{16, 30, 60, 90, 110, 130, 150, 160}, 294e3, 0, 1)
	c, err := r1().Calibrate(points, 14.6, 0.005)
	if err != nil {
		t.Fatal(err)
	}
	if !c.WrapsSolved || !c.RiseSolved || !near(c.Wraps, 14, 0.02) || !near(c.Rise, 0.91, 1e-3) || !near(float64(c.RMS), 0, 1e-4) {
		t.Errorf("got %+v, want wraps 14, rise 0.91", c)
	}
}

func TestCalibrateHoldsWhatPointsCannotTell(t *testing.T) {
	r := r1()
	for _, row := range []struct {
		name        string
		wraps       []float64
		wSol, rises bool
	}{
		{"one point", []float64{16}, false, false},
		{"two in one layer", []float64{16, 30}, false, false},
		{"two across layers", []float64{16, 60}, true, false},
		{"three in one layer", []float64{16, 25, 35}, false, false},
		{"three across layers", []float64{16, 36, 116}, false, true},
	} {
		c, err := r.Calibrate(known(r, row.wraps, 294e3, 0, 1), 14, 0.02)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		if c.WrapsSolved != row.wSol || c.RiseSolved != row.rises {
			t.Errorf("%s: solved wraps %v ± %g, rise %v ± %g; want %v, %v", row.name, c.WrapsSolved, c.WrapsSD, c.RiseSolved, c.RiseSD, row.wSol, row.rises)
		}
		if math.IsInf(c.WrapsSD, 0) || math.IsInf(c.RiseSD, 0) || math.IsNaN(c.WrapsSD+c.RiseSD) {
			t.Errorf("%s: deviations %g, %g", row.name, c.WrapsSD, c.RiseSD)
		}
	}
}

// The stated deviations are those of repeated calibrations.
func TestCalibrateDeviationsAreTrue(t *testing.T) {
	r := r1()
	const trials = 300
	var sw, sr, stW, stR float64
	for i := range uint64(trials) {
		points := known(r, []float64{16, 24, 36, 50, 70, 90, 110, 125, 140, 160}, 294e3, 0.005, i+1)
		c, err := r.Calibrate(points, 14, 0.005)
		if err != nil {
			t.Fatal(err)
		}
		if !c.WrapsSolved || !c.RiseSolved {
			t.Fatalf("trial %d held something: %+v", i, c)
		}
		sw += (c.Wraps - 14) * (c.Wraps - 14)
		sr += (c.Rise - 0.866) * (c.Rise - 0.866)
		stW, stR = stW+c.WrapsSD*c.WrapsSD, stR+c.RiseSD*c.RiseSD
	}
	for _, x := range []struct {
		name        string
		found, says float64
	}{{"wraps", math.Sqrt(sw / trials), math.Sqrt(stW / trials)}, {"rise", math.Sqrt(sr / trials), math.Sqrt(stR / trials)}} {
		if !(x.found <= 1.3*x.says && x.found >= 0.5*x.says) {
			t.Errorf("%s: spread of %d calibrations %.4g, stated %.4g", x.name, trials, x.found, x.says)
		}
	}
}

// A second road: a general minimiser on the same sum of squares.
func TestCalibrateAgainstMinimiser(t *testing.T) {
	r := r1()
	points := known(r, []float64{16, 24, 36, 50, 70, 90, 110, 125, 140, 160}, 294e3, 0.01, 7)
	c, err := r.Calibrate(points, 14, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	f := newFit(r, points, 0.01)
	sum := func(x []float64) float64 {
		u, s := f.drum, 0.0
		u.LayerRise = x[1]
		for i := range f.y {
			e := f.y[i] - x[2] - float64(u.Line(x[0]+f.x[i], f.line))/f.n
			s += e * e
		}
		return s
	}
	got, err := optimize.Minimize(optimize.Problem{Func: sum}, []float64{14.1, 0.87, f.refHeight}, nil, &optimize.NelderMead{})
	if err != nil {
		t.Fatal(err)
	}
	mine := float64(c.RMS*c.RMS) * float64(len(points))
	if !(mine <= got.F*(1+1e-3)+1e-9) {
		t.Errorf("sum of squares %.9g, the minimiser found %.9g at %v (here %.4f, %.4f)", mine, got.F, got.X, c.Wraps, c.Rise)
	}
}

func TestCalibrateRefuses(t *testing.T) {
	r := r1()
	steep := r1()
	steep.Drawworks.Drum.LayerRise = 1.3
	for _, row := range []struct {
		name   string
		points []KnownHeight
		guess  float64
		says   string
	}{
		{"none", nil, 14, "at least 1"},
		{"turned sign", []KnownHeight{{2, 0, 0}, {10, -30, 0}}, 14, "sign of the counts"},
		{"NaN", []KnownHeight{{units.Metre(math.NaN()), 0, 0}}, 14, "finite"},
		{"negative load", []KnownHeight{{2, 0, -1}}, 14, "hook load"},
		{"negative wraps", []KnownHeight{{2, 0, 0}}, -1, "0 or more"},
		{"impossible rise", known(steep, []float64{16, 38, 70, 110, 150}, 294e3, 0, 1), 14, "0.84 to 1.00"},
	} {
		if _, err := r.Calibrate(row.points, row.guess, 0); err == nil || !strings.Contains(err.Error(), row.says) {
			t.Errorf("%s: got %v, want an error that says %q", row.name, err, row.says)
		}
	}
}

func TestCalibrationApplied(t *testing.T) {
	truth := r1()
	truth.Drawworks.Drum.LayerRise = 0.9
	points := known(truth, []float64{16, 30, 60, 90, 110, 130, 150, 160}, 294e3, 0, 1)
	c, err := r1().Calibrate(points, 14.5, 0.005)
	if err != nil {
		t.Fatal(err)
	}
	fixed := c.Apply(*r1(), points)
	m, err := NewMap(&fixed)
	if err != nil {
		t.Fatal(err)
	}
	want, _ := NewMap(truth)
	for _, w := range []float64{15, 45, 100, 155} {
		got, true := m.Height(w+c.Wraps-14, 294e3), want.Height(w, 294e3)
		if !near(float64(got), float64(true), 1e-3) {
			t.Errorf("%g wraps: %.4f m, want %.4f", w, got, true)
		}
	}
}
