package hoist

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

func someRig(t *rapid.T) *Rig {
	r := r1()
	d := &r.Drawworks.Drum
	d.RootDiameter = units.Metre(rapid.Float64Range(0.4, 1.6).Draw(t, "root"))
	d.WrapsPerLayer = rapid.Float64Range(15, 60).Draw(t, "wraps a layer")
	d.LayerRise = rapid.Float64Range(0.84, 1).Draw(t, "rise")
	r.Line.Diameter = units.Metre(rapid.Float64Range(0.02, 0.055).Draw(t, "line"))
	r.Reeving.Lines = 2 * rapid.IntRange(2, 8).Draw(t, "half the lines")
	r.Reference.Wraps = rapid.Float64Range(0, 30).Draw(t, "reference wraps")
	return r
}

func TestDrumLineIsMonotoneAndInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := someRig(t)
		u, d := r.Drawworks.Drum, r.Line.Diameter
		w := rapid.Float64Range(0, 6*u.WrapsPerLayer).Draw(t, "wraps")
		step := rapid.Float64Range(1e-6, 3).Draw(t, "step")
		if a, b := u.Line(w, d), u.Line(w+step, d); !(b > a) {
			t.Fatalf("line at %g wraps %g m, at %g wraps %g m", w, a, w+step, b)
		}
		if back := u.Wraps(u.Line(w, d), d); !near(back, w, 1e-9*(1+w)) {
			t.Fatalf("%g wraps come back as %.12g", w, back)
		}
		full := math.Round(w/u.WrapsPerLayer) * u.WrapsPerLayer // no step at a layer change
		if a, b := u.Line(max(full-1e-9, 0), d), u.Line(full, d); !near(float64(a), float64(b), 1e-7) {
			t.Fatalf("step of %g m at %g wraps", b-a, full)
		}
	})
}

// The line is the circumference summed over the turns; a quadrature, layer by
// layer, is the second road.
func TestDrumLineAgainstQuadrature(t *testing.T) {
	u := r1().Drawworks.Drum
	for _, w := range []float64{3, 40, 57.5, 100, 163} {
		sum := 0.0
		for from := 0.0; from < w; from += 40 {
			sum += quad.Fixed(func(x float64) float64 { return 2 * math.Pi * float64(u.Radius(x, 0.034925)) },
				from, math.Min(from+40, w), 8, nil, 0)
		}
		if got := u.Line(w, 0.034925); !near(float64(got), sum, 1e-9) {
			t.Errorf("%g wraps: %.9f m, quadrature %.9f m", w, got, sum)
		}
	}
}

func TestDrumRefuses(t *testing.T) {
	u := r1().Drawworks.Drum
	for _, w := range []float64{-1e-9, -5, math.NaN(), math.Inf(1), 1e300} {
		if l, r, k := u.Line(w, 0.035), u.Radius(w, 0.035), u.Layer(w); !math.IsNaN(float64(l)) || !math.IsNaN(float64(r)) || k != 0 {
			t.Errorf("%g wraps: line %g, radius %g, layer %d", w, l, r, k)
		}
	}
	for _, l := range []units.Metre{-0.1, units.Metre(math.NaN()), units.Metre(math.Inf(1))} {
		if w := u.Wraps(l, 0.035); !math.IsNaN(w) {
			t.Errorf("%g m of line: %g wraps", l, w)
		}
	}
	if k := u.Layer(40); k != 2 {
		t.Errorf("a full layer counts as layer %d, want 2", k)
	}
}

func TestMapIsMonotoneAndInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := someRig(t)
		m, err := NewMap(r)
		if err != nil {
			t.Fatal(err)
		}
		w := rapid.Float64Range(0, 5*r.Drawworks.Drum.WrapsPerLayer).Draw(t, "wraps")
		load := units.Newton(rapid.Float64Range(0, 6e6).Draw(t, "load"))
		h := m.Height(w, load)
		if up := m.Height(w+0.01, load); !(up > h) {
			t.Fatalf("height %g m at %g wraps, %g m with more", h, w, up)
		}
		if heavier := m.Height(w, load+1e5); h < r.Mast.CrownHeight && !(heavier < h) {
			t.Fatalf("height %g m, with more load %g m", h, heavier)
		}
		if back := m.Wraps(h, load); !near(back, w, 1e-8*(1+w)) {
			t.Fatalf("%g wraps come back as %.12g", w, back)
		}
	})
}

func TestMapAtItsReference(t *testing.T) {
	r := r1()
	m, err := NewMap(r)
	if err != nil {
		t.Fatal(err)
	}
	if h := m.Height(14, 294e3); !near(float64(h), 2, 1e-12) {
		t.Errorf("height at the reference %g m, want 2", h)
	}
	// By hand: L(100) − L(14) = 265.5642 − 35.0506 = 230.5136 m of line, 23.0514 m of
	// block; stretch 294 kN: ε = 5.5083e-4, at 2 m 28.92 mm, at 25.06 m 16.2 mm.
	if h := m.Height(100, 294e3); !near(float64(h), 2+23.0514+0.0127, 2e-4) {
		t.Errorf("height at 100 wraps %.5f m", h)
	}
	// 250 t instead of the empty block hangs lower by its stretch's difference.
	low := m.Height(14, 250*9806.65)
	want := r.Line.Stretch(250*9806.65, 44-low, 10) - r.Line.Stretch(294e3, 42, 10)
	if !near(float64(2-low), float64(want), 1e-9) {
		t.Errorf("250 t hangs %.6f m lower, want %.6f", 2-low, want)
	}
}

func TestMapVoid(t *testing.T) {
	r := r1()
	r.Reference.Set = false
	if _, err := NewMap(r); !errors.Is(err, ErrVoid) {
		t.Errorf("without a reference: %v, want ErrVoid", err)
	}
	r = r1()
	r.Reference.Wraps = -3
	if _, err := NewMap(r); err == nil || errors.Is(err, ErrVoid) {
		t.Errorf("reference below the drum: %v, want another error", err)
	}
	m, _ := NewMap(r1())
	for _, x := range []units.Metre{m.Height(-1, 3e5), m.Height(20, units.Newton(math.NaN()))} {
		if !math.IsNaN(float64(x)) {
			t.Errorf("height %g from what cannot be", x)
		}
	}
	if w := m.Wraps(-30, 3e5); !math.IsNaN(w) {
		t.Errorf("%g wraps for a height that leaves no line on the drum", w)
	}
}

func TestEncoderDifference(t *testing.T) {
	for _, row := range []struct {
		bits     uint
		from, to float64
		want     float64
	}{
		{8, 250, 4, 10}, {8, 4, 250, -10}, {8, 0, 127, 127}, {8, 0, 128, -128}, {8, 0, 129, -127},
		{32, 4294967295, 3, 4}, {32, 3, 4294967295, -4}, {53, 9007199254740991, 1, 2},
		{0, 4294967295, 3, -4294967292}, {16, 70000, 10, -4454},
	} {
		if got := (Encoder{CounterBits: row.bits}).Difference(row.from, row.to); got != row.want {
			t.Errorf("%d bits, %g to %g: %g, want %g", row.bits, row.from, row.to, got, row.want)
		}
	}
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if got := (Encoder{CounterBits: 16}).Difference(5, x); !math.IsNaN(got) {
			t.Errorf("5 to %g: %g, want NaN", x, got)
		}
		if got := (Encoder{}).Difference(5, x); !math.IsNaN(got) {
			t.Errorf("5 to %g without wrap: %g, want NaN", x, got)
		}
	}
}

// Any walk in steps below half the range is followed exactly.
func TestCounterFollows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := Encoder{CounterBits: uint(rapid.IntRange(8, 32).Draw(t, "bits"))}
		span := math.Ldexp(1, int(e.CounterBits))
		var c Counter
		truth := float64(rapid.IntRange(0, 200).Draw(t, "start"))
		c.Add(e, truth)
		for _, step := range rapid.SliceOf(rapid.Float64Range(-0.49, 0.49)).Draw(t, "steps") {
			truth += math.Round(step * span)
			shown := math.Mod(math.Mod(truth, span)+span, span)
			if got := c.Add(e, shown); got != truth {
				t.Fatalf("total %g, want %g", got, truth)
			}
		}
		if got := c.Add(e, math.NaN()); !math.IsNaN(got) {
			t.Fatalf("a lost reading gave %g", got)
		}
	})
}

func TestWrapsFromCounts(t *testing.T) {
	r := r1()
	m, _ := NewMap(r)
	if w := m.WrapsFromCounts(1000); !math.IsNaN(w) {
		t.Errorf("%g wraps from counts that the reference does not know", w)
	}
	r.Reference.HasCounts, r.Reference.Counts = true, 500
	m, _ = NewMap(r)
	if w := m.WrapsFromCounts(500 + 4096*2.5); !near(w, 16.5, 1e-12) {
		t.Errorf("%g wraps, want 16.5", w)
	}
}

func TestReeving(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := Reeving{2 * rapid.IntRange(1, 10).Draw(t, "half"), rapid.Float64Range(1, 1.15).Draw(t, "K")}
		n := float64(v.Lines)
		for _, d := range []Direction{Raising, Lowering} {
			// The parts hold the load: fast line, every part and dead line form one chain.
			sum, tension := 0.0, v.FastLineFactor(d)
			k := math.Pow(v.SheaveFactor, float64(d))
			for range v.Lines {
				tension /= k
				sum += tension
			}
			if !near(sum, 1, 1e-9) || !near(tension, v.DeadLineFactor(d), 1e-9) {
				t.Fatalf("%v: parts carry %g of the load, last %g, dead line %g", d, sum, tension, v.DeadLineFactor(d))
			}
		}
		if !near(v.FastLineFactor(Static), 1/n, 1e-15) || v.FastLineFactor(Lowering) > 1/n+1e-15 || v.FastLineFactor(Raising) < 1/n-1e-15 {
			t.Fatalf("static %g is not between lowering and raising", v.FastLineFactor(Static))
		}
	})
	for _, bad := range []Reeving{{0, 1.04}, {-2, 1.04}, {10, 0}, {10, math.NaN()}} {
		if f := bad.FastLineFactor(Raising); !math.IsNaN(f) {
			t.Errorf("%+v: %g", bad, f)
		}
		if f := bad.DeadLineFactor(Lowering); !math.IsNaN(f) {
			t.Errorf("%+v: %g", bad, f)
		}
	}
}

func TestHookLoadFrom(t *testing.T) {
	v := Reeving{10, 1.04}
	const w = 1e6
	if got, sd := v.HookLoadFrom(units.Newton(w*v.DeadLineFactor(Raising)), Raising, true); !near(float64(got), w, 1e-6) || sd != 0 {
		t.Errorf("settled raising: %g ± %g", got, sd)
	}
	// Just turned from raising to lowering the tension still is that of raising: the
	// truth must lie inside what is said, about 2 deviations of a uniform spread.
	for _, d := range []Direction{Raising, Lowering} {
		got, sd := v.HookLoadFrom(units.Newton(w*v.DeadLineFactor(d)), -d, false)
		if !(math.Abs(float64(got)-w) <= math.Sqrt(3)*float64(sd)*(1+1e-9)) || !(float64(sd/got) > 0.09 && float64(sd/got) < 0.11) {
			t.Errorf("turned from %v: %g ± %g", d, got, sd)
		}
	}
}

func TestSheaveFactorFromHysteresis(t *testing.T) {
	for _, row := range []struct {
		up, down units.Newton
		lines    int
	}{{0, 5, 10}, {5, 0, 10}, {-5, 5, 10}, {6, 5, 10}, {5, 6, 1}, {units.Newton(math.NaN()), 5, 10}} {
		if k, _, err := SheaveFactorFromHysteresis(row.up, row.down, row.lines, 0.01); err == nil {
			t.Errorf("%+v gives K %g, want an error", row, k)
		}
	}
	k, sd, err := SheaveFactorFromHysteresis(83.3e3, 118.55e3, 10, 0.01)
	if err != nil || !near(sd, k/9*math.Sqrt2*0.01, 1e-12) {
		t.Errorf("K %g ± %g, %v", k, sd, err)
	}
}
