package alarms

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// raisedAt makes events of one alarm, raised at seconds after start.
func raisedAt(seconds ...int) []Event {
	var events []Event
	for i, s := range seconds {
		events = append(events, Event{Time: start.Add(time.Duration(s) * time.Second), Rig: "northfell-1", Alarm: "brake_hot",
			Event: EventRaised, State: Unacknowledged, Priority: Medium, Occurrence: uint64(i + 1)})
	}
	return events
}

func every(step, n int) []int {
	var s []int
	for i := range n {
		s = append(s, i*step)
	}
	return s
}

func second(s int) time.Time { return start.Add(time.Duration(s) * time.Second) }

func TestFloods(t *testing.T) {
	for _, c := range []struct {
		name  string
		at    []int
		until int
		want  []Flood
	}{
		{"none", nil, 3600, nil},
		{"ten in ten minutes are no flood", every(60, 10), 3600, nil},
		// The eleventh, at 599 s, begins it. Once the seventh, of 354 s, has left the
		// window at 954 s, four are in it.
		{"eleven are", []int{0, 59, 118, 177, 236, 295, 354, 413, 472, 531, 599}, 3600, []Flood{{second(599), second(954), 1}}},
		{"the window does not include its beginning", []int{0, 60, 120, 180, 240, 300, 360, 420, 480, 540, 600}, 3600, nil},
		{"it lasts while alarms come", every(30, 100), 7200, []Flood{{second(300), second(99*30 - 4*30 + 600), 90}}},
		{"still on at the end", every(1, 20), 300, []Flood{{From: second(10), Raised: 10}}},
		{"its end is not before the end of the time", every(1, 11), 606, []Flood{{From: second(10), Raised: 1}}},
		{"its end is", every(1, 11), 607, []Flood{{second(10), second(606), 1}}},
		// At 606 s the seventh leaves and another comes: five, no end. At 607 s the
		// eighth leaves: four.
		{"one at the very end of it keeps it on", append(every(1, 11), 606), 3600, []Flood{{second(10), second(607), 2}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := Measure(slices.Values(raisedAt(c.at...)), start, second(c.until))
			if d := cmp.Diff(c.want, f.Floods); d != "" {
				t.Errorf("-want +got\n%s", d)
			}
		})
	}
}

// The second road: the window counted anew at each second.
func TestFloodsBySecondRoad(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var at []int
		s := 0
		for range rapid.IntRange(0, 80).Draw(t, "n") {
			s += rapid.SampledFrom([]int{0, 1, 5, 30, 60, 120, 600}).Draw(t, "gap")
			at = append(at, s)
		}
		until := s + rapid.IntRange(1, 1500).Draw(t, "after")
		var want []Flood
		on, total, most := false, 0, 0
		var recent Recent
		events := raisedAt(at...)
		for now := 0; now < until; now++ {
			n, fresh := 0, 0
			for i, a := range at {
				if a <= now && now-a < 600 {
					n++
				}
				if a == now {
					fresh++
					recent.Note(&events[i])
				}
			}
			most = max(most, n)
			switch {
			case !on && n > FloodStarts:
				on = true
				want = append(want, Flood{From: second(now)})
			case on && n < FloodEnds:
				on = false
				want[len(want)-1].To = second(now)
			}
			if on {
				total++
			}
			if _, ten, flood := recent.At(second(now)); ten != n || flood != on {
				t.Fatalf("live at %d s: %d, flood %v; want %d, %v", now, ten, flood, n, on)
			}
		}
		f := Measure(slices.Values(events), start, second(until))
		for i := range f.Floods {
			f.Floods[i].Raised = 0
		}
		if d := cmp.Diff(want, f.Floods); d != "" {
			t.Fatalf("alarms at %v until %d\n-want +got\n%s", at, until, d)
		}
		if f.PeakTenMin != most || !(math.Abs(f.FloodShare*float64(until)-float64(total)) < 1e-6) {
			t.Fatalf("peak %d, want %d; flood %v s, want %d", f.PeakTenMin, most, f.FloodShare*float64(until), total)
		}
	})
}

func TestChatteringIsThreeInAMinute(t *testing.T) {
	for _, c := range []struct {
		name string
		at   []int
		want int
	}{
		{"two in a minute", []int{0, 59, 120, 179}, 0},
		{"three in a minute", []int{0, 30, 59}, 3},
		{"three in just over", []int{0, 30, 60}, 0},
		{"the worst minute counts", []int{0, 30, 59, 600, 601, 602, 603}, 4},
	} {
		f := Measure(slices.Values(raisedAt(c.at...)), start, second(3600))
		got := 0
		if len(f.Chattering) > 0 {
			got = f.Chattering[0].N
		}
		if got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

func TestFiguresOfATour(t *testing.T) {
	at := func(s int, alarm, channel string, k EventKind, state State, p Priority) Event {
		return Event{Time: second(s), Rig: "northfell-1", Alarm: alarm, Channel: channel, Event: k, State: state, Priority: p}
	}
	events := []Event{
		at(-90000, "line_work_over", "", EventRaised, Unacknowledged, Medium), // 25 h before
		at(-7200, "brake_hot", "", EventRaised, Unacknowledged, Medium),
		at(100, "brake_hot", "", EventAcknowledged, Acknowledged, Medium), // 7300 s
		at(200, "brake_hot", "", EventCleared, Normal, Medium),
		at(300, "reading_lost", "hook_load", EventRaised, Unacknowledged, Low),
		at(301, "reading_lost", "hook_load", EventAcknowledged, Acknowledged, Low), // 1 s
		at(320, "reading_lost", "block_height", EventRaised, Suppressed, Low),      // not shown
		at(400, "overhoist", "", EventRaised, Unacknowledged, High),
		at(401, "overhoist", "", EventWorsened, Unacknowledged, Emergency),
		at(403, "overhoist", "", EventAcknowledged, Acknowledged, Emergency), // 2 s from the worsening
		at(500, "reading_lost", "hook_load", EventCleared, Normal, Low),
		at(600, "reading_lost", "hook_load", EventRaised, Unacknowledged, Low),
		at(700, "overhoist", "", EventCleared, LatchedAcknowledged, Emergency),
		at(3600*8, "blind", "", EventRaised, Unacknowledged, High), // not in the tour any more
	}
	slices.Reverse(events) // they are taken in order of time
	f := Measure(slices.Values(events), start, second(3600*8))
	want := Figures{
		From: start, To: second(3600 * 8), Raised: 3, PerHour: 0.375, PerTenMin: 0.0625, PeakHour: 3, PeakTenMin: 3,
		Stale:       []Stale{{Rig: "northfell-1", Alarm: "line_work_over", From: second(-90000)}},
		Priorities:  []PriorityCount{{Low, 2, 2. / 3}, {Medium, 0, 0}, {High, 1, 1. / 3}, {Emergency, 0, 0}},
		Frequent:    []Frequency{{"northfell-1", "reading_lost", "hook_load", 2, 2. / 3}, {"northfell-1", "overhoist", "", 1, 1. / 3}},
		Acknowledge: Acknowledging{N: 3, Median: 2, Ninety: 7300, Longest: 7300, Waiting: 2},
	}
	if d := cmp.Diff(want, f); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

func TestStaleIsMoreThanADay(t *testing.T) {
	day := 24 * 3600
	for _, c := range []struct {
		name       string
		clears, to int
		want       []Stale
	}{
		{"a day exactly", day, 2 * day, nil},
		{"a second more", day + 1, 2 * day, []Stale{{"northfell-1", "brake_hot", "", start, second(day + 1)}}},
		{"standing a day", -1, day, nil},
		{"standing more", -1, day + 1, []Stale{{"northfell-1", "brake_hot", "", start, time.Time{}}}},
	} {
		events := raisedAt(0)
		if c.clears >= 0 {
			e := events[0]
			e.Time, e.Event, e.State = second(c.clears), EventCleared, Normal
			events = append(events, e)
		}
		if d := cmp.Diff(c.want, Measure(slices.Values(events), start, second(c.to)).Stale); d != "" {
			t.Errorf("%s: -want +got\n%s", c.name, d)
		}
	}
}

func TestFiguresOfNothing(t *testing.T) {
	f := Measure(slices.Values([]Event(nil)), start, start)
	if f.PerHour != 0 || f.FloodShare != 0 || f.Raised != 0 {
		t.Errorf("%+v", f)
	}
}

func TestTenMostFrequent(t *testing.T) {
	var events []Event
	for i, r := range All()[:15] {
		for range i + 1 {
			events = append(events, Event{Time: second(len(events)), Alarm: r.Name, Event: EventRaised, State: Unacknowledged, Priority: r.Priority})
		}
	}
	f := Measure(slices.Values(events), start, second(3600))
	if len(f.Frequent) != 10 || f.Frequent[0].N != 15 || f.Frequent[9].N != 6 || f.Frequent[0].Alarm != All()[14].Name {
		t.Errorf("%+v", f.Frequent)
	}
}
