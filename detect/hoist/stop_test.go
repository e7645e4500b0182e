package hoist

import (
	"math"
	"testing"

	"hoistward/ingest/units"
)

// S1 to S8 were found by explicit integration at 10 µs, a road apart from this
// package's; they hold to the digits given.
var stopAnchors = []struct {
	name              string
	c                 StopCase
	change            func(*Rig)
	distance, dTol    float64
	time, tTol        float64
	endCelsius, hiTol float64
}{
	{"S1", up(30, 1.5, 0), nil, 1.1794, 1e-4, 1.0736, 1e-4, 21.86, 0.011},
	{"S2", up(30, 2.5, 0.25), nil, 2.5565, 1e-4, 1.4666, 1e-4, 25.68, 0.011},
	{"S3", up(30, 2.5, 0), func(r *Rig) {
		r.Drawworks.Drum.Inertia, r.Drawworks.DriveRelease = 300, 0
		r.Service.DeadTime, r.Service.RiseTime = 0.1, 0.1
	}, 0.5469, 1e-4, 0.3507, 1e-4, 20.5, 0.06},
	{"S4", down(250, 1.0, 20, false), nil, 0.9511, 1e-4, 1.3774, 1e-4, 21.99, 0.011},
	{"S5", down(250, 1.0, 20, true), nil, 1.7773, 1e-4, 1.8880, 1e-4, 25.16, 0.011},
	{"S6", down(250, 1.0, 300, true), nil, 2.1864, 1e-4, 2.4033, 1e-4, 306.1, 0.06},
	{"S7", down(250, 1.0, 380, true), nil, 4.272, 1e-3, 5.107, 1e-3, 390.9, 0.06},
	{"S8", down(250, 2.0, 400, true), nil, 13.65, 1e-2, 10.02, 1e-2, 435.8, 0.06},
}

func up(tonnes, v, a float64) StopCase {
	return StopCase{
		Direction: Raising, Speed: units.MetrePerSecond(v), Acceleration: units.MetrePerSecond2(a),
		HookLoad: units.Newton(tonnes * 9806.65), Radius: 0.44, BrakeTemperature: units.FromCelsius(20),
		FrictionFactor: 1, PressureFraction: 1,
	}
}

func down(tonnes, v, celsius float64, lost bool) StopCase {
	c := up(tonnes, v, 0)
	c.Direction, c.BrakeTemperature, c.RetardingLost = Lowering, units.FromCelsius(celsius), lost
	return c
}

func near(got, want, tol float64) bool { return math.Abs(got-want) <= tol }

func TestStopAnchors(t *testing.T) {
	for _, a := range stopAnchors {
		r := r1()
		if a.change != nil {
			a.change(r)
		}
		s := r.Stop(a.c)
		if !s.CanStop || !near(float64(s.Distance), a.distance, a.dTol) || !near(float64(s.Time), a.time, a.tTol) ||
			!near(s.EndTemperature.Celsius(), a.endCelsius, a.hiTol) {
			t.Errorf("%s: got %.5f m %.5f s %.3f °C %v, want %g m %g s %g °C", a.name,
				s.Distance, s.Time, s.EndTemperature.Celsius(), s.Reason, a.distance, a.time, a.endCelsius)
		}
		if s.Slack != (a.name == "S3") {
			t.Errorf("%s: slack %v", a.name, s.Slack)
		}
	}
}

func BenchmarkStop(b *testing.B) {
	r := r1()
	for _, a := range stopAnchors {
		b.Run(a.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				r.Stop(a.c)
			}
		})
	}
}
