package detect_test

import (
	"math"
	"testing"

	"hoistward/detect"
	"hoistward/ingest"
)

// hotRun lowers 150 t on the service brake alone at 0.4 m/s for 60 s out of 120, four
// times: each brings 0.80 x 1471 kN x 24 m, 28 MJ, 33 K into R1's 846 kJ/K. The sensor
// says what says makes of the time.
func hotRun(t *testing.T, says func(at float64) float64, see func(at float64, r *detect.Result)) *brakeRun {
	b := newBrakeRun(t)
	b.bend = func(at float64, s *ingest.Sample) {
		s.Set(ingest.BrakeTemperature, ingest.Number(says(at)+273.15))
	}
	look := func(at, h, v float64, r *detect.Result) { see(at, r) }
	for range 4 {
		b.h = 30
		b.pressure = b.carrying(1)
		from := b.now
		b.run(60, func(t float64) (float64, float64, float64) { return gliding(30, -0.4)(t - from) }, look)
		b.pressure = 7e6
		b.run(60, still(6), look)
	}
	return b
}

// warming is a sensor that shows the mean of the brake as the heat above warms it.
func warming(from float64) func(at float64) float64 {
	return func(at float64) float64 {
		stands := math.Floor(at / 120)
		return from + 33*(stands+math.Min(1, (at-120*stands)/60))
	}
}

// A sensor that does what the heat asks is believed; one that stands still while the heat
// of a stand goes in, or that reads 100 K less than it allows, is found and not used; one
// that reads 100 K more is used, for the brake may rub.
func TestBrakeTemperatureAgainstHeat(t *testing.T) {
	good := warming(60)
	from := func(begin, by float64) func(at float64) float64 {
		return func(at float64) float64 {
			if at > begin {
				return good(at) + by
			}
			return good(at)
		}
	}
	for name, tc := range map[string]struct {
		says         func(at float64) float64
		frozen, cold bool
		ends         float64 // °C, of the estimate
	}{
		"as the heat asks": {good, false, false, 192},
		"stands still": {func(at float64) float64 {
			if at > 130 {
				return good(130)
			}
			return good(at)
		}, true, false, 192},
		"far colder": {from(240, -100), false, true, 192},
		"far hotter": {from(240, 100), false, false, 292},
	} {
		var frozen, cold bool
		var last detect.Estimate
		hotRun(t, tc.says, func(at float64, r *detect.Result) {
			f, c := r.Channels[detect.ReadingFrozen][ingest.BrakeTemperature], r.Channels[detect.ReadingImpossibleStep][ingest.BrakeTemperature]
			frozen = frozen || f.Condition == detect.Present && f.Cause == detect.UnchangedWhileHeated
			cold = cold || c.Condition == detect.Present && c.Cause == detect.ColderThanHeat
			last = r.Estimate
		})
		if frozen != tc.frozen || cold != tc.cold {
			t.Errorf("%s: frozen %v, too cold %v, want %v and %v", name, frozen, cold, tc.frozen, tc.cold)
		}
		if !(math.Abs(last.BrakeTemperature-tc.ends) < 20) || !(last.BrakeTemperatureHi > last.BrakeTemperature+5) {
			t.Errorf("%s: %.0f °C with a bound of %.0f °C, want about %.0f °C", name, last.BrakeTemperature, last.BrakeTemperatureHi, tc.ends)
		}
	}
}

// Without a sensor the start is a prior, 50 K over the air with a bound 100 K over it,
// which comes down as the brake cools; the first reading puts it right.
func TestUnknownStartShrinks(t *testing.T) {
	b := newBrakeRun(t)
	b.load = 294.2e3
	var first, last detect.Estimate
	b.run(1, still(20), func(at, h, v float64, r *detect.Result) { first = r.Estimate })
	b.run(3600, still(20), func(at, h, v float64, r *detect.Result) { last = r.Estimate })
	if !(math.Abs(first.BrakeTemperature-70) < 1) || !(math.Abs(first.BrakeTemperatureHi-120) < 1) {
		t.Errorf("at first %.1f °C, bound %.1f °C, want 70 and 120", first.BrakeTemperature, first.BrakeTemperatureHi)
	}
	if wide, later := first.BrakeTemperatureHi-first.BrakeTemperature, last.BrakeTemperatureHi-last.BrakeTemperature; !(later < 0.9*wide) || !(last.BrakeTemperature < 70) {
		t.Errorf("an hour on %.1f °C and %.1f K wide, at first %.1f K", last.BrakeTemperature, later, wide)
	}
	b.bend = func(at float64, s *ingest.Sample) { s.Set(ingest.BrakeTemperature, ingest.Number(200+273.15)) }
	b.run(1, still(20), func(at, h, v float64, r *detect.Result) { last = r.Estimate })
	if !(math.Abs(last.BrakeTemperature-200) < 3) || !(last.BrakeTemperatureHi < 220) {
		t.Errorf("measured 200 °C: %.1f °C, bound %.1f °C", last.BrakeTemperature, last.BrakeTemperatureHi)
	}
}

// A hand that rests on the lever, 2 % of full pressure, heats a brake that turns: by hand
// 0.02 x 179.448 kN m x 8.7 rad/s x 60 s = 1.88 MJ into 846 kJ/K, 2.2 K, and the ring's
// lead of 14 s of that rate, 0.5 K.
func TestLightPressureHeats(t *testing.T) {
	ends := func(pressure float64) (end float64) {
		b := newBrakeRun(t)
		b.pressure = pressure
		b.run(60, gliding(30, -0.4), func(at, h, v float64, r *detect.Result) { end = r.Estimate.BrakeTemperature })
		return end
	}
	if got := ends(0.02*7e6) - ends(0); !(math.Abs(got-2.7) < 0.3) {
		t.Errorf("%.2f K more than with the brake off, want 2.7 K", got)
	}
}
