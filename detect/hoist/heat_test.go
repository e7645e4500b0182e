package hoist

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/optimize"
	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

// A step of any length agrees with steps of 1 s to 0.1 K.
func TestLumpedStepIsExactEnough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := units.Kelvin(rapid.Float64Range(260, 750).Draw(t, "start"))
		power := units.Watt(rapid.Float64Range(0, 2e5).Draw(t, "power"))
		speed := units.RadianPerSecond(rapid.Float64Range(0, 30).Draw(t, "speed"))
		total := rapid.IntRange(1, 3600).Draw(t, "seconds")
		one := NewLumped(r1(), start)
		many := one
		one.Step(power, speed, units.Second(total))
		for range total {
			many.Step(power, speed, 1)
		}
		if !near(float64(one.Temperature), float64(many.Temperature), 0.1) {
			t.Fatalf("in one step %.3f K, in %d %.3f K", one.Temperature, total, many.Temperature)
		}
	})
}

func TestLumpedKeepsEnergy(t *testing.T) {
	r := r1()
	r.Heat.CoolingArea = 0
	l := NewLumped(r, 300)
	if got := l.Step(1e5, 3, 600); !near(float64(got), 300+1e5*600/(1800*470), 1e-9) {
		t.Errorf("without cooling %.6f K", got)
	}
	l = NewLumped(r1(), 293.15)
	if got := l.Step(0, 10, 1e6); got != 293.15 {
		t.Errorf("at the air's temperature without heat: %g K", got)
	}
	l = NewLumped(r1(), 600)
	if got := l.Step(0, 0, 5e5); !(got > 293.15 && got < 294) {
		t.Errorf("after six days: %g K", got)
	}
	for _, dt := range []units.Second{0, -5, units.Second(math.NaN())} {
		if got := l.Step(1e5, 1, dt); got != l.Temperature || math.IsNaN(float64(got)) {
			t.Errorf("a step of %g s: %g K", dt, got)
		}
	}
	before := l.Temperature
	if l.Step(units.Watt(math.NaN()), 1, 1); l.Temperature != before {
		t.Errorf("a power that is not known moved the temperature")
	}
}

// Equal stops: the lump with a constant coefficient settles at the closed form.
func TestRepeatedStopsAgainstStepping(t *testing.T) {
	const rise, every, tau = 4.8691, 180.0, 10259.0
	x := 0.0
	for range 3000 {
		x = (x + rise) * math.Exp(-every/tau)
	}
	peak, trough, mean := RepeatedStops(rise, every, tau)
	if !near(float64(trough), x, 1e-6) || !near(float64(peak), x+rise, 1e-6) || !(mean > trough && mean < peak) {
		t.Errorf("closed form %g, %g, %g; stepped trough %g", peak, trough, mean, x)
	}
}

// Midpoint rule in small steps, a second road to the two-node model.
func TestTwoNodeAgainstFineSteps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		r.Heat.WaterFlow = units.CubicMetrePerSecond(rapid.SampledFrom([]float64{0, 2e-4}).Draw(t, "water"))
		start := units.Kelvin(rapid.Float64Range(280, 600).Draw(t, "start"))
		power := units.Watt(rapid.Float64Range(0, 8e5).Draw(t, "power"))
		speed := units.RadianPerSecond(rapid.Float64Range(0, 30).Draw(t, "speed"))
		total := rapid.Float64Range(0.5, 600).Draw(t, "seconds")
		n := NewTwoNode(r, start)
		a, b := float64(start), float64(start)
		rate := func(a, b float64) (float64, float64) {
			m := n
			m.Ring, m.Body = units.Kelvin(a), units.Kelvin(b)
			hr, hb := m.losses(speed)
			flow := waterExchange * waterHeat * float64(r.Heat.WaterFlow)
			t0 := float64(n.Ambient)
			return (float64(power) - n.g*(a-b) - hr*(a-t0)) / n.cr, (n.g*(a-b) - (hb-flow)*(b-t0) - flow*(b-float64(n.WaterInlet))) / n.cb
		}
		const steps = 4000
		dt := total / steps
		for range steps {
			da, db := rate(a, b)
			ma, mb := rate(a+dt/2*da, b+dt/2*db)
			a, b = a+dt*ma, b+dt*mb
		}
		n.Step(power, speed, units.Second(total))
		if !near(float64(n.Ring), a, 0.3) || !near(float64(n.Body), b, 0.3) {
			t.Fatalf("stepped %.3f, %.3f K; fine %.3f, %.3f K", n.Ring, n.Body, a, b)
		}
	})
}

func TestTwoNodeKeepsEnergy(t *testing.T) {
	r := r1()
	r.Heat.CoolingArea = 0
	n, l := NewTwoNode(r, 300), NewLumped(r, 300)
	n.Step(2e6, 10, 3)
	l.Step(2e6, 10, 3)
	if !near(float64(n.Mean()), float64(l.Temperature), 1e-9) || !(n.Ring > n.Body) {
		t.Errorf("ring %g, body %g, mean %g K; one lump %g K", n.Ring, n.Body, n.Mean(), l.Temperature)
	}
	gap := float64(n.Ring - n.Body)
	n.Step(0, 0, units.Second(standardExchangeTime))
	if got := float64(n.Ring-n.Body) / gap; !near(got, math.Exp(-1), 1e-6) {
		t.Errorf("in %.1f s the difference fell to %.4f, want 1/e", standardExchangeTime, got)
	}
	// Under a steady power the ring leads the mean as a slab's face does: 42 s/3 of the
	// mean's rate, 2 MW into m c.
	n.Step(2e6, 0, 100)
	if got, want := float64(n.Ring-n.Mean()), 14*2e6/n.Capacity(); !near(got, want, 1e-3*want) {
		t.Errorf("the ring leads by %.3f K, want %.3f K", got, want)
	}
}

func TestTwoNodeWaterCools(t *testing.T) {
	r := r1()
	dry := NewTwoNode(r, 293.15)
	r.Heat.WaterFlow = 5e-4
	wet := NewTwoNode(r, 293.15)
	dry.Step(5e4, 5, 3600)
	wet.Step(5e4, 5, 3600)
	if !(wet.Body < dry.Body-20) {
		t.Errorf("body %g K with water, %g K without", wet.Body, dry.Body)
	}
}

// The flash's 0.532: the surface of a half space under a flux that falls straight
// to 0, by quadrature of its response, at its hottest.
func TestSurfaceFlashAgainstQuadrature(t *testing.T) {
	surface := func(at float64) float64 {
		// ∫ q(τ)/√(π (at − τ)) dτ with s² = at − τ, which takes the pole away.
		return quad.Fixed(func(s float64) float64 { return 2 * (1 - (at - s*s)) / math.Sqrt(math.Pi) }, 0, math.Sqrt(at), 20, nil, 0)
	}
	best, err := optimize.Minimize(optimize.Problem{Func: func(x []float64) float64 {
		if x[0] <= 0 || x[0] > 1 {
			return 1
		}
		return -surface(x[0])
	}}, []float64{0.3}, nil, &optimize.NelderMead{})
	if err != nil {
		t.Fatal(err)
	}
	if got := SurfaceFlash(1, 1, 1, 1, 1); !near(float64(got), -best.F, 5e-4) || !near(best.X[0], 0.5, 1e-3) {
		t.Errorf("%g, quadrature %g at %g of the stop", got, -best.F, best.X[0])
	}
}

func TestForecast(t *testing.T) {
	r := r1()
	pace := Pace{HeatPerStand: units.Joule(0.1 * 150 * 9806.65 * 28), TimePerStand: 180, DrumSpeed: 2}
	l := NewTwoNode(r, 293.15)
	f := l.Forecast(pace, r.Heat.Amber, r.Heat.Red)
	// Stand by stand is the second road.
	peak := l.Ring
	amber := math.Inf(1)
	for i := 1.0; i <= 5000; i++ {
		rise := units.Kelvin(float64(pace.HeatPerStand) / l.Capacity())
		l.Ring, l.Body = l.Ring+rise, l.Body+rise
		peak = l.Mean()
		if peak >= r.Heat.Amber && math.IsInf(amber, 1) {
			amber = i
		}
		l.Step(0, 2, 180)
	}
	if !near(float64(f.Settles), float64(peak), 0.5) || f.StandsToAmber != amber {
		t.Errorf("got %+v, stand by stand it settles at %.2f K, amber after %g", f, peak, amber)
	}
	hot := NewTwoNode(r, 560)
	if got := hot.Forecast(pace, 500, 550); got.StandsToAmber != 0 || got.StandsToRed != 0 {
		t.Errorf("already hot: %+v", got)
	}
	cool := NewTwoNode(r, 293.15)
	if got := cool.Forecast(Pace{0, 180, 0}, 500, 550); !math.IsInf(got.StandsToAmber, 1) || !near(float64(got.Settles), 293.15, 1e-6) {
		t.Errorf("no heat: %+v", got)
	}
	if got := cool.Forecast(Pace{units.Joule(math.NaN()), 180, 0}, 500, 550); !math.IsNaN(got.StandsToAmber) || !math.IsNaN(float64(got.Settles)) {
		t.Errorf("heat not known: %+v", got)
	}
	if cool.Ring != 293.15 {
		t.Errorf("a forecast moved the brake to %g K", cool.Ring)
	}
}
