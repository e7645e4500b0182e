package whatif

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/alarms"
	"hoistward/detect"
)

func TestValues(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"0.30:0.45:0.05", "0.30 0.35 0.40 0.45"},
		{"0.4s:1.0s:0.2s", "0.4s 0.6s 0.8s 1.0s"},
		{"1 m:3 m:1 m", "1m 2m 3m"},
		{"5:3:-1", "5 4 3"},
		{"0:1:0.4", "0.0 0.4 0.8"},
		{"2:2:1", "2"},
		{"0.6s", "no sweep"},
		{"1:2", "no sweep"},
		{"1:2:0", "1 to 200 values"},
		{"1:2:-1", "1 to 200 values"},
		{"0:1000:1", "1 to 200 values"},
		{"1s:2:1s", "same unit"},
		{"a:2:1", "want FROM:TO:STEP"},
		{"1:2:", "want FROM:TO:STEP"},
		{"1:2:NaN", "want FROM:TO:STEP"},
	} {
		values, is, err := Values(c.text)
		got := strings.Join(values, " ")
		switch {
		case err != nil:
			got = err.Error()
		case !is:
			got = "no sweep"
		}
		if got != c.want && !(err != nil && strings.Contains(got, c.want)) {
			t.Errorf("%s: got %q, want %q", c.text, got, c.want)
		}
	}
}

var noon = time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC)

func at(seconds ...int) []time.Time {
	var out []time.Time
	for _, s := range seconds {
		out = append(out, noon.Add(time.Duration(s)*time.Second))
	}
	return out
}

func words(shifts []Shift) string {
	var out []string
	for _, s := range shifts {
		w := string(s.Fate)
		if s.Seconds != nil {
			w += fmt.Sprintf(" %+g", *s.Seconds)
		}
		out = append(out, w)
	}
	return strings.Join(out, ", ")
}

// An alarm that comes once more in between does not shift those after it.
func TestAlarmsArePairedByTheirTime(t *testing.T) {
	for _, c := range []struct {
		recorded, changed []time.Time
		want              string
	}{
		{at(10), at(10), "stays +0"},
		{at(10), at(8), "moves -2"},
		{at(10), nil, "goes"},
		{nil, at(10), "comes"},
		{at(10, 200, 400), at(11, 90, 201, 401), "moves +1, comes, moves +1, moves +1"},
		{at(10, 200), at(200), "goes, stays +0"},
		{at(0), at(61), "goes, comes"},
		{at(0), at(60), "moves +60"},
	} {
		r := raisings{slot{"R1", "overhoist", ""}: {c.recorded, c.changed}}
		if got := words(r.shifts()); got != c.want {
			t.Errorf("%v against %v: got %q, want %q", c.recorded, c.changed, got, c.want)
		}
	}
}

// Each raising on either side is in exactly one shift, whatever the times.
func TestNoRaisingIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		times := rapid.SliceOfN(rapid.IntRange(0, 1000), 0, 8)
		a, b := times.Draw(t, "recorded"), times.Draw(t, "changed")
		slices.Sort(a)
		slices.Sort(b)
		r := raisings{}
		for side, s := range [2][]int{a, b} {
			for _, when := range at(s...) {
				r.add([]alarms.Event{{Rig: "R1", Alarm: "overhoist", Event: alarms.EventRaised, Time: when}}, side)
			}
		}
		r.add([]alarms.Event{{Rig: "R1", Alarm: "overhoist", Event: alarms.EventCleared, Time: noon}}, 0)
		var was, would []time.Time
		for _, s := range r.shifts() {
			if s.Recorded != nil {
				was = append(was, *s.Recorded)
			}
			if s.Changed != nil {
				would = append(would, *s.Changed)
			}
		}
		slices.SortFunc(was, time.Time.Compare)
		slices.SortFunc(would, time.Time.Compare)
		if !slices.Equal(was, at(a...)) || !slices.Equal(would, at(b...)) {
			t.Fatalf("recorded %v and changed %v came out as %v and %v", a, b, was, would)
		}
	})
}

func TestSpread(t *testing.T) {
	var s spread
	for i, d := range []float64{0.10, math.NaN(), -0.40, 0.12, math.Inf(1), 0.11, 100} {
		s.add(d, noon.Add(time.Duration(i)*time.Second))
	}
	got := s.result()
	if got.Frames != 5 || !(math.Abs(got.Median-0.11) < 1e-9) || got.Largest != 100 || !got.At.Equal(at(6)[0]) {
		t.Errorf("got %+v, want 5 frames, 0.11 m in the middle, 100 m at most in the last second", got)
	}
}

// The limit is 41 m: the block passes it in the third frame; later ones, higher up,
// change nothing. Where it turns at 40 m, the nearest is the second.
func TestReach(t *testing.T) {
	frame := func(height, bound float64) *detect.Estimate {
		return &detect.Estimate{Height: height, RestUpBound: bound, CrownRoom: 41 - bound, RestDownBound: 1, FloorRoom: 0.5}
	}
	var up, turns, down reach
	for i, h := range []float64{39, 40, 41.2, 42} {
		up.see(frame(h, h+1), at(i)[0], false)
	}
	for i, h := range []float64{39, 40, math.NaN(), 39.5} {
		turns.see(frame(h, h+1), at(i)[0], false)
	}
	for i, h := range []float64{2, 0.4, 0.3} { // the floor limit is 0.5 m
		down.see(frame(h, 2), at(i)[0], true)
	}
	if !up.passed || !up.at.Equal(at(2)[0]) {
		t.Errorf("raising: got %+v, want passed in the third frame", up)
	}
	if turns.passed || !turns.at.Equal(at(1)[0]) || !(math.Abs(turns.room-1) < 1e-9) {
		t.Errorf("turning: got %+v, want 1 m at the second frame", turns)
	}
	if !down.passed || !down.at.Equal(at(1)[0]) {
		t.Errorf("lowering: got %+v, want passed in the second frame", down)
	}
}
