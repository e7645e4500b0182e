package simulator

import (
	"math"
	"time"
)

// Moment is a run's plant as it stands at one instant, with the hands where they
// are: a copy that can be played on without disturbing the run.
type Moment struct {
	pl plant
	c  controls
}

// Moment returns the plant as it stands now.
func (r *Run) Moment() *Moment {
	m := &Moment{pl: *r.pl, c: r.d.c}
	m.pl.brake.delay = append([]float64(nil), r.pl.brake.delay...)
	return m
}

// Rest is where a block came to rest after a trip.
type Rest struct {
	Highest, Lowest float64 // m, of the block from the trip to its rest
	Time            float64 // s, from the trip to rest
	Contact         Event   // CrownContact or FloorContact where it struck; else NoEvent
	Stopped         bool    // false: it struck, or did not come to rest in restWithin
}

// What counts as rest: slower than these for restFor.
const (
	restBlock  = 0.01 // m/s
	restDrum   = 0.01 // rad/s
	restFor    = 0.5  // s
	restWithin = 40.0 // s
)

// Trip returns where the block comes to rest if the trip comes now: the drive is let
// go and the service brake's lever thrown full over at the same instant, the other
// levers stay. The spring-set calipers and the crown saver are left out, as in the
// stop that the monitor is asked about. loseAuxiliary has all torque of the
// auxiliary brake gone at the same instant. m is as it was.
func (m *Moment) Trip(loseAuxiliary bool) Rest {
	pl := m.pl
	pl.brake.delay = append([]float64(nil), m.pl.brake.delay...)
	c := m.c
	c.clutch, c.speed, c.brake = false, 0, 1
	pl.saver.electricFailed, pl.saver.toggleFailed = true, true
	if loseAuxiliary {
		pl.aux.factor = 0
	}
	out := Rest{Highest: pl.h, Lowest: pl.h}
	still := 0.0
	for t := 0.0; t < restWithin; t += pl.dt {
		pl.step(&c)
		out.Highest, out.Lowest = math.Max(out.Highest, pl.h), math.Min(out.Lowest, pl.h)
		if pl.atCrown || pl.onFloor {
			out.Contact, out.Time = FloorContact, t
			if pl.atCrown {
				out.Contact = CrownContact
			}
			return out
		}
		still += pl.dt
		if math.Abs(pl.v) > restBlock || math.Abs(pl.w) > restDrum {
			still = 0
		}
		if still >= restFor {
			out.Stopped, out.Time = true, t-restFor
			return out
		}
	}
	out.Time = restWithin
	return out
}

// Struck returns when the scenario's fault of that index struck, and whether it has.
func (r *Run) Struck(fault int) (time.Duration, bool) {
	if fault < 0 || fault >= len(r.scenario.Faults) || fault >= len(r.faults) {
		return 0, false
	}
	f := &r.faults[fault]
	return f.struck, f.state != 0
}
