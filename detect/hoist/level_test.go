package hoist

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

// The stop worked out without steps is the integrator's (which ends at 1e-6 m/s and so
// may end early), wherever it answers at all;
// and it answers for many stops of a brake that is not hot.
func TestLevelStopIsTheIntegrators(t *testing.T) {
	asked, answered := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		r.Service.DeadTime = units.Second(rapid.SampledFrom([]float64{0, 0.05, 0.3, 1}).Draw(t, "dead"))
		r.Service.RiseTime = units.Second(rapid.SampledFrom([]float64{0, 0.1, 0.4, 1.5}).Draw(t, "rise"))
		r.Drawworks.DriveRelease = units.Second(rapid.SampledFrom([]float64{0, 0.05, 0.2, 0.8, 2}).Draw(t, "release"))
		c := down(rapid.Float64Range(5, 300).Draw(t, "tonnes"), rapid.Float64Range(1e-3, 4).Draw(t, "v"),
			rapid.Float64Range(-20, 400).Draw(t, "celsius"), rapid.Bool().Draw(t, "lost"))
		if rapid.Bool().Draw(t, "up") {
			c.Direction = Raising
		}
		c.Acceleration = units.MetrePerSecond2(rapid.Float64Range(-3, 2).Draw(t, "a"))
		c.FrictionFactor = rapid.Float64Range(0.3, 1.2).Draw(t, "friction")
		p := r.plant(c)
		ig := integration{p: &p, v: p.v, temp: p.temp}
		ig.begin()
		asked++
		got, ok := ig.level(0)
		if !ok {
			return
		}
		answered++
		want := ig.run(0)
		if !want.CanStop || want.Slack {
			t.Fatalf("%+v: got %+v, the integrator %+v", c, got, want)
		}
		apart := func(a, b float64) float64 { return math.Abs(a - b) }
		if apart(float64(got.Distance), float64(want.Distance)) > 1e-6 || apart(float64(got.Time), float64(want.Time)) > 2e-3 ||
			apart(float64(got.EndTemperature), float64(want.EndTemperature)) > 1e-3 {
			t.Fatalf("%+v: got %+v, the integrator %+v", c, got, want)
		}
	})
	if answered < asked/5 {
		t.Errorf("answered %d of %d", answered, asked)
	}
	t.Logf("answered %d of %d", answered, asked)
}
