package simulator

import (
	"math"
	"testing"
	"time"
)

// A trip that is asked about, and then really made by pulling the lever at the same
// instant, comes to the same rest; and asking changes nothing of the run.
func TestTripAskedIsTripMade(t *testing.T) {
	scenario := &Scenario{
		Name: "x", Duration: 40 * time.Second, Rate: 10, Spread: 1, Step: 500 * time.Microsecond, Channels: defaultChannels,
		Initial: Initial{BlockHeight: 8, StringMass: 100e3, InSlips: true, StandMass: 900, StandLength: 28},
		Driller: Driller{Task: Hoisting, RaiseEmpty: 1.3, Wait: 1},
	}
	play := func(ask bool) (*Run, Truth) {
		r, err := New(r1(), scenario, 7)
		if err != nil {
			t.Fatal(err)
		}
		var x Truth
		for r.Elapsed() < 15*time.Second && r.Next(nil, &x) {
			if ask && r.Elapsed() > 14*time.Second {
				r.Moment().Trip(true)
			}
		}
		return r, x
	}
	r, x := play(true)
	if _, plain := play(false); plain != x {
		t.Fatalf("asking changed the run: %+v, want %+v", x, plain)
	}
	if x.Velocity < 1 {
		t.Fatalf("velocity %.2f m/s, want a block under way", x.Velocity)
	}
	rest := r.Moment().Trip(false)
	if !rest.Stopped || !(rest.Highest > x.Height+0.3) {
		t.Fatalf("rest %+v from %.2f m", rest, x.Height)
	}
	c := r.d.c
	c.clutch, c.speed, c.brake = false, 0, 1
	high := 0.0
	for range 8000 {
		r.pl.step(&c)
		high = math.Max(high, r.pl.h)
	}
	if !(math.Abs(high-rest.Highest) < 1e-9) {
		t.Errorf("came to %.6f m, asked %.6f m", high, rest.Highest)
	}
}

// The longer the wait, the higher the rest; and past the last moment it is contact.
func TestTripTooLateIsContact(t *testing.T) {
	s, err := LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(r1(), s, 3)
	if err != nil {
		t.Fatal(err)
	}
	var x Truth
	var last Rest
	for r.Next(nil, &x) && x.Event != CrownContact {
		if x.Height > 40 {
			last = r.Moment().Trip(false)
		}
	}
	if x.Event != CrownContact || last.Contact != CrownContact || last.Stopped {
		t.Errorf("event %v, last trip %+v, want contact in both", x.Event, last)
	}
	if at, ok := r.Struck(1); !ok || at != 5*time.Second {
		t.Errorf("inattention struck at %v, %v, want 5 s", at, ok)
	}
	if _, ok := r.Struck(9); ok {
		t.Error("a fault that is not there struck")
	}
}
