package record

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"hoistward/ingest"
)

func digestFolder(t *testing.T, change func(i int, e *ingest.Entry)) string {
	t.Helper()
	dir := t.TempDir()
	rec, err := Open(dir, Options{Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for i := range 500 {
		at := start.Add(time.Duration(i) * 100 * time.Millisecond)
		e := ingest.Entry{Seq: uint64(i + 1), Rig: "R1", Received: at, Kind: ingest.EntrySample}
		if i == 0 {
			e.Kind, e.Session = ingest.EntrySession, &ingest.Session{Software: "test", RigFile: "rig: R1\n"}
		} else {
			e.Sample.Time = at
			e.Sample.Set(ingest.HookLoad, ingest.Number(3e5+float64(i)))
			e.Sample.Set(ingest.BlockHeight, ingest.BadValue(ingest.Null))
		}
		if change != nil {
			change(i, &e)
		}
		if !rec.Add(e) {
			t.Fatalf("entry %d was not taken", i)
		}
	}
	if err := rec.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	return Path(dir, "R1", start)
}

func digestOf(t *testing.T, path string) Contents {
	t.Helper()
	c, err := Digest(path)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A copy by the database's own backup lays its pages out anew and is the same evidence.
func TestDigestOutlivesACopy(t *testing.T) {
	path := digestFolder(t, nil)
	whole := digestOf(t, path)
	if whole.Entries != 500 || whole.FirstSeq != 1 || whole.LastSeq != 500 || whole.Rig != "R1" || len(whole.Damage) != 0 {
		t.Fatalf("%+v", whole)
	}
	dst := filepath.Join(t.TempDir(), "copy.sqlite")
	if err := Copy(t.Context(), path, dst); err != nil {
		t.Fatal(err)
	}
	again := digestOf(t, dst)
	if again.EntryHash != whole.EntryHash {
		t.Error("the copy's entries have another digest")
	}
	if rig, err := RigOf(dst); rig != "R1" || err != nil {
		t.Errorf("rig %q, %v", rig, err)
	}
}

// Every part of an entry counts.
func TestDigestSeesEachChange(t *testing.T) {
	seen := map[string]string{}
	for name, change := range map[string]func(int, *ingest.Entry){
		"nothing": nil,
		"value":   func(i int, e *ingest.Entry) { setAt(i, 77, func() { e.Sample.Values[ingest.HookLoad].V += 0.5 }) },
		"quality": func(i int, e *ingest.Entry) {
			setAt(i, 77, func() { e.Sample.Values[ingest.HookLoad].Quality = ingest.Uncertain })
		},
		"reason": func(i int, e *ingest.Entry) {
			setAt(i, 77, func() { e.Sample.Values[ingest.BlockHeight].Reason = ingest.WrongType })
		},
		"time":     func(i int, e *ingest.Entry) { setAt(i, 77, func() { e.Sample.Time = e.Sample.Time.Add(1) }) },
		"received": func(i int, e *ingest.Entry) { setAt(i, 77, func() { e.Received = e.Received.Add(1) }) },
		"session":  func(i int, e *ingest.Entry) { setAt(i, 0, func() { e.Session.RigFile += " " }) },
	} {
		hash := digestOf(t, digestFolder(t, change)).EntryHash
		if other, twice := seen[hash]; twice {
			t.Errorf("a change of %s and of %s have one digest", name, other)
		}
		seen[hash] = name
	}
}

func setAt(i, at int, f func()) {
	if i == at {
		f()
	}
}

func TestDigestOfDamage(t *testing.T) {
	path := digestFolder(t, nil)
	whole := digestOf(t, path)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b[:len(b)*2/3], 0o644); err != nil {
		t.Fatal(err)
	}
	torn, err := Digest(path)
	if err == nil && (torn.EntryHash == whole.EntryHash || len(torn.Damage) == 0) {
		t.Errorf("a torn file: %+v, want its damage told and another digest", torn)
	}
}
