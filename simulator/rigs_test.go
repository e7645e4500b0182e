package simulator

import (
	"testing"
	"time"

	"hoistward/configs"
)

// The plant and the driller suit each rig that comes with the program: bands and
// discs, eddy, water and motor brakes, 550 to 4000 hp.
func TestEveryExampleRigWorks(t *testing.T) {
	for _, name := range []string{"R1", "R2", "R3", "R4", "R5"} {
		rig, _, err := configs.LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, story := range []string{"trip-out", "trip-in"} {
			for seed := range uint64(2) {
				s, err := LoadScenario(story)
				if err != nil {
					t.Fatal(err)
				}
				s.Duration = 8 * time.Minute
				run, err := New(rig, s, seed+1)
				if err != nil {
					t.Fatal(err)
				}
				var x Truth
				for run.Next(nil, &x) {
					if x.Event != NoEvent {
						t.Errorf("%s, %s, seed %d: %v at %.1f s", name, story, seed+1, x.Event, x.Time)
					}
					if m := rig.Mast; x.Height > float64(m.CrownSaverTrip) || x.Height < float64(m.FloorLimit) {
						t.Fatalf("%s, %s, seed %d: block at %.2f m at %.1f s", name, story, seed+1, x.Height, x.Time)
					}
				}
				if x.Stand < 1 {
					t.Errorf("%s, %s, seed %d: no stand in 8 minutes", name, story, seed+1)
				}
			}
		}
		s, err := LoadScenario("overhoist")
		if err != nil {
			t.Fatal(err)
		}
		run, err := New(rig, s, 1)
		if err != nil {
			t.Fatal(err)
		}
		var x Truth
		hit := 0.0
		for run.Next(nil, &x) {
			if x.Event == CrownContact {
				hit = x.Time
			}
		}
		between(t, name+": crown contact, s", hit, 20, 55)
	}
}

// The file's rig and the one that these tests write out are the same.
func TestR1IsTheFiles(t *testing.T) {
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	s, err := LoadScenario("trip-in")
	if err != nil {
		t.Fatal(err)
	}
	one, err := New(rig, s, 4)
	if err != nil {
		t.Fatal(err)
	}
	two, err := New(r1(), s, 4)
	if err != nil {
		t.Fatal(err)
	}
	var a, b Truth
	for range 3000 {
		one.Next(nil, &a)
		two.Next(nil, &b)
	}
	near(t, "height after 5 minutes", a.Height, b.Height, 0.05)
	near(t, "ring", a.Ring, b.Ring, 0.5)
}
