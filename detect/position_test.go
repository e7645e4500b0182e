package detect_test

import (
	"math"
	"testing"

	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// hoistAndStop rises from 10 m with 0.5 m/s², goes on at 1.5 m/s and stops at 2 m/s².
func hoistAndStop(t float64) (h, v, a float64) {
	const up, down, cruise, go0 = 0.5, 2.0, 1.5, 1.0
	t1 := go0 + cruise/up
	t2 := t1 + 8
	t3 := t2 + cruise/down
	h1 := 10 + cruise*cruise/(2*up)
	h2 := h1 + cruise*(t2-t1)
	switch {
	case t < go0:
		return 10, 0, 0
	case t < t1:
		d := t - go0
		return 10 + up*d*d/2, up * d, up
	case t < t2:
		return h1 + cruise*(t-t1), cruise, 0
	case t < t3:
		d := t - t2
		return h2 + cruise*d - down*d*d/2, cruise - down*d, -down
	}
	return h2 + cruise*cruise/(2*down), 0, 0
}

// PHYSICS section 17: a 2 m/s² stop is followed with a velocity error under
// 0.05 m/s and no overshoot of height over 20 mm at 10 Hz.
func TestFollowsAHardStop(t *testing.T) {
	b := newBench(t, r1(t))
	top, _, _ := hoistAndStop(100)
	b.run(16, hoistAndStop, func(at, h, v float64, r *detect.Result) {
		if at < 0.5 {
			return
		}
		e := r.Estimate
		if !(math.Abs(e.Velocity-v) < 0.05) {
			t.Errorf("at %.1f s: velocity %.3f, want %.3f within 0.05 m/s", at, e.Velocity, v)
		}
		if !(e.Height < top+0.020+0.03) {
			t.Errorf("at %.1f s: height %.3f, want no more than 20 mm over %.3f", at, e.Height, top)
		}
		if !(math.Abs(e.Height-h) < 0.05) {
			t.Errorf("at %.1f s: height %.3f, want %.3f within 50 mm", at, e.Height, h)
		}
	})
}

// A layer change steps the radius: the drum turns on as it did, so the line's speed steps
// with it (v = ω r/n), the height does not, and nothing speeds up or slows down.
func TestLayerChange(t *testing.T) {
	for name, omega := range map[string]float64{"winding in": 11, "paying out": -11} {
		b := newBench(t, r1(t))
		b.noise = 0
		lines, wraps := float64(b.rig.Reeving.Lines), 30.0
		if omega < 0 {
			wraps = 145
		}
		turn := func(t float64) (float64, float64, float64) {
			w := wraps + omega*t/(2*math.Pi)
			return float64(b.wraps.Height(w, units.Newton(b.load))), omega * float64(b.wraps.Radius(w)) / lines, 0
		}
		last, was, changes := math.NaN(), math.NaN(), 0
		b.run(60, turn, func(at, h, v float64, r *detect.Result) {
			if at < 2 {
				return
			}
			e := r.Estimate
			changed := v != was && !math.IsNaN(was) // within this frame: the count may not show it yet
			if was = v; changed {
				changes++
			}
			if !changed && !(math.Abs(e.Velocity-v) < 0.01) {
				t.Fatalf("%s at %.1f s, %.2f m: velocity %.4f, want %.4f within 0.01", name, at, h, e.Velocity, v)
			}
			if !(math.Abs(e.Acceleration) < 0.08) {
				t.Fatalf("%s at %.1f s, %.2f m: acceleration %.3f m/s², want none", name, at, h, e.Acceleration)
			}
			if step := math.Abs(e.Height - last); at > 2.2 && !(math.Abs(step-math.Abs(v)*b.period) < 0.006) {
				t.Fatalf("%s at %.1f s, %.2f m: height stepped %.4f, want %.4f within 6 mm", name, at, h, step, math.Abs(v)*b.period)
			}
			last = e.Height
		})
		if changes < 2 {
			t.Errorf("%s: %d layer changes, want at least 2", name, changes)
		}
	}
}

// A jump of the count is not motion: no speed, the map void, the sensor goes on.
func TestCountJumpVoidsTheMap(t *testing.T) {
	for _, tc := range []struct {
		name string
		jump float64
	}{{"forward", 30000}, {"backward", -30000}} {
		t.Run(tc.name, func(t *testing.T) {
			b := newBench(t, r1(t))
			b.run(5, still(20), nil)
			b.bend = func(_ float64, s *ingest.Sample) { s.Values[ingest.DrumCounts].V += tc.jump }
			b.run(5, still(20), func(at, h, v float64, r *detect.Result) {
				if at < 5.25 {
					return // three readings are held back: they may be spikes
				}
				e := r.Estimate
				if !(math.Abs(e.Height-20) < 0.1 && math.Abs(e.Velocity) < 0.1) {
					t.Fatalf("at %.1f s: height %.3f velocity %.3f, want 20 and 0", at, e.Height, e.Velocity)
				}
				if f := r.Findings[detect.PositionNotCalibrated]; f.Condition != detect.Present || f.Cause != detect.CountsJumped {
					t.Fatalf("at %.1f s: position not calibrated %+v, want present", at, f)
				}
				if e.HeightSource != detect.FromSensor {
					t.Fatalf("height from %v, want the sensor", e.HeightSource)
				}
			})
		})
	}
}

// A counter that wraps at the declared bits is motion, not a jump.
func TestCounterWrapIsMotion(t *testing.T) {
	rig := r1(t)
	rig.Drawworks.Encoder.CounterBits = 16
	b := newBench(t, rig)
	b.bend = func(_ float64, s *ingest.Sample) {
		s.Values[ingest.DrumCounts].V = math.Mod(s.Values[ingest.DrumCounts].V, 65536)
	}
	b.run(16, hoistAndStop, func(at, h, v float64, r *detect.Result) {
		if !(math.Abs(r.Estimate.Height-h) < 0.1) {
			t.Fatalf("at %.1f s: height %.3f, want %.3f", at, r.Estimate.Height, h)
		}
		if r.Findings[detect.PositionNotCalibrated].Condition == detect.Present {
			t.Fatalf("at %.1f s: a wrap voided the map", at)
		}
	})
}

// Line slipped through without moving the drum: the witnesses part, and the crown
// answer uses the higher one.
func TestWitnessesApartUseTheWiderEnvelope(t *testing.T) {
	b := newBench(t, r1(t))
	b.run(5, hoistAndStop, nil)
	found := false
	b.bend = func(_ float64, s *ingest.Sample) { s.Values[ingest.BlockHeight].V += 1.0 }
	b.run(6, hoistAndStop, func(at, h, v float64, r *detect.Result) {
		if r.Findings[detect.HeightsDisagree].Condition == detect.Present {
			found = true
			if !(r.Estimate.RestUpBound > h+1.0+1.2) {
				t.Fatalf("at %.1f s: rest bound %.2f, want it from the sensor, above %.2f", at, r.Estimate.RestUpBound, h+2.2)
			}
		}
	})
	if !found {
		t.Error("heights 1 m apart while moving were not found")
	}
}
