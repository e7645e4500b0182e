package journal

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"hoistward/alarms"
)

func TestEventsAreTheNewestOfThePeriod(t *testing.T) {
	start := time.Date(2026, 11, 24, 6, 0, 0, 0, time.UTC)
	path := filepath.Join(t.TempDir(), "journal.jsonl")
	var text []byte
	for i := range 30 { // one a minute, of two rigs in turn
		e := alarms.Event{Time: start.Add(time.Duration(i) * time.Minute), Rig: []string{"a", "b"}[i%2], Alarm: "brake_hot",
			Event: alarms.EventRaised, Priority: alarms.High, Occurrence: uint64(i)}
		text = append(alarms.AppendJSON(text, &e), '\n')
		if i == 7 {
			text = append(text, "{torn\n"...)
		}
	}
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
	minute := func(n int) time.Time { return start.Add(time.Duration(n) * time.Minute) }
	for _, c := range []struct {
		rigs     []string
		from, to int
		most     int
		want     string
	}{
		{nil, 0, 30, 100, "30 from 0 to 29, 0 more"},
		{nil, 10, 20, 100, "10 from 10 to 19, 0 more"},
		{nil, 10, 20, 4, "4 from 16 to 19, 6 more"},
		{[]string{"b"}, 0, 30, 4, "4 from 23 to 29, 11 more"},
		{[]string{"b"}, 0, 30, 15, "15 from 1 to 29, 0 more"},
		{[]string{"nobody"}, 0, 30, 4, "none, 0 more"},
		{nil, 0, 30, 0, "none, 30 more"},
	} {
		events, more, damaged, err := Events(path, c.rigs, minute(c.from), minute(c.to), c.most)
		if err != nil || damaged != 1 {
			t.Fatalf("%v, %d damaged, want 1", err, damaged)
		}
		got := fmt.Sprintf("none, %d more", more)
		if n := len(events); n > 0 {
			got = fmt.Sprintf("%d from %d to %d, %d more", n, events[0].Occurrence, events[n-1].Occurrence, more)
		}
		if got != c.want {
			t.Errorf("%v from %d to %d, %d at most: got %s, want %s", c.rigs, c.from, c.to, c.most, got, c.want)
		}
		for i := 1; i < len(events); i++ {
			if events[i].Time.Before(events[i-1].Time) {
				t.Errorf("event %d stands after %d", events[i].Occurrence, events[i-1].Occurrence)
			}
		}
	}
	if _, _, _, err := Events(filepath.Join(t.TempDir(), "none"), nil, start, minute(1), 1); err == nil {
		t.Error("a journal that is not there reads as an empty one")
	}
}
