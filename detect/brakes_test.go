package detect_test

import (
	"math"
	"testing"

	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// A load of 250 t lowered at a steady 0.8 m/s by the auxiliary brake, which is lost at
// 8 s: then it speeds up as a free load does, a = f g m r/(J n/r + f m r), 1.12 m/s²
// (PHYSICS section 3). It must be found within 1.0 s (section 22).
func TestAuxiliaryLostIsFoundWithinASecond(t *testing.T) {
	const v0, free, from = 0.8, 1.12, 8.0
	b := newBench(t, r1(t))
	b.load = 2451e3
	motion := func(t float64) (h, v, a float64) {
		h, v, a = rising(38, -v0)(t)
		if d := t - from; d > 0 {
			return h - free*d*d/2, v - free*d, -free
		}
		return h, v, a
	}
	found := math.NaN()
	b.run(10, motion, func(at, h, v float64, r *detect.Result) {
		f := r.Findings[detect.AuxiliaryLost]
		if f.Condition != detect.Present {
			return
		}
		if at < from {
			t.Fatalf("at %.1f s: found before it was lost", at)
		}
		if math.IsNaN(found) {
			found = at - from
			if f.Urgency != detect.Emergency {
				t.Errorf("urgency %v, want emergency", f.Urgency)
			}
		}
	})
	if !(found > 0 && found <= 1.0) {
		t.Errorf("found after %.2f s, want within 1.0 s", found)
	}
}

// pressedDown lowers a load slowly with the service brake alone, pressed so that a
// lining of the given health just carries it, and takes it off now and then.
func pressedDown(t *testing.T, health float64, see func(r *detect.Result)) {
	rig := r1(t)
	rig.Auxiliary = hoist.AuxiliaryBrake{}
	b := newBench(t, rig)
	b.load = 1471e3
	// By hand: static torque f_d W r = 0.080088 x 1471 kN x 0.44 m = 51.8 kN m against
	// 179.4 kN m at 7 MPa and health 1 (PHYSICS part II).
	r := 0.4590 // the working radius on the third layer
	b.pressure = 7e6 * 0.080088 * 1471 * r / 179.448 / health
	down := func(t float64) (float64, float64, float64) { return rising(30, -0.3)(t) }
	b.run(20, down, func(at, h, v float64, r *detect.Result) { see(r) })
}

func TestFrictionHealthIsFound(t *testing.T) {
	for _, health := range []float64{1.0, 0.7} {
		var last detect.Estimate
		var fade detect.Condition
		pressedDown(t, health, func(r *detect.Result) { last, fade = r.Estimate, r.Findings[detect.BrakeFade].Condition })
		if !(math.Abs(last.Friction-health) < 0.06) {
			t.Errorf("health %.2f: friction factor %.3f (%.3f to %.3f)", health, last.Friction, last.FrictionLow, last.FrictionHigh)
		}
		if !(last.FrictionLow <= health && last.FrictionHigh >= health) {
			t.Errorf("health %.2f lies outside of %.3f to %.3f", health, last.FrictionLow, last.FrictionHigh)
		}
		if want := health < 0.85; (fade == detect.Present) != want {
			t.Errorf("health %.2f: fade %v, want present %v", health, fade, want)
		}
	}
}

// Braking work heats the brake by what the balance shows: 20 s at 0.3 m/s put
// f_d W v t = 0.080088 x 10 x 1471 kN x 0.3 m/s x 19 s ≈ 6.7 MJ into 846 kJ/K, 7.9 K. The
// friction ring leads that by 14 s of its rate, 5.9 K, of which 19 s bring 1 − e^(−19/9.3),
// 5.1 K: 13.0 K.
func TestBrakeHeatFollowsTheBalance(t *testing.T) {
	var first, last detect.Estimate
	pressedDown(t, 1, func(r *detect.Result) {
		if first.Time.IsZero() {
			first = r.Estimate
		}
		last = r.Estimate
	})
	if rise := last.BrakeTemperature - first.BrakeTemperature; !(rise > 11 && rise < 14.5) {
		t.Errorf("brake rose by %.1f K, want about 13.0 K", rise)
	}
	if rise, bound := last.BrakeTemperature-first.BrakeTemperature, last.BrakeTemperatureHi-first.BrakeTemperatureHi; !(bound > rise) {
		t.Errorf("the bound rose by %.2f K, the estimate by %.2f K, want the bound by more", bound, rise)
	}
}

// A brake that holds a load and then lets the drum turn slowly, its pressure unchanged,
// creeps; one that is let off lowers.
func TestCreepIsToldFromLowering(t *testing.T) {
	for name, tc := range map[string]struct {
		letOff bool
		want   bool
	}{"pressure kept": {false, true}, "let off": {true, false}} {
		b := newBench(t, r1(t))
		b.load, b.pressure = 1471e3, 4e6
		b.run(6, still(20), nil)
		start := b.now
		if tc.letOff {
			b.pressure = 1.2e6
		}
		found := false
		b.run(8, func(at float64) (float64, float64, float64) { return rising(20, -0.05)(at - start) }, func(at, h, v float64, r *detect.Result) {
			if f := r.Findings[detect.BrakeCreep]; f.Condition == detect.Present {
				found = true
				if f.Urgency != detect.Emergency {
					t.Errorf("%s: urgency %v, want emergency", name, f.Urgency)
				}
			}
		})
		if found != tc.want {
			t.Errorf("%s: creep found %v, want %v", name, found, tc.want)
		}
	}
}

// A load that only just stands and is then eased down is lowered. By hand: it demands
// f_d F r = 0.080088 x 1471 kN x 0.44 m = 51.8 kN m, which 51.8/179.448 x 7 MPa = 2.02 MPa
// hold; 2.1 MPa hold it by a hair, and 1.9 MPa, a tenth less, do not.
func TestEasedLoadIsNoCreep(t *testing.T) {
	b := newBench(t, r1(t))
	b.load, b.pressure = 1471e3, 2.1e6
	b.run(6, still(20), nil)
	start := b.now
	b.pressure = 1.9e6
	b.run(8, func(at float64) (float64, float64, float64) { return rising(20, -0.05)(at - start) }, func(at, h, v float64, r *detect.Result) {
		if f := r.Findings[detect.BrakeCreep]; f.Condition == detect.Present {
			t.Fatalf("at %.1f s: creep %+v, want none", at-start, f)
		}
	})
}

// Release pressure lost means set: at rest high, with the drum turning an emergency.
func TestEmergencyBrakeSet(t *testing.T) {
	for name, tc := range map[string]struct {
		m    motionAt
		want detect.Urgency
	}{"at rest": {still(20), detect.High}, "turning": {rising(20, 0.5), detect.Emergency}} {
		b := newBench(t, r1(t))
		b.bend = func(at float64, s *ingest.Sample) {
			p := 9e6
			if at > 5 {
				p = 1e6
			}
			s.Set(ingest.EmergencyPressure, ingest.Number(p))
		}
		b.run(4.8, tc.m, func(at, h, v float64, r *detect.Result) {
			if c := r.Findings[detect.EmergencyBrakeSet].Condition; c == detect.Present {
				t.Fatalf("%s at %.1f s: set before it was", name, at)
			}
		})
		b.run(2, tc.m, nil)
		b.run(0.1, tc.m, func(at, h, v float64, r *detect.Result) {
			if f := r.Findings[detect.EmergencyBrakeSet]; f.Condition != detect.Present || f.Urgency != tc.want {
				t.Errorf("%s: %+v, want present and %v", name, f, tc.want)
			}
		})
	}
}
