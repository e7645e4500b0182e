package detect_test

import (
	"math"
	"testing"
	"time"

	"hoistward/detect"
	"hoistward/ingest"
)

func rising(from, v float64) motionAt {
	const ramp = 2.0 // s to speed
	return func(t float64) (float64, float64, float64) {
		switch {
		case t < 0:
			return from, 0, 0
		case t < ramp:
			return from + v*t*t/(2*ramp), v * t / ramp, v / ramp
		}
		return from + v*(t-ramp/2), v, 0
	}
}

// The empty block rising at 1.5 m/s stops in 1.1794 m (check S1 of PHYSICS section
// 18 at 0.44 m radius): the rest point must lie there, the bound above it, and the
// alarm must come at least a second before the bound meets the limit.
func TestOverhoistIsFoundInTime(t *testing.T) {
	b := newBench(t, r1(t))
	b.run(2, still(18), nil)
	raised, emergency := math.NaN(), math.NaN()
	b.run(17, func(t float64) (float64, float64, float64) { return rising(18, 1.5)(t - 2) }, func(at, h, v float64, r *detect.Result) {
		e := r.Estimate
		if at > 5 {
			if !(e.RestUp-h > 0.9 && e.RestUp-h < 1.4) {
				t.Fatalf("at %.1f s: stop %.3f m, want about 1.18", at, e.RestUp-h)
			}
			if !(e.RestUpBound > e.RestUp && e.RestUpBound-e.RestUp < 0.6) {
				t.Fatalf("at %.1f s: bound %.3f above rest, want above and within 0.6 m", at, e.RestUpBound-e.RestUp)
			}
		}
		f := r.Findings[detect.Overhoist]
		if f.Condition == detect.Present && math.IsNaN(raised) {
			raised = h
		}
		if f.Condition == detect.Present && f.Urgency == detect.Emergency && math.IsNaN(emergency) {
			emergency = h
		}
	})
	// By hand: bound about 1.18+0.3+0.15 ahead, 1.5 s x 1.5 m/s more: 41-1.6-2.25.
	if !(raised > 36.3 && raised < 37.6) {
		t.Errorf("raised at %.2f m, want between 36.3 and 37.6", raised)
	}
	if !(emergency > 38.6 && emergency < 39.9) {
		t.Errorf("emergency at %.2f m, want between 38.6 and 39.9", emergency)
	}
}

// Standing still below the limit, or moving down, is no overhoist.
func TestNoOverhoistWithoutUpwardMotion(t *testing.T) {
	for name, m := range map[string]motionAt{
		"still high": still(40.5), "lowering from high": rising(40.5, -0.5),
	} {
		b := newBench(t, r1(t))
		b.run(10, m, func(at, h, v float64, r *detect.Result) {
			if r.Findings[detect.Overhoist].Condition == detect.Present {
				t.Fatalf("%s at %.1f s: overhoist", name, at)
			}
		})
	}
}

func TestFloorApproachWithLoad(t *testing.T) {
	b := newBench(t, r1(t))
	b.load = 2451e3
	found := math.NaN()
	b.run(12, rising(20, -1.5), func(at, h, v float64, r *detect.Result) {
		if f := r.Findings[detect.FloorApproach]; f.Condition == detect.Present && math.IsNaN(found) {
			found = h
		}
	})
	if !(found > 4 && found < 9) {
		t.Errorf("floor approach found at %.2f m, want between 4 and 9", found)
	}
}

// Silence makes the answers go, loudly, and never leaves the last height standing.
func TestSilenceIsBlind(t *testing.T) {
	b := newBench(t, r1(t))
	b.run(5, still(20), nil)
	at := epoch.Add(time.Duration(b.now * 1e9))
	r := b.det.Tick(at.Add(500 * time.Millisecond))
	if r.Findings[detect.BlindFinding].Condition != detect.Absent {
		t.Fatalf("blind after half a second: %+v", r.Findings[detect.BlindFinding])
	}
	r = b.det.Tick(at.Add(3 * time.Second))
	if f := r.Findings[detect.BlindFinding]; f.Condition != detect.Present || f.Blind != detect.BlindCrown|detect.BlindFloor {
		t.Fatalf("after 3 s of silence: %+v, want blind for both", f)
	}
	if e := r.Estimate; detect.Known(e.Height) || detect.Known(e.RestUpBound) || detect.Known(e.HookLoad) {
		t.Errorf("old numbers still stand: %+v", e)
	}
	for _, k := range []detect.Kind{detect.Overhoist, detect.CrownLimitPassed, detect.FloorApproach} {
		if c := r.Findings[k].Condition; c != detect.Undecided {
			t.Errorf("%v is %v without data, want undecided", k, c)
		}
	}
	if r.Findings[detect.SourceLost].Condition != detect.Present {
		t.Error("source lost not found")
	}
}

// Without hook load the crown answer stands on the empty block and says so; the
// floor answer is gone.
func TestWithoutHookLoadTheFloorIsBlind(t *testing.T) {
	b := newBench(t, r1(t))
	b.run(5, still(20), nil)
	b.bend = func(_ float64, s *ingest.Sample) { s.Set(ingest.HookLoad, ingest.BadValue(ingest.Null)) }
	b.run(5, still(20), nil)
	b.run(0.1, still(20), func(at, h, v float64, r *detect.Result) {
		if r.Estimate.Blind != detect.BlindFloor {
			t.Errorf("blind %v, want the floor", r.Estimate.Blind)
		}
		if a := r.Answers[detect.CrownAnswer]; a.Grade != detect.Degraded {
			t.Errorf("crown answer %+v, want degraded", a)
		}
		if f := r.Channels[detect.ReadingLost][ingest.HookLoad]; f.Condition != detect.Present || f.Cause != detect.SourceSaysNull {
			t.Errorf("hook load: %+v, want lost, the source says null", f)
		}
	})
}

func TestStepDoesNotAllocate(t *testing.T) {
	b := newBench(t, r1(t))
	b.run(5, rising(10, 0.5), nil)
	var frame *ingest.Frame
	s := b.sample(15, 0.5)
	step := 0
	n := testing.AllocsPerRun(200, func() {
		step++
		s.Time = s.Time.Add(100 * time.Millisecond)
		frame, _ = b.asm.Add(&s, s.Time)
		b.det.Step(frame)
	})
	if n != 0 {
		t.Errorf("%v allocations a frame, want none", n)
	}
}

func BenchmarkStep(bm *testing.B) {
	for name, v := range map[string]float64{"still": 0, "rising": 0.5, "lowering": -0.5} {
		bm.Run(name, func(bm *testing.B) {
			b := newBench(bm, r1(bm))
			b.load = 1471e3
			b.run(3, rising(20, v), nil)
			s := b.sample(20+3*v, v)
			bm.ReportAllocs()
			for bm.Loop() {
				s.Time = s.Time.Add(100 * time.Millisecond)
				f, _ := b.asm.Add(&s, s.Time)
				b.det.Step(f)
			}
		})
	}
}
