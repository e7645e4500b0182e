package hoist

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

func TestSafeLoweringTable(t *testing.T) {
	r := r1()
	for _, row := range []struct{ celsius, room, want float64 }{
		{20, 2, 1.115}, {20, 5, 2.323}, {20, 10, 3.726}, {300, 2, 0.922}, {300, 5, 1.922}, {300, 10, 2.995},
	} {
		got := r.SafeLowering(250*9806.65, 0.44, units.FromCelsius(row.celsius), 1, units.Metre(row.room))
		if !near(float64(got), row.want, 0.002) {
			t.Errorf("%g °C, room %g m: %.4f m/s, want %g", row.celsius, row.room, got, row.want)
		}
	}
}

func BenchmarkSafeLowering(b *testing.B) {
	r := r1()
	b.ReportAllocs()
	for b.Loop() {
		r.SafeLowering(250*9806.65, 0.44, units.FromCelsius(300), 1, 5)
	}
}

func BenchmarkStopBound(b *testing.B) {
	r := r1()
	s := Spread{Speed: 0.03, Acceleration: 0.1, Temperature: 10, Friction: 0.04}
	for _, a := range stopAnchors {
		b.Run(a.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				r.StopBound(a.c, s)
			}
		})
	}
}

// trial is one question whose bound is put to the test by drawing real stops.
type trial struct {
	name string
	c    StopCase
	s    Spread
}

func trials() []trial {
	s := Spread{Speed: 0.03, Acceleration: 0.08, Temperature: 12, Friction: 0.04}
	wide := Spread{Speed: 0.05, Acceleration: 0.1, Temperature: 25}
	return []trial{
		{"S1", up(30, 1.5, 0), s},
		{"S2", up(30, 2.5, 0.25), s},
		{"loaded up", up(250, 0.8, 0.1), wide},
		{"slow up", up(30, 0.2, 0), s},
		{"S5", down(250, 1, 20, true), s},
		{"S6", down(250, 1, 300, true), s},
		{"light down", down(30, 2, 20, true), wide},
		{"half load hot", down(150, 1.5, 350, true), wide},
	}
}

// drawn is one real stop: every input as its uncertainty says, normal.
func (x trial) drawn(r *Rig, rng *rand.Rand) Stop {
	c := x.c
	if c.Direction == Lowering {
		c.RetardingLost = true
	}
	p := r.plant(c)
	sd := r.deviations(&p, x.s)
	for i, s := range sd {
		p = p.moved(i, s*rng.NormFloat64())
	}
	return p.stop()
}

// Of drawn stops, 99 % stay inside the bound: not far fewer, and not so many that
// it is no answer.
func TestStopBoundCovers(t *testing.T) {
	const draws = 20000
	r := r1()
	for _, x := range trials() {
		bound, slope := r.StopBound(x.c, x.s)
		if !bound.CanStop || !(slope > 0) {
			t.Errorf("%s: bound %+v, slope %g", x.name, bound, slope)
			continue
		}
		rng := rand.New(rand.NewPCG(11, 7))
		inside := 0
		for range draws {
			if x.drawn(r, rng).Distance <= bound.Distance {
				inside++
			}
		}
		share := float64(inside) / draws
		t.Logf("%-14s bound %.3f m, expected %.3f m, slope %.2f s: %.2f %% inside", x.name, bound.Distance, r.Stop(x.c).Distance, slope, 100*share)
		if !(share >= 0.985 && share <= 0.9985) {
			t.Errorf("%s: %.2f %% of drawn stops inside the bound, want 99 %%", x.name, 100*share)
		}
	}
}

// Where more than one stop in a hundred cannot be had, the bound says so; where
// hardly any fails, it does not.
func TestStopBoundNearRunaway(t *testing.T) {
	const draws = 4000
	r := r1()
	for _, celsius := range []float64{300, 320, 340, 350, 360, 370, 380, 390, 400} {
		for _, speed := range []float64{0.3, 1, 2} {
			x := trial{"", down(250, speed, celsius, true), Spread{Speed: 0.03, Temperature: 15, Friction: 0.05}}
			x.c.FrictionFactor = 0.9
			bound, _ := r.StopBound(x.c, x.s)
			rng := rand.New(rand.NewPCG(3, 5))
			lost, outside := 0, 0
			for range draws {
				s := x.drawn(r, rng)
				if !s.CanStop {
					lost++
				}
				if s.Distance > bound.Distance {
					outside++
				}
			}
			share := float64(lost) / draws
			t.Logf("%g °C %g m/s: %.2f %% cannot stop; bound %.2f m, %.2f %% outside", celsius, speed, 100*share, bound.Distance, 100*float64(outside)/draws)
			if !(float64(outside) <= 0.016*draws) {
				t.Errorf("%g °C, %g m/s: %d of %d drawn stops outside the bound of %.2f m", celsius, speed, outside, draws, bound.Distance)
			}
			if share > 0.012 && bound.CanStop {
				t.Errorf("%g °C, %g m/s: %.2f %% of stops cannot be had, yet the bound is %.2f m", celsius, speed, 100*share, bound.Distance)
			}
			if share < 0.002 && !bound.CanStop {
				t.Errorf("%g °C, %g m/s: only %.2f %% of stops cannot be had, yet the bound says %v", celsius, speed, 100*share, bound.Reason)
			}
		}
	}
}

func TestSecondsToAct(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, row := range []struct {
		room, v, a, slope, want float64
	}{
		{3, 1.5, 0, 1, 2},
		{0, 1.5, 0, 1, 0},
		{-1, 1.5, 0, 1, 0},
		{3, 0, 0, 1, inf},
		{3, -1, 0, 1, inf},
		{3, 0, 0.5, 1, 2.605551275463989}, // ½·0.5 t² + 0.5 t = 3
		{3, 1, -0.5, 0.5, inf},            // turns back before it
		{0.5, 1, -0.5, 0.5, 1},            // t² − 3t + 2 = 0
		{nan, 1, 0, 1, nan},
		{3, nan, 0, 1, nan},
		{3, 1, 0.1, inf, 0},
		{3, 1, 0, inf, 3},
	} {
		got := SecondsToAct(units.Metre(row.room), units.MetrePerSecond(row.v), units.MetrePerSecond2(row.a), row.slope)
		if got != row.want && !near(got, row.want, 1e-9) && !(math.IsNaN(got) && math.IsNaN(row.want)) {
			t.Errorf("%+v: got %g", row, got)
		}
	}
}

// The answer solves its equation, and nothing earlier does.
func TestSecondsToActSolves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		room := rapid.Float64Range(0.01, 30).Draw(t, "room")
		v := rapid.Float64Range(-2, 2).Draw(t, "v")
		a := rapid.Float64Range(-1, 1).Draw(t, "a")
		k := rapid.Float64Range(0, 3).Draw(t, "k")
		used := func(s float64) float64 { return v*s + a*s*s/2 + k*a*s }
		got := SecondsToAct(units.Metre(room), units.MetrePerSecond(v), units.MetrePerSecond2(a), k)
		if !math.IsInf(got, 1) && !near(used(got), room, 1e-6*(1+room)+1e-9*got*got) {
			t.Fatalf("at %g s the travel is %g m, want %g", got, used(got), room)
		}
		end := math.Min(got, 100)
		for i := 1; i < 200; i++ {
			if s := end * float64(i) / 200; used(s) > room*(1+1e-9) {
				t.Fatalf("met at %g s already, got %g s", s, got)
			}
		}
	})
}

// A speed so high that the stop heats the brake across a kink of its curve is right by the
// fine integration too.
func TestSafeLoweringAcrossAKink(t *testing.T) {
	r := r1()
	for _, row := range []struct{ newton, celsius, room float64 }{{292e3, 119.6, 40}, {600e3, 180, 35}, {1500e3, 230, 20}, {2451e3, 245, 15}} {
		v := r.SafeLowering(units.Newton(row.newton), 0.44, units.FromCelsius(row.celsius), 1, units.Metre(row.room))
		c := down(row.newton/9806.65, float64(v), row.celsius, true)
		if d, _ := fineStop(r, c); !near(d, row.room, 3e-3) {
			t.Errorf("%+v: from %.4f m/s it stops in %.4f m by the fine integration", row, v, d)
		}
	}
}

// The stop from the speed found takes the room, and a faster one does not fit.
func TestSafeLoweringFits(t *testing.T) {
	r := r1()
	rapid.Check(t, func(t *rapid.T) {
		load := units.Newton(rapid.Float64Range(3e5, 2.6e6).Draw(t, "load"))
		temp := units.Kelvin(rapid.Float64Range(280, 680).Draw(t, "T"))
		room := units.Metre(rapid.Float64Range(0.01, 40).Draw(t, "room"))
		v := r.SafeLowering(load, 0.44, temp, 1, room)
		c := StopCase{
			Direction: Lowering, Speed: v, HookLoad: load, Radius: 0.44, BrakeTemperature: temp,
			RetardingLost: true, FrictionFactor: 1, PressureFraction: 1,
		}
		if got := r.Stop(c); v > 0 && got.Distance > room+2e-3 {
			t.Fatalf("at %.4f m/s it stops in %.4f m, room %.4f", v, got.Distance, room)
		}
		c.Speed += 0.002
		if got := r.Stop(c); got.Distance < room-2e-3 && v < fastestLowering {
			t.Fatalf("%.4f m/s would still stop in %.4f m, room %.4f", c.Speed, got.Distance, room)
		}
	})
}
