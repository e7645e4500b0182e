package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/record"
)

// What the monitor deletes of its recordings stands in the recording of the day, and
// a list of holds that cannot be read keeps everything.
func TestWhatIsDeletedIsRecorded(t *testing.T) {
	dir := t.TempDir()
	recordings := filepath.Join(dir, recordingsDir)
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	rec, err := record.Open(recordings, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close(t.Context())
	for i, age := range []int{40, 3, 2, 1} {
		rec.Add(ingest.Entry{Seq: uint64(i + 1), Received: now.AddDate(0, 0, -age), Rig: "R1", Kind: ingest.EntryTick})
	}
	if err := rec.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	st := &station{
		site:     &configs.Site{Data: dir, Record: configs.Recording{Keep: 30 * 24 * time.Hour}},
		recorder: rec, log: zap.NewNop(), clock: func() time.Time { return now },
	}
	old := record.Path(recordings, "R1", now.AddDate(0, 0, -40))
	holds := filepath.Join(dir, holdsFile)
	if err := os.WriteFile(holds, []byte("not a hold\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	st.tidy(t.Context(), recordings)
	if _, err := os.Stat(old); err != nil {
		t.Fatalf("with holds that cannot be read: %v", err)
	}
	if err := os.Remove(holds); err != nil {
		t.Fatal(err)
	}
	st.tidy(t.Context(), recordings)
	if _, err := os.Stat(old); err == nil {
		t.Error("the old recording is still there")
	}
	if err := rec.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	var notes []string
	for n, err := range record.Notes(record.Path(recordings, "R1", now)) {
		if err != nil {
			t.Fatal(err)
		}
		notes = append(notes, n.Text)
	}
	if len(notes) != 1 || !strings.Contains(notes[0], "2026-10-15 was deleted") {
		t.Errorf("got the notes %q", notes)
	}
}
