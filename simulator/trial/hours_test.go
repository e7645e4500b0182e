package trial

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"hoistward/alarms/watch"
	"hoistward/simulator"
)

// mostInTwelveHours is how many stop-margin alarms twelve hours of ordinary work may
// bring.
const mostInTwelveHours = 2

// Twelve hours of ordinary work on each example rig as its file describes it, the plant
// drawn about it: running in, pulling and running by turns, drilling with connections,
// four hours each.
func TestTwelveHoursOfOrdinaryWork(t *testing.T) {
	each := 4 * time.Hour
	if testing.Short() {
		each = 20 * time.Minute
	}
	o := options(t, 12, 1, 1)
	for i, e := range o.Rigs {
		t.Run(e.Name, func(t *testing.T) {
			t.Parallel()
			raised, stands := 0, 0
			for k, task := range []simulator.Task{simulator.TripIn, simulator.Tripping, simulator.Drill} {
				rig, err := o.Open(e.Text)
				if err != nil {
					t.Fatal(err)
				}
				n := uint64(10*i + k)
				d := drawer{o: &o, r: rand.New(rand.NewPCG(12, n)), c: &Case{Kind: StandsCase, Rig: rig.Name, text: e.Text, base: rig, seed: n}}
				d.setting()
				s := &d.c.scenario
				s.Name, s.Duration, s.Rate = fmt.Sprintf("hours of %v", task), each, 10
				s.Driller = simulator.Driller{Task: task, Stands: 15, Penetration: 0.012}
				d.roomFor(100)
				j := &ordinary{}
				if err := play(d.c, watch.NewRig(d.c.Rig, o.Open), []judge{j}); err != nil {
					t.Fatal(err)
				}
				for m := range j.nuisance {
					t.Logf("%v at %.1f s: %s: %s", task, j.at[m], j.nuisance[m].Alarm, j.nuisance[m].Reason)
				}
				raised, stands = raised+len(j.nuisance), stands+j.stands
			}
			t.Logf("%d stop-margin alarms in %d stands", raised, stands)
			if least := int(each / time.Hour * 12); stands < least {
				t.Errorf("%d stands, want at least %d: no work was done", stands, least)
			}
			if raised > mostInTwelveHours {
				t.Errorf("%d stop-margin alarms, want at most %d", raised, mostInTwelveHours)
			}
		})
	}
}
