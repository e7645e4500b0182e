package record

import (
	"context"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"hoistward/ingest"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// exactly compares floats by their bits and times by instant and place.
var exactly = cmp.Options{
	cmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }),
	cmp.Comparer(func(a, b time.Time) bool { return a == b }),
}

func open(t testing.TB, dir string, o Options) *Recorder {
	t.Helper()
	r, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close(t.Context()) })
	return r
}

func closeNow(t testing.TB, r *Recorder) {
	t.Helper()
	if err := r.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func readAll(t testing.TB, paths ...string) []ingest.Entry {
	t.Helper()
	var all []ingest.Entry
	for e, err := range Read(paths...) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, e)
	}
	return all
}

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// sampleAt is a sample of eight channels that follows from seq alone.
func sampleAt(rig string, seq uint64) ingest.Entry {
	at := noon.Add(time.Duration(seq) * 100 * time.Millisecond)
	e := ingest.Entry{Seq: seq, Received: at.Add(37 * time.Microsecond), Rig: rig, Kind: ingest.EntrySample}
	e.Sample.Time = at
	for c := range ingest.Channel(8) {
		e.Sample.Set(c, ingest.Number(math.Sin(float64(seq)*0.01+float64(c))*1e6))
	}
	return e
}

func number() *rapid.Generator[float64] {
	return rapid.OneOf(
		rapid.SampledFrom([]float64{0, math.Copysign(0, -1), 5e-324, -5e-324, 2.2250738585072011e-308,
			math.MaxFloat64, -math.MaxFloat64, 1 << 53, 1<<53 + 2, 1e18, 123456789, -1, 0.1}),
		rapid.Float64(),
		rapid.Map(rapid.Int64(), func(i int64) float64 { return float64(i) }),
	)
}

func value() *rapid.Generator[ingest.Value] {
	return rapid.Custom(func(t *rapid.T) ingest.Value {
		reason := ingest.Reason(rapid.IntRange(0, int(ingest.NumReasons)-1).Draw(t, "reason"))
		switch ingest.Quality(rapid.IntRange(0, 3).Draw(t, "quality")) {
		case ingest.Bad:
			return ingest.BadValue(reason)
		case ingest.Uncertain:
			return ingest.Value{V: number().Draw(t, "v"), Quality: ingest.Uncertain, Reason: reason}
		case ingest.Good:
			return ingest.Number(number().Draw(t, "v"))
		}
		return ingest.Value{V: number().Draw(t, "v"), Quality: ingest.Good, Reason: reason}
	})
}

func anyTime() *rapid.Generator[time.Time] {
	return rapid.OneOf(
		rapid.Map(rapid.Int64(), func(ns int64) time.Time { return time.Unix(0, ns).UTC() }),
		rapid.Just(time.Time{}),
		rapid.Map(rapid.Int64Range(-1<<40, 1<<40), func(s int64) time.Time { return time.Unix(s, 999999999).UTC() }),
	)
}

func entry() *rapid.Generator[ingest.Entry] {
	return rapid.Custom(func(t *rapid.T) ingest.Entry {
		text := rapid.String()
		e := ingest.Entry{Kind: ingest.Kind(rapid.IntRange(1, 6).Draw(t, "kind"))}
		switch e.Kind {
		case ingest.EntrySample:
			e.Sample.Time = anyTime().Draw(t, "time")
			for c := range ingest.NumChannels {
				if rapid.Bool().Draw(t, "named") {
					e.Sample.Set(c, value().Draw(t, "value"))
				}
			}
		case ingest.EntryAct:
			e.Act = &ingest.Act{Do: text.Draw(t, "do"), Alarm: text.Draw(t, "alarm"), Channel: text.Draw(t, "channel"),
				Occurrence: rapid.Uint64().Draw(t, "occurrence"), Version: rapid.Uint64().Draw(t, "version"), Person: text.Draw(t, "person")}
		case ingest.EntryLink:
			e.Link = &ingest.Link{Source: text.Draw(t, "source"), State: text.Draw(t, "state"), Detail: text.Draw(t, "detail")}
		case ingest.EntrySession:
			e.Session = &ingest.Session{Software: text.Draw(t, "software"), RigFile: text.Draw(t, "rig file"), Alarms: text.Draw(t, "alarms")}
		case ingest.EntryGap:
			e.Gap = &ingest.Gap{Lost: rapid.Uint64().Draw(t, "lost"), Reason: text.Draw(t, "reason")}
		}
		return e
	})
}

func TestEveryEntryComesBackExactly(t *testing.T) {
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		here := filepath.Join(dir, time.Duration(n).String())
		r, err := Open(here, Options{})
		if err != nil {
			t.Fatal(err)
		}
		entries := rapid.SliceOfN(entry(), 1, 20).Draw(t, "entries")
		at := time.Unix(0, rapid.Int64Range(-9e18, 9e18).Draw(t, "start")).UTC()
		seq := rapid.Uint64Range(0, 1<<62).Draw(t, "seq")
		for i := range entries {
			e := &entries[i]
			e.Rig, e.Seq, e.Received = "R1", seq, at
			at = at.Add(time.Duration(rapid.Int64Range(0, 3e13).Draw(t, "step")))
			seq += rapid.Uint64Range(1, 1<<40).Draw(t, "rise")
			if !r.Add(*e) {
				t.Fatal("entry not taken")
			}
		}
		if err := r.Close(context.Background()); err != nil {
			t.Fatal(err)
		}
		if s := r.Status(); s.Written != uint64(len(entries)) || s.LastError != "" {
			t.Fatalf("got status %+v, want %d written", s, len(entries))
		}
		var got []ingest.Entry
		for e, err := range Read(here) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, e)
		}
		if d := cmp.Diff(entries, got, exactly); d != "" {
			t.Fatal(d)
		}
	})
}

func TestTwoDaysOverMidnight(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{})
	var want []ingest.Entry
	at := time.Date(2026, 11, 24, 23, 59, 59, 0, time.UTC)
	for seq := uint64(1); seq <= 40; seq++ {
		e := sampleAt("R1", seq)
		e.Received = at.Add(time.Duration(seq) * 50 * time.Millisecond)
		want = append(want, e)
		r.Add(e)
	}
	closeNow(t, r)
	files, err := Files(dir)
	if err != nil {
		t.Fatal(err)
	}
	names := []string{filepath.Join(dir, "R1", "R1-2026-11-24.sqlite"), filepath.Join(dir, "R1", "R1-2026-11-25.sqlite")}
	if !slices.Equal(files, names) {
		t.Fatalf("got files %v, want %v", files, names)
	}
	if d := cmp.Diff(want, readAll(t, dir), exactly); d != "" {
		t.Error(d)
	}
	first := readAll(t, names[0])
	if n := len(first); n != 19 || dayOf(first[n-1].Received) != "2026-11-24" {
		t.Errorf("got %d entries on the first day, want the 19 before midnight", n)
	}
}
