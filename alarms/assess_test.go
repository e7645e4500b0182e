package alarms

import (
	"math"
	"slices"
	"testing"
	"time"
)

func TestFiguresAreHeldAgainstPublishedTargets(t *testing.T) {
	calm := Figures{PerHour: 4, PeakTenMin: 3, Raised: 100, Priorities: []PriorityCount{{Low, 80, 0.80}, {Medium, 15, 0.15}, {High, 5, 0.05}},
		Frequent: []Frequency{{N: 5, Share: 0.05}}}
	for _, a := range calm.Assess() {
		if !a.Met || a.Source == "" {
			t.Errorf("%s: %g against %g is not met (%s)", a.Figure, a.Value, a.Target, a.Source)
		}
	}
	bad := Figures{PerHour: 13, PeakTenMin: 11, FloodShare: 0.011, Chattering: make([]Frequency, 1), Stale: make([]Stale, 6), Raised: 100,
		Frequent: []Frequency{{N: 90, Share: 0.9}}, Priorities: []PriorityCount{{Low, 79, 0.79}, {Medium, 16, 0.16}, {High, 4, 0.04}, {Emergency, 2, 0.02}}}
	for _, a := range bad.Assess() {
		if a.Met {
			t.Errorf("%s: %g against %g is met", a.Figure, a.Value, a.Target)
		}
	}
	if most("nothing", math.NaN(), 1, "").Met {
		t.Error("a figure that is not known meets its target")
	}
	if n := len((&Figures{}).Assess()); n != 6 {
		t.Errorf("%d assessments of a journal without alarms, want the 6 that are no shares", n)
	}
}

func TestChatterAndStaleMarks(t *testing.T) {
	var r Raises
	at := func(s int) time.Time { return start.Add(time.Duration(s) * time.Second) }
	for _, c := range []struct {
		raised, now int
		want        bool
	}{{0, 0, false}, {20, 20, false}, {59, 59, true}, {59, 118, true}, {59, 119, false}, {130, 130, false}} {
		if c.raised != 59 || c.now == 59 {
			r.Note(at(c.raised))
		}
		if got := r.Chatters(at(c.now)); got != c.want {
			t.Errorf("raised at %d s, seen at %d s: %v, want %v", c.raised, c.now, got, c.want)
		}
	}
	a := Alarm{State: Acknowledged, Raised: At(start)}
	got := []bool{a.IsStale(start.Add(StaleAfter)), a.IsStale(start.Add(StaleAfter + 1)), Alarm{State: LatchedAcknowledged, Raised: At(start)}.IsStale(start.Add(48 * time.Hour))}
	if !slices.Equal(got, []bool{false, true, false}) {
		t.Errorf("stale %v", got)
	}
}
