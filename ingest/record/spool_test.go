package record

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
)

const spoolRigs = 5

// addSpooled adds entries, and with each of them a journal line, a note, a reject and an
// estimate, to rigs in turn.
func addSpooled(t *testing.T, r *Recorder, from, to uint64) {
	t.Helper()
	for seq := from; seq <= to; seq++ {
		e := sampleAt(fmt.Sprint("R", seq%spoolRigs), seq)
		ok := r.Add(e) && r.AddEvent(e.Rig, seq, e.Received, fmt.Append(nil, seq)) && r.AddNote(e.Rig, e.Received, fmt.Sprint(seq)) &&
			r.AddReject(e.Rig, e.Received, "s", "r", fmt.Sprint(seq), 1) &&
			r.AddEstimate(e.Rig, seq, e.Received, e.Received, Answers{[]float64{float64(seq), 2}, []string{"still"}})
		if !ok {
			t.Fatalf("entry %d or what belongs to it was not taken: %+v", seq, r.Status())
		}
	}
}

// spoolOptions leave all rigs but one to the spool until somebody asks for more.
var spoolOptions = Options{Interval: time.Hour, OpenFiles: 1, Estimates: someColumns}

// killedWith returns a copy of dir as a process that is killed now leaves it.
func killedWith(t *testing.T, dir string) string {
	t.Helper()
	to := t.TempDir()
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// spooledRun returns a folder as a killed process leaves it, whose spool is one segment
// of five frames with a hundred entries each.
func spooledRun(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	r := open(t, dir, spoolOptions)
	for i := range uint64(5) {
		addSpooled(t, r, i*100+1, i*100+100)
		flush(t, r)
	}
	defer closeNow(t, r)
	return killedWith(t, dir)
}

// counted reads all of dir, and returns how many of entries 1 to most are there. Each
// must be there once, with all that belongs to it.
func counted(t *testing.T, dir string, most uint64) (n int) {
	t.Helper()
	seen, lines := map[uint64]int{}, map[string]int{}
	for _, e := range readAll(t, dir) {
		if e.Kind == ingest.EntrySample {
			if e != sampleAt(fmt.Sprint("R", e.Seq%spoolRigs), e.Seq) {
				t.Fatalf("got %+v", e)
			}
			seen[e.Seq]++
		}
	}
	count := func(kind string, seq any, err error) {
		if err != nil {
			t.Fatal(err)
		}
		lines[fmt.Sprint(kind, seq)]++
	}
	for e, err := range Events(dir) {
		count("event", string(e.Line), err)
	}
	for e, err := range Notes(dir) {
		count("note", e.Text, err)
	}
	for e, err := range Rejects(dir) {
		count("reject", e.Detail, err)
	}
	for e, err := range Estimates(dir) {
		if !(e.Number("height_m") == float64(e.Seq)) {
			t.Fatalf("got the estimate %+v", e)
		}
		count("estimate", e.Seq, err)
	}
	for seq := uint64(1); seq <= most; seq++ {
		for _, kind := range []string{"event", "note", "reject", "estimate"} {
			if got := lines[fmt.Sprint(kind, seq)]; got != seen[seq] || got > 1 {
				t.Fatalf("entry %d is there %d times and its %s %d times", seq, seen[seq], kind, got)
			}
		}
		n += seen[seq]
	}
	return n
}

func segmentOf(t *testing.T, dir string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, spoolFolder, "*"+spoolEnding))
	if err != nil || len(found) != 1 {
		t.Fatalf("got the segments %v, %v, want one", found, err)
	}
	return found[0]
}

// frameAt returns where the n-th frame begins.
func frameAt(b []byte, n int) int {
	at := 0
	for range n {
		at += strings.Index(string(b[at:]), frameMagic) + 1
	}
	return at - 1
}

func TestSpoolDamage(t *testing.T) {
	run := spooledRun(t)
	at := func(n, behind int) func(*testing.T, string) {
		return change("", func(b []byte) []byte { b[frameAt(b, n)+behind] ^= 0x11; return b })
	}
	// Of each hundred entries twenty are of the rig whose file stays open.
	for _, c := range []struct {
		name        string
		damage      func(*testing.T, string)
		least, most int
		told        bool
	}{
		{"none", func(*testing.T, string) {}, 500, 500, false},
		{"torn tail, a byte", change("", func(b []byte) []byte { return b[:len(b)-1] }), 420, 420, true},
		{"torn tail, half", change("", func(b []byte) []byte { return b[:len(b)/2] }), 260, 260, true},
		{"flipped byte in the second frame's rows", at(2, 300), 420, 420, true},
		{"flipped byte in the first frame's length", at(1, 4), 420, 420, true},
		{"flipped byte in the third frame's checksum", at(3, 9), 420, 420, true},
		{"flipped byte in a frame's beginning", at(4, 1), 420, 420, true},
		{"flipped byte in the head", change("", func(b []byte) []byte { b[segmentHead+3] ^= 1; return b }), 100, 100, true},
		{"another version", change("", func(b []byte) []byte { b[7] = '2'; return b }), 100, 100, true},
		{"zero length", change("", func([]byte) []byte { return nil }), 100, 100, true},
		{"all zeros", change("", func(b []byte) []byte { return make([]byte, len(b)) }), 100, 100, true},
		{"gone", func(_ *testing.T, path string) { os.Remove(path) }, 100, 100, false},
		{"a rig's file is gone", func(_ *testing.T, path string) {
			os.RemoveAll(filepath.Join(filepath.Dir(path), "..", "R0"))
		}, 400, 400, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := killedWith(t, run)
			c.damage(t, segmentOf(t, dir))
			r := open(t, dir, spoolOptions)
			s := r.Status()
			if told := s.LastError != ""; told != c.told {
				t.Errorf("got status %+v, want the damage told: %v", s, c.told)
			}
			addSpooled(t, r, 1001, 1100)
			closeNow(t, r)
			n := counted(t, dir, 1100)
			if n-100 < c.least || n-100 > c.most {
				t.Errorf("got %d of 500 entries, want %d to %d", n-100, c.least, c.most)
			}
			aside, err := filepath.Glob(filepath.Join(dir, spoolFolder, "*.spool.*-*"))
			if err != nil || (len(aside) == 1) != c.told {
				t.Errorf("got %v set aside, %v, want one: %v", aside, err, c.told)
			}
			if _, err := os.Stat(filepath.Join(dir, spoolFolder)); errors.Is(err, os.ErrNotExist) == c.told {
				t.Errorf("the spool's folder: got %v, want it there only for what was set aside", err)
			}
			for _, f := range sqliteFiles(t, dir) {
				integrity(t, f)
			}
		})
	}
}

func sqliteFiles(t *testing.T, dir string) []string {
	t.Helper()
	files, err := Files(dir)
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// Rows come into the files in parts, and the process is killed between two of them, or
// while it folds: each row is there once. Reading the folder folds the spool too.
func TestSpooledRowsComeOnce(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, spoolOptions)
	addSpooled(t, r, 1, 300)
	flush(t, r)
	half := killedWith(t, dir)
	for i, rig := range []string{"R2", "R3", "R4"} { // they come into their files, whose rows are still in the spool
		if err := r.settle(t.Context(), rig); err != nil {
			t.Fatal(err)
		}
		from := uint64(301 + 100*i)
		addSpooled(t, r, from, from+99)
		flush(t, r)
	}
	late := killedWith(t, dir)
	closeNow(t, r)
	if n := counted(t, half, 300); n != 300 {
		t.Errorf("got %d entries, want 300", n)
	}
	segment := segmentOf(t, late)
	b, err := os.ReadFile(segment)
	if err != nil {
		t.Fatal(err)
	}
	if last, err := LastSeq(late); err != nil || last != 600 {
		t.Errorf("got last seq %d, %v, want that of the spool, 600", last, err)
	}
	closeNow(t, open(t, late, spoolOptions))
	if err := os.MkdirAll(filepath.Dir(segment), 0o755); err != nil { // killed before the segment was removed
		t.Fatal(err)
	}
	if err := os.WriteFile(segment, b, 0o644); err != nil {
		t.Fatal(err)
	}
	if n := counted(t, late, 600); n != 600 {
		t.Errorf("got %d entries, want 600", n)
	}
}

// The spool stays within its bound, also where a file that cannot be written keeps its
// rows in it; they come into the file when it can be, and are safe until then.
func TestSpoolIsBounded(t *testing.T) {
	const most = 64 << 10
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: 2 * time.Millisecond, Retry: time.Hour, OpenFiles: 1, Spool: most, Estimates: someColumns})
	addSpooled(t, r, 1, spoolRigs)
	for rig := range spoolRigs {
		if err := r.settle(t.Context(), fmt.Sprint("R", rig)); err != nil {
			t.Fatal(err)
		}
	}
	release := lock(t, Path(dir, "R3", noon))
	defer release()
	const last = 4000
	rewritten := 0
	for seq, before := uint64(spoolRigs+1), uint64(0); seq <= last; seq++ {
		addSpooled(t, r, seq, seq)
		if seq%40 == 0 {
			_ = r.Flush(t.Context()) // it says that R3 cannot be written
		}
		s := r.Status()
		if s.Spool < before {
			rewritten++
		}
		before = s.Spool
		if limit := uint64(3*most + 2*600*s.Queued); s.Spool > limit { // a row and what belongs to it take less than 600 bytes
			t.Fatalf("got a spool of %d bytes with %d rows waiting, want at most %d", s.Spool, s.Queued, limit)
		}
	}
	if rewritten == 0 {
		t.Error("nothing of the spool was ever removed")
	}
	dead := killedWith(t, dir)
	release()
	if n := counted(t, dead, last); n != last {
		t.Errorf("after a kill: got %d entries, want %d", n, last)
	}
	closeNow(t, r)
	if n := counted(t, dir, last); n != last {
		t.Errorf("got %d entries, want %d", n, last)
	}
}

// Where the spool cannot be written, rows are confirmed in their files; it is told.
func TestASpoolThatCannotBeWritten(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, spoolFolder), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	r := open(t, dir, spoolOptions)
	addSpooled(t, r, 1, 100)
	if err := r.Flush(t.Context()); err == nil || !strings.Contains(err.Error(), "spool") {
		t.Errorf("got %v, want that the spool cannot be written", err)
	}
	if s := r.Status(); s.Written != 100 || !strings.Contains(s.LastError, "spool") {
		t.Errorf("got status %+v, want 100 written and the trouble told", s)
	}
	dead := killedWith(t, dir)
	closeNow(t, r)
	if err := os.Remove(filepath.Join(dead, spoolFolder)); err != nil {
		t.Fatal(err)
	}
	if n := counted(t, dead, 100); n != 100 {
		t.Errorf("got %d entries, want 100", n)
	}
}

// What an older program has left has other columns of estimates.
func TestSpoolOfOtherColumns(t *testing.T) {
	dir := spooledRun(t)
	o := spoolOptions
	o.Estimates = slices.Concat([]Column{{"later", true}}, someColumns[:1])
	r := open(t, dir, o)
	if s := r.Status(); s.LastError != "" || s.Refused != 0 {
		t.Errorf("got status %+v", s)
	}
	closeNow(t, r)
	if n := counted(t, dir, 500); n != 500 {
		t.Errorf("got %d entries, want 500", n)
	}
}
