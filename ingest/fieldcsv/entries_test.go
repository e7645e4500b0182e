package fieldcsv

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
)

// story writes entries in a line: S session, t tick, . sample, with the receipt
// time of samples in ms.
func story(t *testing.T, ms ...int64) string {
	t.Helper()
	var all []ingest.Sample
	for _, m := range ms {
		all = append(all, ingest.Sample{Time: time.UnixMilli(m).UTC()})
	}
	var b strings.Builder
	seq, last := uint64(7), time.Time{}
	for e, err := range Entries(of(all), EntryOptions{Rig: "R1", FirstSeq: 7, Session: ingest.Session{RigFile: "name: R1"}}) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Seq != seq || e.Rig != "R1" || e.Received.Before(last) || e.Received.Location() != time.UTC {
			t.Fatalf("got %+v, want seq %d, rig R1 and a receipt in UTC not before %s", e, seq, last)
		}
		seq, last = seq+1, e.Received
		switch e.Kind {
		case ingest.EntrySession:
			if e.Session.RigFile != "name: R1" {
				t.Errorf("got the session %+v", e.Session)
			}
			b.WriteString("S")
		case ingest.EntryTick:
			b.WriteString("t")
		case ingest.EntrySample:
			fmt.Fprintf(&b, ".%d", e.Received.UnixMilli())
			if len(all) == 0 || e.Sample.Time != all[0].Time {
				t.Fatalf("got the sample of %s, want that of %v", e.Sample.Time, all)
			}
			all = all[1:]
		}
	}
	if len(all) > 0 {
		t.Errorf("the samples %v did not come", all)
	}
	return b.String()
}

func TestEntries(t *testing.T) {
	const hour = 3600 * 1000
	for _, c := range []struct {
		name string
		ms   []int64
		want string
	}{
		{"none", nil, ""},
		{"one", []int64{10}, "S.10"},
		{"ticks between", []int64{0, 400, 900, 2100}, "S.0.400t.900ttt.2100"},
		{"a tick due with a sample comes after it", []int64{0, 500, 600}, "S.0.500t.600"},
		{"repeated", []int64{0, 0, 10}, "S.0.0.10"},
		{"backward keeps the receipt reached", []int64{0, 700, 200, 800}, "S.0t.700.700.800"},
		{"far back", []int64{100 * hour, 100*hour + 1, -hour, 100*hour + 2}, "S.360000000.360000001.360000001.360000002"},
		{"one stamp far ahead", []int64{0, 1000 * hour, 600}, "S.0t.600.600"},
		{"the first stamp far ahead", []int64{1000 * hour, 600, 700}, "S.600.600.700"},
		{"a gap of an hour", []int64{0, hour}, "S.0" + strings.Repeat("t", 7199) + ".3600000"},
		{"a gap of a day has an hour of ticks", []int64{0, 24 * hour, 24*hour + 600}, "S.0" + strings.Repeat("t", 7200) + ".86400000t.86400600"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := story(t, c.ms...); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
}

func TestEntriesHandErrorsOn(t *testing.T) {
	broken := errors.New("the medium is broken")
	samples := func(yield func(ingest.Sample, error) bool) {
		_ = yield(ingest.Sample{Time: time.Unix(1, 0).UTC()}, nil) && yield(ingest.Sample{}, broken)
	}
	var got []string
	for e, err := range Entries(samples, EntryOptions{Rig: "R1"}) {
		got = append(got, fmt.Sprint(e.Seq, e.Kind, err))
	}
	want := fmt.Sprint([]string{fmt.Sprint(0, 0, broken), fmt.Sprint(1, ingest.EntrySession, nil), fmt.Sprint(2, ingest.EntrySample, nil)})
	if fmt.Sprint(got) != want {
		t.Errorf("got %v, want %s", got, want)
	}
	n := 0
	for range Entries(of([]ingest.Sample{{Time: time.Unix(1, 0)}, {Time: time.Unix(9, 0)}}), EntryOptions{Rig: "R1"}) {
		if n++; n == 3 { // amid the ticks
			break
		}
	}
}

// The field recording as a replay takes it.
func TestEntriesOfTheFieldRecording(t *testing.T) {
	n := map[ingest.Kind]int{}
	var last ingest.Entry
	for e, err := range Entries(openField(t).All(), EntryOptions{Rig: "field"}) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Seq != last.Seq+1 || e.Received.Before(last.Received) {
			t.Fatalf("got %d at %s after %d at %s", e.Seq, e.Received, last.Seq, last.Received)
		}
		n[e.Kind]++
		last = e
	}
	if n[ingest.EntrySession] != 1 || n[ingest.EntrySample] != 50000 {
		t.Errorf("got %v, want a session and 50000 samples", n)
	}
	// 13.9 h of two ticks a second.
	if ticks := n[ingest.EntryTick]; ticks < 99000 || ticks > 101000 {
		t.Errorf("got %d ticks, want about 100000", ticks)
	}
}
