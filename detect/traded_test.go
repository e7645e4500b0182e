package detect_test

import (
	"math"
	"testing"

	"hoistward/detect"
	"hoistward/ingest"
)

// told tells whether a channel finding stands for that cause.
func told(r *detect.Result, k detect.ChannelKind, c ingest.Channel, why detect.Cause) bool {
	f := r.Channels[k][c]
	return f.Condition == detect.Present && f.Cause == why
}

// Two channels that trade places at 8 s are both found, said and not used, and used again
// once they are put right at 16 s. By hand, R1 with ten lines: a hook of 294 kN has a dead
// line of about 29 kN, so that traded the dead line shows ten times the hook; the spring
// calipers are kept clear by 9 MPa, which as a brake pressure would be more than full; a
// bit at 20 m goes down by as much as the block goes up.
func TestTradedChannels(t *testing.T) {
	for name, tc := range map[string]struct {
		a, b   ingest.Channel
		va, vb func(h float64) float64
	}{
		"hook load, dead line": {ingest.HookLoad, ingest.DeadLineTension,
			func(float64) float64 { return 294.2e3 }, func(float64) float64 { return 29.42e3 }},
		"brake, release pressure": {ingest.BrakePressure, ingest.EmergencyPressure,
			func(float64) float64 { return 0 }, func(float64) float64 { return 9e6 }},
		"height, bit depth": {ingest.BlockHeight, ingest.BitDepth,
			func(h float64) float64 { return h }, func(h float64) float64 { return 30 - h }},
	} {
		t.Run(name, func(t *testing.T) {
			for _, trade := range []bool{true, false} {
				b := newBench(t, r1(t))
				b.bend = func(at float64, s *ingest.Sample) {
					h, _, _ := cruise(at)
					x, y := tc.va(h), tc.vb(h)
					if trade && at > 8 && at < 16 {
						x, y = y, x
					}
					s.Set(tc.a, ingest.Number(x))
					s.Set(tc.b, ingest.Number(y))
				}
				found, back := math.NaN(), false
				b.run(34, cruise, func(at, h, v float64, r *detect.Result) {
					both := told(r, detect.ReadingImpossibleStep, tc.a, detect.TradedPlaces) && told(r, detect.ReadingImpossibleStep, tc.b, detect.TradedPlaces)
					if both && math.IsNaN(found) {
						found = at
					}
					if e := r.Estimate; at > 3 && detect.Known(e.Height) && !(math.Abs(e.Height-h) < 0.3) {
						t.Fatalf("trade %v, at %.1f s: height %.2f shown, %.2f true", trade, at, e.Height, h)
					}
					back = !both
				})
				if got := !math.IsNaN(found); got != trade || trade && !(found > 8 && found < 14 && back) {
					t.Errorf("trade %v: found at %.1f s, back in use %v", trade, found, back)
				}
			}
		})
	}
}

// A load that runs away with every brake set is never explained as two pressures that
// have traded places: it is lowering.
func TestRunawayIsNoTrade(t *testing.T) {
	b := newBench(t, r1(t))
	b.load = 2500e3
	b.bend = func(_ float64, s *ingest.Sample) {
		s.Set(ingest.BrakePressure, ingest.Number(7e6))
		s.Set(ingest.EmergencyPressure, ingest.Number(0))
	}
	b.run(20, rising(35, -0.8), func(at, h, v float64, r *detect.Result) {
		if told(r, detect.ReadingImpossibleStep, ingest.BrakePressure, detect.TradedPlaces) {
			t.Fatalf("at %.1f s: called traded", at)
		}
		if at > 3 && r.Findings[detect.EmergencyBrakeSet].Condition != detect.Present {
			t.Fatalf("at %.1f s: the spring calipers are on and it is not said", at)
		}
	})
}
