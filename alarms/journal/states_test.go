package journal

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
)

func stateOf(t *testing.T, a alarms.Alarm) []byte {
	t.Helper()
	b, err := alarms.MarshalState(&alarms.Saved{At: a.Since, Alarms: map[alarms.Key]alarms.Alarm{{Alarm: "overhoist"}: a}})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func standing(state alarms.State, occurrence, version uint64, by string) alarms.Alarm {
	i := alarms.At(start)
	return alarms.Alarm{State: state, Priority: alarms.High, Occurrence: occurrence, Version: version, Since: i, Raised: i, Evaluated: i, AcknowledgedBy: by}
}

func line(event alarms.EventKind, state alarms.State, occurrence, version uint64, person string) *alarms.Event {
	return &alarms.Event{Time: start.Add(time.Minute), Rig: "R1", Alarm: "overhoist", Event: event, State: state, Priority: alarms.High,
		Occurrence: occurrence, Version: version, Person: person}
}

// load reads the state of R1 back, with a journal of the given lines.
func load(t *testing.T, dir string, lines ...*alarms.Event) (alarms.Alarm, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "journal.jsonl")
	w, err := Open(path, "R1", start)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range lines {
		if err := w.Append(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	s := OpenStates(dir, nil)
	text, lost, err := s.Load("R1", start.Add(time.Hour), path)
	if err = errors.Join(err, s.Close(t.Context())); err != nil {
		t.Fatal(err)
	}
	if text == "" {
		return alarms.Alarm{}, lost
	}
	saved, err := alarms.UnmarshalState([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return saved.Alarms[alarms.Key{Alarm: "overhoist"}], lost
}

// What the journal says beyond the saved state is taken up: a crash between the two
// loses nothing.
func TestTheJournalFillsWhatTheStateLacks(t *testing.T) {
	saved := standing(alarms.Unacknowledged, 3, 7, "")
	for _, c := range []struct {
		name  string
		lines []*alarms.Event
		state alarms.State
		occ   uint64
		by    string
	}{
		{"nothing newer", []*alarms.Event{line(alarms.EventRaised, alarms.Unacknowledged, 3, 7, "")}, alarms.Unacknowledged, 3, ""},
		{"acknowledged", []*alarms.Event{line(alarms.EventAcknowledged, alarms.Acknowledged, 3, 8, "A. Roos")}, alarms.Acknowledged, 3, "A. Roos"},
		{"acknowledged and raised again", []*alarms.Event{line(alarms.EventAcknowledged, alarms.Acknowledged, 3, 8, "A. Roos"),
			line(alarms.EventCleared, alarms.LatchedAcknowledged, 3, 9, ""), line(alarms.EventRaised, alarms.Unacknowledged, 4, 10, "")}, alarms.Unacknowledged, 4, ""},
		{"cleared under a suppression", []*alarms.Event{line(alarms.EventCleared, alarms.Suppressed, 3, 8, "")}, alarms.LatchedUnacknowledged, 3, ""},
		{"an older line", []*alarms.Event{line(alarms.EventAcknowledged, alarms.Acknowledged, 2, 5, "A. Roos")}, alarms.Unacknowledged, 3, ""},
		{"a refused act", []*alarms.Event{line(alarms.EventRefused, alarms.Unknown, 9, 99, "A. Roos")}, alarms.Unacknowledged, 3, ""},
		{"another rig", []*alarms.Event{{Time: start, Rig: "R2", Alarm: "overhoist", Event: alarms.EventRaised, State: alarms.Unacknowledged, Occurrence: 9, Version: 99}}, alarms.Unacknowledged, 3, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "R1.json"), stateOf(t, saved), 0o644); err != nil {
				t.Fatal(err)
			}
			a, lost := load(t, dir, c.lines...)
			if lost != "" || a.State != c.state || a.Occurrence != c.occ || a.AcknowledgedBy != c.by {
				t.Errorf("lost %q, %+v; want %v, occurrence %d, by %q", lost, a, c.state, c.occ, c.by)
			}
		})
	}
}

// A state that cannot be read is set aside, and what the journal knows comes back as
// nobody had acknowledged it.
func TestADamagedStateIsSetAside(t *testing.T) {
	good := stateOf(t, standing(alarms.Acknowledged, 3, 7, "A. Roos"))
	for name, damaged := range map[string][]byte{"empty": {}, "torn": good[:len(good)/2], "a bit": append([]byte{good[0] ^ 1}, good[1:]...)} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "R1.json"), damaged, 0o644); err != nil {
				t.Fatal(err)
			}
			a, lost := load(t, dir, line(alarms.EventAcknowledged, alarms.Acknowledged, 3, 7, "A. Roos"))
			if !strings.Contains(lost, "set aside as R1.json.damaged-") {
				t.Errorf("lost: %q", lost)
			}
			if a.State != alarms.Unacknowledged || a.Occurrence != 3 || a.AcknowledgedBy != "" {
				t.Errorf("came back as %+v, want unacknowledged", a)
			}
			aside, _ := filepath.Glob(filepath.Join(dir, "R1.json.damaged-*"))
			if len(aside) != 1 {
				t.Fatalf("set aside: %v", aside)
			}
			if b, _ := os.ReadFile(aside[0]); string(b) != string(damaged) {
				t.Error("the file that was set aside is another")
			}
		})
	}
}

// A disk that refuses is told once, an act waits for it with the reason, and the state
// is written when the disk comes back.
func TestStatesOnADiskThatRefuses(t *testing.T) {
	full := make(chan bool, 1)
	full <- true
	var told []error
	s := openStates(t.TempDir(), func(err error) { told = append(told, err) }, func(path string, b []byte) error {
		refuse := <-full
		full <- refuse
		if refuse {
			return errors.New("no space left on device")
		}
		return ReplaceFile(path, b)
	})
	s.Keep("R1", stateOf(t, standing(alarms.Acknowledged, 1, 2, "A. Roos")))
	for range 2 {
		if err := s.Sync("R1"); err == nil || !strings.Contains(err.Error(), "no space left") {
			t.Errorf("confirmed on a full disk: %v", err)
		}
	}
	<-full
	full <- false
	if err := s.Sync("R1"); err != nil {
		t.Errorf("the disk came back: %v", err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if len(told) != 1 {
		t.Errorf("told %d times, want once: %v", len(told), told)
	}
	if _, err := os.Stat(s.path("R1")); err != nil {
		t.Error(err)
	}
}

func TestFiguresOfAJournalOnDisk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.jsonl")
	w, err := Open(path, "R1", start)
	if err != nil {
		t.Fatal(err)
	}
	for n := range 12 {
		e := line(alarms.EventRaised, alarms.Unacknowledged, uint64(n+1), uint64(2*n+1), "")
		e.Time = start.Add(time.Duration(n) * 20 * time.Second)
		if n == 11 {
			e.Rig = "R2"
		}
		if err := w.Append(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.AppendLine(start, []byte("not an event")), w.Close()); err != nil {
		t.Fatal(err)
	}
	f, damaged, err := Figures(path, []string{"R1"}, start, start.Add(time.Hour))
	if err != nil || damaged != 1 || f.Raised != 11 || f.PeakTenMin != 11 || len(f.Floods) != 1 {
		t.Errorf("%v, %d damaged: %+v; want 11 raised in one flood", err, damaged, f)
	}
	if all, _, _ := Figures(path, nil, start, start.Add(time.Hour)); all.Raised != 12 {
		t.Errorf("all rigs: %d raised, want 12", all.Raised)
	}
}

// Another disk in the place of the one before has no folder yet: it is made.
func TestAStateIsWrittenWhereItsFolderIsGone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state", "R1.json")
	if err := ReplaceFile(path, []byte("kept")); err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != "kept" {
		t.Errorf("got %q, %v", got, err)
	}
}
