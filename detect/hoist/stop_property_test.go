package hoist

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

// A stop is longer for faster, hotter, weaker, later, heavier going down and
// lighter going up.
func TestStopIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		c := down(rapid.Float64Range(30, 250).Draw(t, "tonnes"), rapid.Float64Range(0.05, 2.5).Draw(t, "v"), rapid.Float64Range(0, 380).Draw(t, "celsius"), true)
		if rapid.Bool().Draw(t, "up") {
			c.Direction = Raising
		}
		c.FrictionFactor = rapid.Float64Range(0.6, 1.1).Draw(t, "friction")
		base := r.Stop(c)
		longer := func(what string, change func(*Rig, *StopCase)) {
			q, d := *r, c
			change(&q, &d)
			if s := q.Stop(d); s.Distance < base.Distance-1e-5 {
				t.Fatalf("%s: %.5f m, shorter than %.5f m", what, s.Distance, base.Distance)
			}
		}
		longer("faster", func(_ *Rig, c *StopCase) { c.Speed *= 1.05 })
		longer("hotter", func(_ *Rig, c *StopCase) { c.BrakeTemperature += 10 })
		longer("weaker", func(_ *Rig, c *StopCase) { c.FrictionFactor *= 0.97 })
		longer("less pressure", func(_ *Rig, c *StopCase) { c.PressureFraction = 0.9 })
		longer("later", func(r *Rig, _ *StopCase) { r.Service.DeadTime += 0.05 })
		longer("slower rise", func(r *Rig, _ *StopCase) { r.Service.RiseTime += 0.05 })
		longer("slower release", func(r *Rig, _ *StopCase) { r.Drawworks.DriveRelease += 0.05 })
		longer("older reading", func(_ *Rig, c *StopCase) { c.Age = 0.1 })
		longer("heavier down, lighter up", func(_ *Rig, c *StopCase) { c.HookLoad *= units.Newton(1 - 0.05*float64(c.Direction)) })
	})
}

// Whatever is asked, the answer is a number or has a reason, never NaN.
func TestStopAlwaysAnswers(t *testing.T) {
	odd := []float64{0, -1, 1e-12, 1, 1e6, 1e300, math.NaN(), math.Inf(1), math.Inf(-1)}
	r := r1()
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, usual float64) float64 {
			if rapid.IntRange(0, 3).Draw(t, name+" odd") > 0 {
				return usual
			}
			return rapid.SampledFrom(odd).Draw(t, name)
		}
		c := StopCase{
			Direction: Direction(rapid.IntRange(-1, 1).Draw(t, "direction")), Speed: units.MetrePerSecond(number("v", 1)),
			Acceleration: units.MetrePerSecond2(number("a", 0.1)), HookLoad: units.Newton(number("load", 1e6)),
			Radius: units.Metre(number("radius", 0.44)), BrakeTemperature: units.Kelvin(number("T", 300)),
			RetardingLost: rapid.Bool().Draw(t, "lost"), FrictionFactor: number("friction", 1),
			PressureFraction: number("pressure", 1), Age: units.Second(number("age", 0.1)),
		}
		check := func(s Stop) {
			if s.CanStop != (s.Reason == StopGood) || s.CanStop == math.IsInf(float64(s.Distance), 1) ||
				math.IsNaN(float64(s.Distance)+float64(s.Time)) || s.Distance < 0 {
				t.Fatalf("%+v gives %+v", c, s)
			}
		}
		check(r.Stop(c))
		bound, _ := r.StopBound(c, Spread{Speed: units.MetrePerSecond(number("sd", 0.03))})
		check(bound)
	})
}

func TestCannotStopHasItsReason(t *testing.T) {
	for _, row := range []struct {
		name   string
		change func(*Rig, *StopCase)
		want   StopReason
	}{
		{"too weak from the start", func(_ *Rig, c *StopCase) { c.FrictionFactor = 0.4 }, StopBrakeWeak},
		{"no pressure", func(_ *Rig, c *StopCase) { c.PressureFraction = 0 }, StopBrakeWeak},
		{"fades away", func(r *Rig, c *StopCase) {
			c.Speed, c.BrakeTemperature, r.Heat.Mass, c.FrictionFactor = 3, 573, 400, 0.75
		}, StopBrakeFades},
		{"NaN load", func(_ *Rig, c *StopCase) { c.HookLoad = units.Newton(math.NaN()) }, StopInputUnknown},
		{"no friction known", func(_ *Rig, c *StopCase) { c.FrictionFactor = math.NaN() }, StopInputUnknown},
		{"backward speed", func(_ *Rig, c *StopCase) { c.Speed = -1 }, StopInputUnknown},
		{"no heat capacity", func(r *Rig, _ *StopCase) { r.Heat.Mass = 0 }, StopInputUnknown},
		{"raising, nothing to slow it", func(_ *Rig, c *StopCase) { c.Direction, c.HookLoad, c.PressureFraction = Raising, 0, 0 }, StopBrakeWeak},
	} {
		r, c := r1(), down(250, 1, 20, true)
		row.change(r, &c)
		s := r.Stop(c)
		if s.CanStop || !math.IsInf(float64(s.Distance), 1) || s.Reason != row.want || s.Reason.String() == "" {
			t.Errorf("%s: got %+v, want the reason %q", row.name, s, row.want)
		}
	}
}

func TestStopAtRest(t *testing.T) {
	if s := r1().Stop(up(30, 0, 0)); s.Distance != 0 || !s.CanStop {
		t.Errorf("raising from rest: %+v", s)
	}
	if s := r1().Stop(down(250, 0, 20, false)); s.Distance != 0 || !s.CanStop {
		t.Errorf("lowering from rest, held: %+v", s)
	}
	// Held at rest and let go at the trip, it falls until the brake has it.
	if s := r1().Stop(down(250, 0, 20, true)); !(s.Distance > 0.2 && s.Distance < 0.4) {
		t.Errorf("lowering from rest, let go: %+v", s)
	}
}

// The age of the newest reading adds v·age + ½ a·age², and the speed at the trip is
// what it has become.
func TestStopAge(t *testing.T) {
	r, c := r1(), up(30, 1.5, 0.2)
	c.Age = 0.25
	later := up(30, 1.5+0.2*0.25, 0.2)
	want := float64(r.Stop(later).Distance) + 1.5*0.25 + 0.1*0.25*0.25
	if got := r.Stop(c); !near(float64(got.Distance), want, 1e-9) {
		t.Errorf("got %.6f m, want %.6f", got.Distance, want)
	}
	c.Acceleration = -10 // halts before the trip
	c.Age = 1
	if got := r.Stop(c); !near(float64(got.Distance), 1.5*1.5/20, 1e-9) {
		t.Errorf("halted on the way: %.6f m, want %.6f", got.Distance, 1.5*1.5/20)
	}
}
