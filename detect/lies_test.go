package detect_test

import (
	"math"
	"testing"

	"hoistward/detect"
	"hoistward/ingest"
)

// cruise is ordinary hoisting, up at 0.6 m/s from 8 m.
func cruise(t float64) (h, v, a float64) { return rising(8, 0.6)(t) }

// one returns a bend that changes a channel in one reading alone, at 8 s.
func one(c ingest.Channel, by float64) func(float64, *ingest.Sample) {
	return func(t float64, s *ingest.Sample) {
		if math.Abs(t-8) < 0.05 {
			s.Values[c].V += by
		}
	}
}

// A single spike is said and never used: no answer moves with it.
func TestSpikeIsSaidAndNotUsed(t *testing.T) {
	for c, by := range map[ingest.Channel]float64{
		ingest.BlockHeight: 12, ingest.DrumSpeed: 40, ingest.DrumCounts: 40000, ingest.HookLoad: 900e3, ingest.BrakePressure: 5e6,
	} {
		t.Run(c.String(), func(t *testing.T) {
			b := newBench(t, r1(t))
			b.bend = one(c, by)
			said := false
			b.run(12, cruise, func(at, h, v float64, r *detect.Result) {
				e := r.Estimate
				if at > 4 && !(math.Abs(e.Height-h) < 0.1 && math.Abs(e.Velocity-v) < 0.1 && math.Abs(e.HookLoad-294.2) < 20) {
					t.Fatalf("at %.1f s: height %.2f of %.2f, velocity %.2f of %.2f, load %.0f of 294", at, e.Height, h, e.Velocity, v, e.HookLoad)
				}
				if r.Channels[detect.ReadingImpossibleStep][c].Condition == detect.Present {
					said = true
				}
				if r.Findings[detect.PositionNotCalibrated].Condition == detect.Present {
					t.Fatalf("at %.1f s: a spike voided the map", at)
				}
			})
			if !said {
				t.Error("the spike was not said")
			}
		})
	}
}

// A drum speed that steps while the count goes on as before is not motion, not for one
// reading: rpm that are taken for rad/s the other way round, at rates and speeds at which
// the step by itself could be a hard stop.
func TestDrumSpeedThatStepsAloneIsNotUsed(t *testing.T) {
	for _, c := range []struct{ period, v float64 }{{0.2, -0.30}, {0.1, -0.53}, {0.2, 0.45}, {0.05, -0.4}} {
		b := newBench(t, r1(t))
		b.period = c.period
		b.bend = func(at float64, s *ingest.Sample) {
			if at > 8 {
				s.Values[ingest.DrumSpeed].V *= 0.10472
			}
		}
		from := 20.0
		if c.v > 0 {
			from = 8
		}
		said := false
		b.run(14, func(at float64) (float64, float64, float64) { return rising(from, c.v)(at) }, func(at, h, v float64, r *detect.Result) {
			if e := r.Estimate; at > 6 && !(math.Abs(e.Velocity-v) < 0.1) {
				t.Fatalf("%.2f m/s at %.0f Hz, %.2f s: velocity %.2f", c.v, 1/c.period, at, e.Velocity)
			}
			said = said || r.Channels[detect.ReadingUnitConflict][ingest.DrumSpeed].Condition == detect.Present
		})
		if !said {
			t.Errorf("%.2f m/s at %.0f Hz: the unit was not said", c.v, 1/c.period)
		}
	}
}

// A count that steps while the drum speed goes on as before is not motion either: lines
// that come to be counted by their edges, four times as many.
func TestCountThatStepsAloneIsNotUsed(t *testing.T) {
	b := newBench(t, r1(t))
	b.noise = 0
	from := math.NaN()
	b.bend = func(at float64, s *ingest.Sample) {
		c := &s.Values[ingest.DrumCounts]
		if at < 8 {
			from = c.V
			return
		}
		c.V = from + 4*(c.V-from)
	}
	b.run(12, func(at float64) (float64, float64, float64) { return rising(20, -0.3)(at) }, func(at, h, v float64, r *detect.Result) {
		if e := r.Estimate; at > 6 && !(math.Abs(e.Velocity-v) < 0.1 && math.Abs(e.Height-h) < 0.3) {
			t.Fatalf("%.2f s: velocity %.2f of %.2f, height %.2f of %.2f", at, e.Velocity, v, e.Height, h)
		}
	})
}

// A load that is set down or picked up is a step and is used, one reading late.
func TestLoadStepIsUsed(t *testing.T) {
	b := newBench(t, r1(t))
	b.run(3, still(3), nil)
	b.load = 1471e3
	start := b.now
	b.run(2, still(3), func(at, h, v float64, r *detect.Result) {
		if at > start+0.25 && !(math.Abs(r.Estimate.HookLoad-1471) < 1) {
			t.Fatalf("%.1f s after the step: hook load %.0f, want 1471", at-start, r.Estimate.HookLoad)
		}
		if r.Channels[detect.ReadingImpossibleStep][ingest.HookLoad].Condition == detect.Present {
			t.Fatal("picking up a string is called impossible")
		}
	})
}

// A channel that begins to speak another unit while the block moves is found and not
// used, and is used again when it is set right.
func TestSwappedUnitIsFound(t *testing.T) {
	for c, ratio := range map[ingest.Channel]float64{ingest.HookLoad: 0.2248, ingest.BlockHeight: 3.2808, ingest.DrumSpeed: 9.5493} {
		t.Run(c.String(), func(t *testing.T) {
			b := newBench(t, r1(t))
			found, back := false, false
			b.bend = func(at float64, s *ingest.Sample) {
				if at > 8 && at < 14 {
					s.Values[c].V *= ratio
				}
			}
			b.run(20, cruise, func(at, h, v float64, r *detect.Result) {
				f := r.Channels[detect.ReadingUnitConflict][c]
				e := r.Estimate
				switch {
				case at > 9 && at < 13.9:
					found = found || f.Condition == detect.Present
					if detect.Known(e.Height) && !(math.Abs(e.Height-h) < 0.2) {
						t.Fatalf("at %.1f s: height %.2f shown, %.2f true", at, e.Height, h)
					}
					if detect.Known(e.HookLoad) && !(math.Abs(e.HookLoad-294.2) < 10) {
						t.Fatalf("at %.1f s: hook load %.0f shown", at, e.HookLoad)
					}
				case at > 16:
					back = f.Condition != detect.Present && detect.Known(e.HookLoad)
				}
			})
			if !found || !back {
				t.Errorf("found %v, back in use %v, want both", found, back)
			}
		})
	}
}

// A source that says itself that it sends another unit is a conflict of units while it
// says so, and no longer.
func TestSourceThatSaysAnotherUnit(t *testing.T) {
	b := newBench(t, r1(t))
	b.bend = func(at float64, s *ingest.Sample) {
		if at > 8 && at < 14 {
			s.Set(ingest.HookLoad, ingest.BadValue(ingest.UnitConflict))
		}
	}
	b.run(20, cruise, func(at, h, v float64, r *detect.Result) {
		f := r.Channels[detect.ReadingUnitConflict][ingest.HookLoad]
		want := detect.Absent
		if at > 8 && at < 14 {
			want = detect.Present
		}
		if at > 1 && math.Abs(at-8) > 0.2 && math.Abs(at-14) > 0.2 && f.Condition != want {
			t.Fatalf("at %.1f s: %v (%s), want %v", at, f.Condition, f.AppendWords(nil), want)
		}
		if other := r.Channels[detect.ReadingUnitConflict][ingest.BlockHeight]; other.Condition == detect.Present {
			t.Fatalf("at %.1f s the block height is called one too", at)
		}
	})
}

// Each witness of the motion that stands still while the others move is found and let
// go of; one that stands still at rest is not.
func TestFrozenWitness(t *testing.T) {
	for _, c := range []ingest.Channel{ingest.BlockHeight, ingest.DrumCounts} {
		t.Run(c.String(), func(t *testing.T) {
			b := newBench(t, r1(t))
			var stuck ingest.Value
			found := math.NaN()
			b.bend = func(at float64, s *ingest.Sample) {
				if at < 8 {
					stuck = s.Values[c]
				} else {
					s.Values[c] = stuck
				}
			}
			b.run(20, cruise, func(at, h, v float64, r *detect.Result) {
				if r.Channels[detect.ReadingFrozen][c].Condition == detect.Present && math.IsNaN(found) {
					found = at - 8
				}
				if e := r.Estimate; at > 3 && detect.Known(e.Height) && !(math.Abs(e.Height-h) < 0.5) {
					t.Fatalf("at %.1f s: height %.2f shown, %.2f true", at, e.Height, h)
				}
			})
			if !(found > 0 && found < 2) {
				t.Errorf("found after %.1f s, want within 2 s", found)
			}
		})
	}
	b := newBench(t, r1(t))
	b.noise = 0
	b.run(30, still(20), func(at, h, v float64, r *detect.Result) {
		for c := range ingest.NumChannels {
			if r.Channels[detect.ReadingFrozen][c].Condition == detect.Present {
				t.Fatalf("at %.1f s: %v is called frozen at rest", at, c)
			}
		}
	})
}

// What no hoist can show is no value, whatever the source's range says.
func TestNumbersThatCannotBe(t *testing.T) {
	b := newBench(t, r1(t))
	b.run(3, still(20), nil)
	b.bend = func(_ float64, s *ingest.Sample) {
		s.Set(ingest.BlockHeight, ingest.Number(1e9))
		s.Set(ingest.BrakeTemperature, ingest.Number(1e200))
	}
	b.run(3, still(20), func(at, h, v float64, r *detect.Result) {
		if e := r.Estimate; !(math.Abs(e.Height-20) < 0.1) || !(e.BrakeTemperatureHi < 200) {
			t.Fatalf("at %.1f s: height %v, brake %v", at, e.Height, e.BrakeTemperatureHi)
		}
		if r.Channels[detect.ReadingOutOfRange][ingest.BlockHeight].Condition != detect.Present {
			t.Fatalf("at %.1f s: out of range was not said", at)
		}
	})
}
