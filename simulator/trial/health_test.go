package trial

import (
	"math"
	"testing"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/simulator"
)

func TestOrdinary(t *testing.T) {
	o := &ordinary{}
	for i, e := range []alarms.Event{
		{Alarm: "overhoist", Event: alarms.EventRaised}, {Alarm: "overhoist", Event: alarms.EventCleared},
		{Alarm: "lowering_too_fast", Event: alarms.EventRaised}, {Alarm: "brake_hot", Event: alarms.EventRaised},
		{Alarm: "brake_fade", Event: alarms.EventRaised},
		{Alarm: "auxiliary_brake_lost", Event: alarms.EventRaised, Priority: alarms.Emergency},
		{Alarm: "auxiliary_brake_lost", Event: alarms.EventCleared, Priority: alarms.Emergency},
	} {
		o.see(&moment{truth: &simulator.Truth{Stand: i}, events: []alarms.Event{e}})
	}
	got, rows := ended(o)
	if got.stands != 6 || got.nuisance != 2 || got.falseFade != 1 || got.falseUrgent != 1 || len(rows) != 4 {
		t.Errorf("%+v, rows %v; want 6 stands, 2 nuisance alarms, 1 false fade, 1 false emergency", got, rows)
	}
}

// braking plays applications of two seconds, two seconds apart, and returns the judge.
func braking(n int, friction, estimate, struck, found float64) *fade {
	rig := &hoist.Rig{Service: hoist.ServiceBrake{Friction: 0.4, FullPressure: 7e6}}
	f := newFade(rig, 0)
	f.struck = struck
	for k := range n * 40 {
		at := float64(k) / 10
		x := &simulator.Truth{Time: at, Friction: friction, DrumSpeed: -5}
		if k%40 < 20 {
			x.BrakePressure = 2e6
		}
		m := &moment{at: at, truth: x, est: &detect.Estimate{Friction: estimate}}
		if math.Abs(at-found) < 0.04 {
			m.events = raised("brake_fade")
		}
		f.take(m)
	}
	return f
}

func TestFrictionAfterThree(t *testing.T) {
	never := math.Inf(1)
	got, rows := ended(braking(4, 0.36, 0.92, never, -1))
	near(t, "error", got.friction.root(), 0.02)
	if got.friction.n != 1 || got.fade != 0 || len(rows) != 0 {
		t.Errorf("%+v, rows %v", got, rows)
	}
	if got, _ = ended(braking(2, 0.36, 0.92, never, -1)); got.friction.n != 0 {
		t.Errorf("judged after two applications: %+v", got)
	}
	got, rows = ended(braking(4, 0.30, math.NaN(), never, -1)) // silent: as good as new is what it goes by
	near(t, "silent", got.friction.root(), 0.25)
	if len(rows) != 1 {
		t.Errorf("rows %v", rows)
	}
}

// An application beside an auxiliary brake that does most of the work shows nothing.
func TestApplications(t *testing.T) {
	for aux, want := range map[float64]int{0: 2, 90: 2, 110: 0} {
		a := newApplications(&hoist.Rig{Service: hoist.ServiceBrake{FullPressure: 7e6}})
		n := 0
		for k := range 80 {
			x := &simulator.Truth{Time: float64(k) / 10, DrumSpeed: -5, BrakeTorque: 100, AuxTorque: aux, Friction: 0.4}
			if k%40 < 20 {
				x.BrakePressure = 0.8e6
			}
			if a.see(x) {
				n++
			}
		}
		if n != want || a.n != want {
			t.Errorf("auxiliary %g: %d applications, want %d", aux, n, want)
		}
	}
}

// A pressure that wavers between 0.06 and 0.14 of full is one application.
func TestApplicationWavers(t *testing.T) {
	a := newApplications(&hoist.Rig{Service: hoist.ServiceBrake{FullPressure: 7e6}})
	for k := range 80 {
		x := &simulator.Truth{Time: float64(k) / 10, DrumSpeed: -5, BrakeTorque: 100, Friction: 0.4}
		if k < 60 {
			x.BrakePressure = 7e6 * (0.10 + 0.04*math.Sin(float64(k)/3))
		}
		a.see(x)
	}
	if a.n != 1 {
		t.Errorf("%d applications, want 1", a.n)
	}
}

func TestFadeFound(t *testing.T) {
	for name, c := range map[string]struct {
		n                   int
		struck, found       float64
		cases, right, false int
	}{
		"in the second":      {6, 8, 14, 1, 1, 0},
		"just after it":      {6, 8, 14.9, 1, 1, 0},
		"in the third":       {6, 8, 17, 1, 0, 0},
		"never":              {6, 8, -1, 1, 0, 0},
		"before it was lost": {6, 8, 5, 1, 0, 1},
		"applied once since": {3, 8, -1, 0, 0, 0},
	} {
		got, _ := ended(braking(c.n, 0.3, 0.75, c.struck, c.found))
		if got.fade != c.cases || got.fadeFound != c.right || got.falseFade != c.false {
			t.Errorf("%s: %d cases, %d found, %d false; want %d, %d, %d", name, got.fade, got.fadeFound, got.falseFade, c.cases, c.right, c.false)
		}
	}
}

func TestAuxiliary(t *testing.T) {
	for name, c := range map[string]struct {
		carried, found float64
		cases, right   int
	}{
		"at once":            {0.9, 10.3, 1, 1},
		"at the second":      {0.9, 11.0, 1, 1},
		"late":               {0.9, 11.1, 1, 0},
		"never":              {0.9, -1, 1, 0},
		"it carried nothing": {0.1, -1, 0, 0},
		"before":             {0.9, 9, 1, 0},
	} {
		a := newAuxiliary(0)
		a.struck, a.carried = 10, c.carried
		early := 0
		if c.found > 0 && c.found < a.struck {
			early = 1
		}
		for k := range 200 {
			m := &moment{at: float64(k) / 10, truth: &simulator.Truth{}}
			if math.Abs(m.at-c.found) < 0.04 {
				m.events = raised("auxiliary_brake_lost")
			}
			a.take(m)
		}
		if got, rows := ended(a); got.auxiliary != c.cases || got.auxiliaryFound != c.right || len(rows) != c.cases-c.right+got.falseUrgent || got.falseUrgent != early {
			t.Errorf("%s: %+v, rows %v; want %d and %d", name, got, rows, c.cases, c.right)
		}
	}
}

func TestTemperature(t *testing.T) {
	h := &temperature{after: 7200}
	for _, x := range []struct{ at, ring, mid, high float64 }{
		{100, 400, 0, 0}, {7200, 100, 103, 120}, {7300, 100, 96, 99}, {7400, 100, math.NaN(), math.NaN()},
	} {
		h.see(&moment{at: x.at, fresh: true, truth: &simulator.Truth{Ring: x.ring + 273.15},
			est: &detect.Estimate{BrakeTemperature: x.mid, BrakeTemperatureHi: x.high}})
	}
	got, _ := ended(h)
	near(t, "root", got.heat.root(), math.Sqrt((3*3+4*4+80*80)/3.0))
	if got.heatSeen != 3 || got.heatUnder != 1 {
		t.Errorf("%d of %d under the bound, want 1 of 3", got.heatUnder, got.heatSeen)
	}
}
