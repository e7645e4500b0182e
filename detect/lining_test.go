package detect_test

import (
	"math"
	"testing"

	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// brakeRun is a string of 150 t let down on the service brake alone, application by
// application, on R1 without its auxiliary brake.
//
// By hand: 0.080088 x 1471 kN x r, with the working radius r on the third layer, 0.459 m,
// is 54.1 kN m; the brake gives 179.448 kN m at 7 MPa and health 1 (PHYSICS part II), so
// that it takes 2.11 MPa at health 1 and 2.81 MPa at 0.75.
type brakeRun struct {
	*bench
	h float64 // of the block now, m
}

func newBrakeRun(t *testing.T) *brakeRun {
	rig := r1(t)
	rig.Auxiliary = hoist.AuxiliaryBrake{}
	b := newBench(t, rig)
	b.load = 1471e3
	return &brakeRun{bench: b, h: 34}
}

// gliding is a block at a steady speed from the first moment on.
func gliding(from, v float64) motionAt {
	return func(t float64) (float64, float64, float64) { return from + v*t, v, 0 }
}

// carrying is the pressure at which a lining of that health just carries the load, Pa.
func (b *brakeRun) carrying(health float64) float64 {
	r := float64(b.wraps.Radius(b.wraps.Wraps(units.Metre(b.h), units.Newton(b.load))))
	return 7e6 * 0.080088 * b.load * r / 179.448e3 / health
}

// apply lets the block down at 0.4 m/s for three seconds, then holds it for three.
func (b *brakeRun) apply(health float64, see func(r *detect.Result)) {
	look := func(t, h, v float64, r *detect.Result) {
		if see != nil {
			see(r)
		}
	}
	from, at := b.h, b.now
	b.pressure = b.carrying(health)
	b.run(3, func(t float64) (float64, float64, float64) { return gliding(from, -0.4)(t - at) }, look)
	b.h -= 1.2
	b.pressure = 7e6
	b.run(3, still(b.h), look)
}

// A quarter of the friction lost is found within two applications, and the factor is
// that which is left (PHYSICS section 22).
func TestLossIsFoundWithinTwoApplications(t *testing.T) {
	b := newBrakeRun(t)
	var last detect.Estimate
	for i := range 8 {
		b.apply(1, func(r *detect.Result) {
			if f := r.Findings[detect.BrakeFade]; f.Condition == detect.Present {
				t.Fatalf("application %d: fade of a sound lining: %+v", i, f)
			}
			last = r.Estimate
		})
	}
	if !(math.Abs(last.Friction-1) < 0.02) {
		t.Errorf("sound: friction factor %.3f (%.3f to %.3f), want 1", last.Friction, last.FrictionLow, last.FrictionHigh)
	}
	var fade detect.Finding
	for range 2 {
		b.apply(0.75, func(r *detect.Result) { fade, last = r.Findings[detect.BrakeFade], r.Estimate })
	}
	if fade.Condition != detect.Present || fade.Urgency != detect.High {
		t.Errorf("after two applications: %+v, want present and high", fade)
	}
	if !(math.Abs(last.Friction-0.75) < 0.03) || !(last.FrictionLow < 0.75 && last.FrictionHigh > 0.75) {
		t.Errorf("faded: friction factor %.3f (%.3f to %.3f), want 0.75", last.Friction, last.FrictionLow, last.FrictionHigh)
	}
	for range 4 { // cleaned: it grips again
		b.apply(1, func(r *detect.Result) { fade = r.Findings[detect.BrakeFade] })
	}
	if fade.Condition != detect.Absent {
		t.Errorf("after four sound applications: %+v, want absent", fade)
	}
}

// The report says what is known, from how much, and how it goes with temperature: the
// brake starts at 70 °C by the prior, so all evidence of a cool run is of 50 to 100 °C.
func TestFrictionHealthReport(t *testing.T) {
	b := newBrakeRun(t)
	h := b.det.FrictionHealth()
	if h.Applications != 0 || detect.Known(h.Factor) || detect.Known(h.LastAgeS) || detect.Known(h.Temperatures[1].Factor) {
		t.Errorf("before any evidence: %+v", h)
	}
	for range 4 {
		b.apply(0.9, nil)
	}
	h = b.det.FrictionHealth()
	if h.Applications != 8 || // each of three seconds is two pieces
		!(math.Abs(h.Factor-0.9) < 0.03) || !(h.Low < 0.9 && h.High > 0.9) || !(math.Abs(h.LastAgeS-3) < 0.5) {
		t.Errorf("after four: %+v", h)
	}
	if at := h.Temperatures[1]; at.Pieces != 8 || !(math.Abs(at.Factor-0.9) < 0.03) || at.Expected != 1 || at.From != 50 {
		t.Errorf("at 50 to 100 °C: %+v", at)
	}
	if at := h.Temperatures[6]; detect.Known(at.Factor) || !(math.Abs(at.Expected-0.8) < 1e-9) { // 325 °C: halfway from 1 to 0.6
		t.Errorf("at 300 to 350 °C: %+v", at)
	}
}

// A slow loss, 2 % an application, never makes a step, and is found by the interval.
func TestSlowFadeIsFound(t *testing.T) {
	b := newBrakeRun(t)
	for range 6 {
		b.apply(1, nil)
	}
	b.h = 34
	health, found := 1.0, false
	for !found && health > 0.7 {
		health -= 0.02
		b.apply(health, func(r *detect.Result) { found = found || r.Findings[detect.BrakeFade].Condition == detect.Present })
	}
	if !found || health > 0.86 {
		t.Errorf("found %v at health %.2f, want it below 0.86 and above 0.70", found, health)
	}
}

// Half of the pressure lets the load go faster; that is less pressure, not less friction.
// By hand: J dω/dt = f_d F r − T = 54.1 − 27.0 = 27.0 kN m, 9.0 rad/s² over 3000 kg m²;
// 0.41 m/s² at the block.
func TestLowPressureIsNoFade(t *testing.T) {
	b := newBrakeRun(t)
	for range 4 {
		b.apply(1, nil)
	}
	p, from, at := b.carrying(1), b.h, b.now
	gain := 27.05e3 / 3000 * 0.459 / 10
	b.bend = func(t float64, s *ingest.Sample) {
		x := p
		if t > at+1 {
			x = p / 2
		}
		s.Set(ingest.BrakePressure, ingest.Number(x))
	}
	var last *detect.Result
	b.run(3.5, func(t float64) (h, v, a float64) {
		h, v, a = gliding(from, -0.4)(t - at)
		if d := t - at - 1; d > 0 {
			return h - gain*d*d/2, v - gain*d, -gain
		}
		return h, v, a
	}, func(t, h, v float64, r *detect.Result) { last = r })
	b.bend = nil
	b.pressure = 7e6
	b.run(0.5, still(from-2.5), func(t, h, v float64, r *detect.Result) { last = r })
	if f := last.Findings[detect.BrakeFade]; f.Condition == detect.Present {
		t.Errorf("fade: %+v", f)
	}
	if k := last.Estimate.Friction; !(math.Abs(k-1) < 0.04) {
		t.Errorf("friction factor %.3f, want 1", k)
	}
}

// A hook load that begins to read a quarter too low makes every balance a quarter lower:
// that is no fade, and what is known of the lining stays.
func TestWrongHookLoadIsNoFade(t *testing.T) {
	b := newBrakeRun(t)
	for range 4 {
		b.apply(1, nil)
	}
	wrong := b.now + 1.5
	b.bend = func(t float64, s *ingest.Sample) {
		if t > wrong {
			s.Set(ingest.HookLoad, ingest.Number(0.75*b.load))
		}
	}
	for range 4 {
		b.apply(1, func(r *detect.Result) {
			if f := r.Findings[detect.BrakeFade]; f.Condition == detect.Present {
				t.Fatalf("fade: %+v", f)
			}
			if k := r.Estimate.Friction; !(math.Abs(k-1) < 0.05) {
				t.Fatalf("friction factor %.3f, want 1", k)
			}
		})
	}
}

// With an input gone there is no evidence, and nothing is found or cleared.
func TestFrictionWithBadInputs(t *testing.T) {
	for _, c := range []ingest.Channel{ingest.HookLoad, ingest.BrakePressure} {
		b := newBrakeRun(t)
		b.channels &^= 1 << c
		for range 4 {
			b.apply(0.6, func(r *detect.Result) {
				if f := r.Findings[detect.BrakeFade]; f.Condition != detect.Undecided {
					t.Fatalf("%v gone: %+v, want undecided", c, f)
				}
				if detect.Known(r.Estimate.Friction) {
					t.Fatalf("%v gone: friction factor %g", c, r.Estimate.Friction)
				}
			})
		}
	}
}

// A load held proves a lower bound: 54.1 kN m held at 1.5 MPa, where the brake gives
// 38.5 kN m as commissioned, asks for 1.41; a factor of 1 known before is drawn up, and
// one of 7 MPa, which asks for 0.30, moves nothing.
func TestHeldLoadIsALowerBoundOnly(t *testing.T) {
	for _, tc := range []struct {
		pressure float64
		up       bool
	}{{7e6, false}, {1.5e6, true}} {
		b := newBrakeRun(t)
		var before, after float64
		for range 3 {
			b.apply(1, func(r *detect.Result) { before = r.Estimate.Friction })
		}
		b.pressure = tc.pressure
		b.run(6, still(b.h), func(t, h, v float64, r *detect.Result) { after = r.Estimate.Friction })
		if got := after > before+0.005; got != tc.up || after < before-0.005 {
			t.Errorf("held at %.1f MPa: from %.3f to %.3f, want it drawn up: %v", tc.pressure/1e6, before, after, tc.up)
		}
	}
}
