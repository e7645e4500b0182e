package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"hoistward/alarms"
)

var start = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func event(n int) alarms.Event {
	return alarms.Event{Time: start.Add(time.Duration(n) * time.Second), Rig: "northfell-1", Alarm: "brake_hot",
		Event: alarms.EventRaised, State: alarms.Unacknowledged, Priority: alarms.Medium,
		Reason: fmt.Sprint("number ", n), Value: 251.5, Limit: 250, Unit: "degC", Occurrence: uint64(n), Version: 1}
}

// script answers a Writer's calls with the failures that it is given, in turn; an
// empty script lets the call through.
type script struct {
	writes []int // bytes let through before ENOSPC; -1 = all
	syncs  []error
	calls  int // writes seen
}

// scriptedFile is a real file under a script.
type scriptedFile struct {
	file
	*script
}

func (s scriptedFile) Write(b []byte) (int, error) {
	s.calls++
	if len(s.writes) == 0 {
		return s.file.Write(b)
	}
	n := s.writes[0]
	s.writes = s.writes[1:]
	if n < 0 || n >= len(b) {
		return s.file.Write(b)
	}
	n, err := s.file.Write(b[:n])
	return n, errors.Join(err, syscall.ENOSPC)
}

func (s scriptedFile) Sync() error {
	if len(s.syncs) > 0 {
		err := s.syncs[0]
		s.syncs = s.syncs[1:]
		if err != nil {
			return err
		}
	}
	return s.file.Sync()
}

// scripted opens a journal in a new directory over s.
func scripted(t *testing.T, s *script) (*Writer, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "journal.jsonl")
	w, err := open(path, "northfell-1", start, system{func(path string) (file, error) {
		f, err := openFile(path)
		return scriptedFile{f, s}, err
	}, tailOf, os.Stat})
	if err != nil {
		t.Fatal(err)
	}
	return w, path
}

// contents draws the journal: an occurrence for an event, "break" for a break entry,
// "damage" for a line that is none.
func contents(t *testing.T, path string) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var words []string
	for l, err := range Read(f) {
		var d *Damage
		switch {
		case errors.As(err, &d):
			words = append(words, "damage")
		case err != nil:
			t.Fatal(err)
		case l.Event.Event == alarms.EventJournalBreak:
			words = append(words, "break")
		default:
			words = append(words, fmt.Sprint(l.Event.Occurrence))
		}
	}
	return strings.Join(words, " ")
}

func appendN(w *Writer, from, to int) error {
	var last error
	for n := from; n <= to; n++ {
		e := event(n)
		last = w.Append(&e)
	}
	return last
}

func TestEachEventIsOneWrite(t *testing.T) {
	s := &script{}
	w, path := scripted(t, s)
	if err := appendN(w, 1, 5); err != nil || s.calls != 5 {
		t.Fatalf("%d writes, %v, want 5", s.calls, err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	b, _ := os.ReadFile(path)
	var want []byte
	for n := 1; n <= 5; n++ {
		e := event(n)
		want = append(alarms.AppendJSON(want, &e), '\n')
	}
	if !bytes.Equal(b, want) {
		t.Errorf("got\n%swant\n%s", b, want)
	}
}

func TestWhatACrashLeft(t *testing.T) {
	var three []byte
	for n := 1; n <= 3; n++ {
		e := event(n)
		three = append(alarms.AppendJSON(three, &e), '\n')
	}
	cut := bytes.LastIndexByte(three[:len(three)-1], '\n') + 1 // the third line begins here
	for _, c := range []struct {
		name   string
		damage func([]byte) []byte
		want   string
	}{
		{"nothing", func(b []byte) []byte { return b }, "1 2 3 4"},
		{"no file yet", func([]byte) []byte { return nil }, "4"},
		{"empty file", func([]byte) []byte { return []byte{} }, "4"},
		{"torn tail", func(b []byte) []byte { return b[:len(b)-30] }, "1 2 damage break 4"},
		{"one byte of a line", func(b []byte) []byte { return b[:cut+1] }, "1 2 damage break 4"},
		{"newline lost", func(b []byte) []byte { return b[:len(b)-1] }, "1 2 3 break 4"},
		{"tail of zeros", func(b []byte) []byte { return append(b[:cut], make([]byte, 5000)...) }, "1 2 damage break 4"},
		{"zeros after whole lines", func(b []byte) []byte { return append(b, 0, 0, 0) }, "1 2 3 damage break 4"},
		{"torn first line", func(b []byte) []byte { return b[:20] }, "damage break 4"},
		{"long torn line", func(b []byte) []byte { return append(b, bytes.Repeat([]byte("x"), 200<<10)...) }, "1 2 3 damage break 4"},
		{"longer than any line", func(b []byte) []byte { return append(b, bytes.Repeat([]byte("x"), MaxLine+1)...) }, "1 2 3 damage break 4"},
		{"bit flipped in the second", func(b []byte) []byte { b[cut-10] ^= 0x80; return b }, "1 damage 3 4"},
		{"not text", func([]byte) []byte { return []byte{0xff, 0xfe, '\n', 0x00} }, "damage damage break 4"},
		{"empty lines", func(b []byte) []byte { return append(b, "\n\r\n\n"...) }, "1 2 3 4"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "journal.jsonl")
			before := c.damage(bytes.Clone(three))
			if before != nil {
				if err := os.WriteFile(path, before, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			w, err := Open(path, "northfell-1", start)
			if err != nil {
				t.Fatal(err)
			}
			if err := errors.Join(appendN(w, 4, 4), w.Sync(), w.Close()); err != nil {
				t.Fatal(err)
			}
			if got := contents(t, path); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
			if after, _ := os.ReadFile(path); !bytes.HasPrefix(after, before) {
				t.Error("what the crash left was changed")
			}
		})
	}
}

func TestBreakEntrySaysWhatItIs(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.jsonl")
	if err := os.WriteFile(path, []byte(`{"time":"2026`), 0o644); err != nil {
		t.Fatal(err)
	}
	w, err := Open(path, "northfell-1", start)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	b, _ := os.ReadFile(path)
	want := "{\"time\":\"2026\n" + `{"time":"2026-11-24T12:00:00.000Z","rig":"northfell-1","alarm":"journal","event":"journal_break",` +
		`"state":"unknown","priority":"none","reason":"the line before this one has no end: its 13 bytes are as a crash left them",` +
		`"value":null,"limit":null,"unit":"","occurrence":0,"version":0}` + "\n"
	if string(b) != want {
		t.Errorf("got\n%swant\n%s", b, want)
	}
}

func TestFailuresOfTheDisk(t *testing.T) {
	bad := syscall.EIO
	for _, c := range []struct {
		name   string
		script script
		do     func(*testing.T, *Writer, string)
		want   string
	}{
		{"full, then space: in order", script{writes: []int{-1, 0, 0}}, func(t *testing.T, w *Writer, _ string) {
			mustFail(t, appendN(w, 1, 3), syscall.ENOSPC)
			if h := w.Health(); h.Held != 2 || h.Err == nil {
				t.Errorf("held %d, %v, want 2 and an error", h.Held, h.Err)
			}
			must(t, appendN(w, 4, 4))
		}, "1 2 3 4"},
		{"half a line written, then the rest", script{writes: []int{40, 7, -1}}, func(t *testing.T, w *Writer, _ string) {
			mustFail(t, appendN(w, 1, 1), syscall.ENOSPC)
			mustFail(t, w.Flush(), syscall.ENOSPC)
			must(t, appendN(w, 2, 3))
		}, "1 2 3"},
		{"a sync with lines held says no", script{writes: []int{0, 0}}, func(t *testing.T, w *Writer, _ string) {
			mustFail(t, appendN(w, 1, 1), syscall.ENOSPC)
			mustFail(t, w.Sync(), syscall.ENOSPC)
			must(t, w.Sync())
			if h := w.Health(); h.Held != 0 || h.Err != nil {
				t.Errorf("held %d, %v, want none", h.Held, h.Err)
			}
		}, "1"},
		{"a failed sync: written again", script{syncs: []error{nil, bad}}, func(t *testing.T, w *Writer, _ string) {
			must(t, appendN(w, 1, 1))
			must(t, w.Sync())
			must(t, appendN(w, 2, 3))
			mustFail(t, w.Sync(), bad)
			must(t, w.Sync())
			must(t, appendN(w, 4, 4))
		}, "1 2 3 break 2 3 4"},
		{"a disk that stays dead is not filled", script{syncs: []error{bad, bad, bad, bad}}, func(t *testing.T, w *Writer, _ string) {
			must(t, appendN(w, 1, 1))
			mustFail(t, w.Sync(), bad)
			mustFail(t, appendN(w, 2, 3), bad)
			mustFail(t, w.Sync(), bad)
			must(t, w.Sync())
		}, "1 break 1 2 3"},
		{"the file is removed", script{}, func(t *testing.T, w *Writer, path string) {
			must(t, appendN(w, 1, 1))
			must(t, w.Sync())
			must(t, appendN(w, 2, 2))
			must(t, os.Remove(path))
			must(t, appendN(w, 3, 3))
			must(t, w.Sync())
		}, "break 2 3"},
		{"the file is moved and another stands there, torn", script{}, func(t *testing.T, w *Writer, path string) {
			must(t, appendN(w, 1, 2))
			must(t, os.Rename(path, path+".old"))
			must(t, os.WriteFile(path, []byte("{"), 0o644))
			must(t, w.Sync())
			if got := contents(t, path+".old"); got != "1 2" {
				t.Errorf("the moved file holds %q, want \"1 2\"", got)
			}
		}, "damage break 1 2"},
		{"removed while half a line is written", script{writes: []int{40}}, func(t *testing.T, w *Writer, path string) {
			mustFail(t, appendN(w, 1, 1), syscall.ENOSPC)
			must(t, os.Remove(path))
			must(t, w.Sync())
		}, "break 1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w, path := scripted(t, &c.script)
			c.do(t, w, path)
			must(t, w.Close())
			if got := contents(t, path); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestMoreThanCanBeHeldIsCounted(t *testing.T) {
	s := &script{}
	w, path := scripted(t, s)
	e := event(1)
	e.Reason = strings.Repeat("x", 1<<20-1000)
	for range 40 {
		s.writes = []int{0}
		mustFail(t, w.Append(&e), syscall.ENOSPC)
	}
	h := w.Health()
	if h.Held+int(h.Lost) != 40 || h.Held < 15 || h.Lost == 0 {
		t.Fatalf("held %d, lost %d, want 40 together and 15 held", h.Held, h.Lost)
	}
	s.writes = nil
	must(t, w.Flush())
	e = event(2)
	must(t, w.Append(&e))
	must(t, w.Close())
	want := strings.Repeat("1 ", h.Held) + "break 2"
	if got := contents(t, path); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if w.Health().Lost != h.Lost {
		t.Error("the count of lost lines was forgotten")
	}
}

func TestOpenSaysWhatItCannotDo(t *testing.T) {
	dir := t.TempDir()
	if _, err := Open(dir, "r", start); err == nil {
		t.Error("a directory was opened as a journal")
	}
	if _, err := Open(filepath.Join(dir, "no", "journal.jsonl"), "r", start); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("in a directory that is not there: %v", err)
	}
	readOnly := system{func(string) (file, error) { return nil, os.ErrPermission }, tailOf, os.Stat}
	if _, err := open(filepath.Join(dir, "j"), "r", start, readOnly); !errors.Is(err, os.ErrPermission) {
		t.Errorf("read-only: %v", err)
	}
}

func TestCloseSaysWhatIsLost(t *testing.T) {
	w, _ := scripted(t, &script{writes: []int{0, 0, 0}})
	mustFail(t, appendN(w, 1, 2), syscall.ENOSPC)
	err := w.Close()
	mustFail(t, err, syscall.ENOSPC)
	if !strings.Contains(err.Error(), "2 lines are lost") {
		t.Errorf("%v, want the number of lines", err)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func mustFail(t *testing.T, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Fatalf("got %v, want %v", err, want)
	}
}

func TestReaderErrorEndsIt(t *testing.T) {
	e := event(1)
	r := io.MultiReader(bytes.NewReader(append(alarms.AppendJSON(nil, &e), '\n')), failing{})
	var got []error
	for l, err := range Read(r) {
		got = append(got, err)
		if err == nil && (l.Number != 1 || l.Event.Occurrence != 1) {
			t.Errorf("%+v", l)
		}
	}
	if len(got) != 2 || got[0] != nil || !errors.Is(got[1], syscall.EIO) {
		t.Errorf("got %v, want an event and the error", got)
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, syscall.EIO }

func TestReadTellsTheLine(t *testing.T) {
	e := event(1)
	good := string(alarms.AppendJSON(nil, &e))
	var at []int
	for _, err := range Read(strings.NewReader(good + "\n\n{}\n" + good + "\nx")) {
		var d *Damage
		if errors.As(err, &d) {
			at = append(at, d.Line)
		}
	}
	if fmt.Sprint(at) != "[3 5]" {
		t.Errorf("damage at %v, want [3 5]", at)
	}
	for range Read(strings.NewReader(good + "\n" + good)) {
		break // stopping early must not go on
	}
}

func BenchmarkAppend(b *testing.B) {
	w, err := Open(filepath.Join(b.TempDir(), "journal.jsonl"), "northfell-1", start)
	if err != nil {
		b.Fatal(err)
	}
	e := event(1)
	e.Limit = math.NaN()
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Append(&e); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
}
