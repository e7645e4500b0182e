package hoist

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

// The closed forms give what the integrator gives in steps of 20 ms: on level and on
// falling pieces of the fade curve and across its kinks, disc and band, with the line
// taut and slack, and where the brake cannot win: to 0.5 mm and 0.01 % of the travel; the worst is
// left to the steps in which a light, hot brake is set.
func TestClosedStopIsTheIntegrators(t *testing.T) {
	asked, stopped, sloping, slack := 0, 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		if rapid.Bool().Draw(t, "band") {
			r.Service.Kind, r.Service.Bands, r.Service.WrapAngle = BandBrake, 2, 4.7
			r.Service.LiveTension, r.Service.EffectiveRadius = 25e3, 0.635
		}
		r.Service.DeadTime = units.Second(rapid.SampledFrom([]float64{0, 0.05, 0.3, 1}).Draw(t, "dead"))
		r.Service.RiseTime = units.Second(rapid.SampledFrom([]float64{0, 0.1, 0.4, 1.5}).Draw(t, "rise"))
		r.Drawworks.DriveRelease = units.Second(rapid.SampledFrom([]float64{0, 0.05, 0.2, 0.8, 2}).Draw(t, "release"))
		r.Drawworks.Drum.Inertia = units.KilogramMetre2(rapid.SampledFrom([]float64{300, 3000, 6000}).Draw(t, "J"))
		r.Heat.Mass = units.Kilogram(rapid.SampledFrom([]float64{200, 800, 1800}).Draw(t, "mass"))
		c := down(rapid.Float64Range(5, 300).Draw(t, "tonnes"), rapid.Float64Range(1e-3, 15).Draw(t, "v"),
			rapid.Float64Range(-20, 420).Draw(t, "celsius"), rapid.Bool().Draw(t, "lost"))
		if rapid.Bool().Draw(t, "hot") {
			c.BrakeTemperature = units.FromCelsius(rapid.Float64Range(251, 399).Draw(t, "hot celsius"))
		}
		if rapid.Bool().Draw(t, "up") {
			c.Direction = Raising
		}
		c.Acceleration = units.MetrePerSecond2(rapid.Float64Range(-3, 2).Draw(t, "a"))
		c.FrictionFactor = rapid.Float64Range(0.3, 1.2).Draw(t, "friction")
		p := r.plant(c)
		got, want := p.timedStop(), p.answer(integration{fine: 0.02})
		if got.CanStop && got.Time > 30 || want.Reason == StopTooFar && !got.CanStop {
			return // more steps than the integrator takes
		}
		asked++
		if got.CanStop != want.CanStop || got.Reason != want.Reason || got.Slack != want.Slack && c.Direction != Raising {
			t.Fatalf("%+v: got %+v, the integrator %+v", c, got, want)
		}
		if !want.CanStop {
			return
		}
		stopped++
		if got.Slack {
			slack++
		}
		if p.fade.segment(p.temp).slope != 0 {
			sloping++
		}
		if d := float64(got.Distance - want.Distance); !(math.Abs(d) <= 5e-4+1e-4*float64(want.Distance)) {
			t.Fatalf("%+v: got %.7f m, the integrator %.7f", c, got.Distance, want.Distance)
		}
		if !near(float64(got.Time), float64(want.Time), 5e-3+1e-2*float64(want.Time)) || !near(float64(got.EndTemperature), float64(want.EndTemperature), 0.02) {
			t.Fatalf("%+v: got %+v, the integrator %+v", c, got, want)
		}
	})
	t.Logf("asked %d: %d stop, %d of them on a falling piece, %d with a slack line", asked, stopped, sloping, slack)
	if stopped < asked/2 || sloping == 0 || asked > 1000 && slack == 0 {
		t.Errorf("asked %d: %d stop, %d of them on a falling piece, %d with a slack line; want some of each", asked, stopped, sloping, slack)
	}
}
