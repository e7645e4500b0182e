package ingest

import (
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"
)

func TestStamp(t *testing.T) {
	m := Mapping{MaxAhead: 2 * time.Second, MaxBehind: time.Minute}
	for _, c := range []struct {
		name string
		t    time.Time
		want time.Time
		r    Reject
	}{
		{"now", start, start, Used},
		{"on the limit ahead", start.Add(2 * time.Second), start.Add(2 * time.Second), Used},
		{"beyond it", start.Add(2*time.Second + 1), start, RejectClockAhead},
		{"a day ahead", start.AddDate(0, 0, 1), start, RejectClockAhead},
		{"the year 2099", time.Date(2099, 1, 1, 0, 0, 0, 0, time.UTC), start, RejectClockAhead},
		{"the year 9999", time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), start, RejectClockAhead},
		{"on the limit behind", start.Add(-time.Minute), start.Add(-time.Minute), Used},
		{"beyond it", start.Add(-time.Minute - 1), start.Add(-time.Minute - 1), RejectFarPast},
		{"epoch 0", time.Unix(0, 0), time.Unix(0, 0), RejectFarPast},
		{"the zero time", time.Time{}, time.Time{}, RejectFarPast},
	} {
		got, r := m.Stamp(c.t, start)
		if !got.Equal(c.want) || r != c.r || got.Location() != time.UTC {
			t.Errorf("%s: got %v, %v, want %v, %v", c.name, got, r, c.want, c.r)
		}
	}
	m.Clock = ReceiptClock
	if got, r := m.Stamp(time.Unix(0, 0), start); !got.Equal(start) || r != Used {
		t.Errorf("receipt clock: got %v, %v", got, r)
	}
}

// A source that drifts by 5 s an hour: readings go on, and past the limit they say
// that the receipt time stands in.
func TestSlowDriftIsToldAndNeverStops(t *testing.T) {
	m := Mapping{MaxAhead: 2 * time.Second, MaxBehind: time.Minute}
	ahead := 0
	for s := range 3600 {
		received := start.Add(time.Duration(s) * time.Second)
		got, r := m.Stamp(received.Add(time.Duration(s)*5*time.Second/3600), received)
		if got.Sub(received) < 0 || got.Sub(received) > m.MaxAhead {
			t.Fatalf("after %d s: %v", s, got.Sub(received))
		}
		if r == RejectClockAhead {
			ahead++
		}
	}
	if ahead != 2159 { // beyond 2 s: from 1441 s on, 3600-1441
		t.Errorf("%d told, want 2159", ahead)
	}
}

func TestEveryWordIsThereOnce(t *testing.T) {
	seen := map[string]bool{}
	for r := range NumRejects {
		if w := r.String(); w == "" || seen[w] {
			t.Errorf("reject %d is %q", r, w)
		} else {
			seen[w] = true
		}
	}
	for r := Absent; r < NumReasons; r++ {
		if r.String() == "" {
			t.Errorf("reason %d has no word", r)
		}
	}
	if NumRejects.String() != "unknown reject" || NumReasons.String() != "unknown reason" {
		t.Error("beyond the last")
	}
}

func TestReasonsOfTheDoorAreCounted(t *testing.T) {
	for _, r := range []Reason{Null, NotANumber, WrongType, OutOfRange, NamedTwice, ClockAhead} {
		if r.Reject() == Used {
			t.Errorf("%v is not counted", r)
		}
	}
}

func TestOwnFormIsSound(t *testing.T) {
	m := OwnForm()
	if errs := m.Check(); len(errs) > 0 {
		t.Error(errs)
	}
	if errs := new(Mapping).Check(); len(errs) != 3 {
		t.Errorf("an empty mapping: got %v, want 3 mistakes", errs)
	}
	for name, spoil := range map[string]func(*ChannelMap){
		"scale":       func(c *ChannelMap) { c.Scale = math.NaN() },
		"shift":       func(c *ChannelMap) { c.Shift = math.Inf(1) },
		"range":       func(c *ChannelMap) { c.High = c.Low },
		"range NaN":   func(c *ChannelMap) { c.High = math.NaN() },
		"unit":        func(c *ChannelMap) { c.Unit.Factor = 0 },
		"field":       func(c *ChannelMap) { c.Field = "" },
		"field taken": func(c *ChannelMap) { c.Field = "block_height" },
	} {
		m := OwnForm()
		spoil(&m.Channels[HookLoad])
		if errs := m.Check(); len(errs) != 1 {
			t.Errorf("%s: got %v, want one mistake", name, errs)
		}
	}
}

func TestCounters(t *testing.T) {
	var c Counters
	c.Add("B", RejectNull, "hook_load")
	c.Add("A", RejectBrokenJSON, "{\x00\n\xff"+strings.Repeat("é", 200))
	c.Add("A", RejectBrokenJSON, strings.Repeat("é", 121))
	c.Add("A", RejectBadTime, strings.Repeat("é", 120))
	c.Add("B", RejectNull, "block\theight")
	got := c.Snapshot()
	want := []string{
		"A broken JSON 2 " + strings.Repeat("é", 119) + "…",
		"A bad time 1 " + strings.Repeat("é", 120),
		"B null 2 block·height",
	}
	if len(got) != len(want) {
		t.Fatalf("got %v", got)
	}
	for i, g := range got {
		if s := fmt.Sprintf("%s %s %d %s", g.Source, g.Words, g.N, g.Example); s != want[i] {
			t.Errorf("line %d\n got %q\nwant %q", i, s, want[i])
		}
	}
	if c.Total("B", RejectNull) != 2 || c.Total("none", RejectNull) != 0 {
		t.Error("totals")
	}
}

func FuzzExampleIsShortAndPrintable(f *testing.F) {
	f.Add("plain")
	f.Add("\x00\u202e\xff" + strings.Repeat("x", 500))
	f.Fuzz(func(t *testing.T, s string) {
		p := printable(s)
		if n := utf8.RuneCountInString(p); n > maxExample || !utf8.ValidString(p) {
			t.Errorf("%q becomes %d characters", s, n)
		}
		for _, r := range p {
			if !unicode.IsPrint(r) {
				t.Errorf("%q keeps %q", s, r)
			}
		}
	})
}

func TestMadeUpSourcesDoNotFillTheMemory(t *testing.T) {
	var c Counters
	for i := range 3 * maxSources {
		c.Add(fmt.Sprint("rig", i), RejectUnknownRig, "")
	}
	if n := len(c.Snapshot()); n > maxSources+1 {
		t.Errorf("%d sources kept, want at most %d", n, maxSources+1)
	}
	if n := c.Total(OtherSources, RejectUnknownRig); n != 2*maxSources {
		t.Errorf("%d counted as others, want %d", n, 2*maxSources)
	}
}

func TestCountersFromManySides(t *testing.T) {
	var c Counters
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 1000 {
				c.Add("A", RejectNull, "x")
				c.Snapshot()
			}
		})
	}
	wg.Wait()
	if n := c.Total("A", RejectNull); n != 8000 {
		t.Errorf("%d counted, want 8000", n)
	}
}
