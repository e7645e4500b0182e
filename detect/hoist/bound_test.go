package hoist

import (
	"testing"

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
