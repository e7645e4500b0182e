package record

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"hoistward/ingest"
)

const before = 5000 // entries in the file that is damaged

// crashed returns a folder with a recording as a killed process leaves it: the
// main file with what has been checkpointed, and a log beside it.
func crashed(t *testing.T) string {
	t.Helper()
	live, dir := t.TempDir(), t.TempDir()
	r := open(t, live, Options{})
	for seq := uint64(1); seq <= before; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	flush(t, r)
	from, to := Path(live, "R1", noon), Path(dir, "R1", noon)
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, ending := range []string{"", "-wal"} {
		b, err := os.ReadFile(from + ending)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to+ending, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// finished returns a folder with a recording that was closed.
func finished(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	r := open(t, dir, Options{})
	for seq := uint64(1); seq <= before; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	closeNow(t, r)
	return dir
}

// halfFolded returns a folder with a recording as a process leaves it that is killed
// when it gives up the write-ahead log: a rollback journal is beside the file.
func halfFolded(t *testing.T) string {
	t.Helper()
	from := finished(t)
	path := Path(from, "R1", noon)
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, q := range []string{"PRAGMA cache_size=1", "PRAGMA cache_spill=1", "BEGIN IMMEDIATE", "UPDATE entry SET received = received + 1"} {
		if _, err := db.Exec(q); err != nil {
			t.Fatal(err)
		}
	}
	to := t.TempDir() // as the disk is now, in the midst of the transaction
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(Path(to, "R1", noon) + "-journal"); err != nil || st.Size() == 0 {
		t.Fatalf("no journal beside the copy: %v", err)
	}
	return to
}

// change rewrites a file.
func change(ending string, f func(b []byte) []byte) func(*testing.T, string) {
	return func(t *testing.T, path string) {
		t.Helper()
		b, err := os.ReadFile(path + ending)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path+ending, f(b), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func flip(at int) func(*testing.T, string) {
	return change("", func(b []byte) []byte { b[at] ^= 0xff; return b })
}

func execute(statement string) func(*testing.T, string) {
	return func(t *testing.T, path string) {
		t.Helper()
		db, err := sql.Open("sqlite", path)
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		if _, err := db.Exec(statement); err != nil {
			t.Fatal(err)
		}
	}
}

func TestDamage(t *testing.T) {
	const page = 4096
	for _, c := range []struct {
		name   string
		make   func(*testing.T) string
		damage func(*testing.T, string)
		least  int   // entries that Read gives of the damaged file
		read   error // that Read says of it
		aside  bool  // the recorder begins a new file
	}{
		{"none, closed", finished, func(*testing.T, string) {}, before, nil, false},
		{"none, killed", crashed, func(*testing.T, string) {}, before, nil, false},
		{"torn tail, a byte", finished, change("", func(b []byte) []byte { return b[:len(b)-1] }), 4000, ErrDamaged, true},
		{"torn tail, half", finished, change("", func(b []byte) []byte { return b[:len(b)/2] }), 0, ErrDamaged, true},
		{"flipped byte in the header", finished, flip(3), 0, ErrNotRecording, true},
		{"flipped byte in the schema", finished, flip(100), 0, ErrDamaged, true},
		{"flipped byte in a page's head", finished, flip(60 * page), 1000, ErrDamaged, true},
		{"zero length", finished, change("", func([]byte) []byte { return nil }), 0, ErrNotRecording, false},
		{"all zeros", finished, change("", func(b []byte) []byte { return make([]byte, len(b)) }), 0, ErrNotRecording, true},
		{"text", finished, change("", func([]byte) []byte { return []byte("time,hook_load[kN]\n1,2\n") }), 0, ErrNotRecording, true},
		{"another program's database", finished, func(t *testing.T, path string) {
			os.Remove(path)
			execute("CREATE TABLE cargo (n)")(t, path)
		}, 0, ErrNotRecording, true},
		{"newer format", finished, execute("PRAGMA user_version=3"), 0, ErrNewer, true},
		{"a table is gone", finished, execute("DROP TABLE meta"), 0, ErrDamaged, true},
		{"log missing", crashed, func(t *testing.T, path string) { os.Remove(path + "-wal") }, 0, nil, false},
		{"log torn, a byte", crashed, change("-wal", func(b []byte) []byte { return b[:len(b)-1] }), 3000, nil, false},
		{"log torn, half", crashed, change("-wal", func(b []byte) []byte { return b[:len(b)/2] }), 1, nil, false},
		{"killed while the log was folded", halfFolded, func(*testing.T, string) {}, before, nil, false},
		{"log garbled in the middle", crashed, change("-wal", func(b []byte) []byte { b[len(b)/2] ^= 1; return b }), 1, nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := c.make(t)
			path := Path(dir, "R1", noon)
			c.damage(t, path)
			n, err := readWhatThereIs(t, path)
			if n < c.least || !errors.Is(err, c.read) || (c.read == nil && err != nil) {
				t.Errorf("read: got %d entries and %v, want %d or more and %v", n, err, c.least, c.read)
			}
			recordOn(t, dir, c.aside)
		})
	}
}

// readWhatThereIs reads a damaged file; what comes must be right.
func readWhatThereIs(t *testing.T, path string) (n int, fault error) {
	t.Helper()
	last := uint64(0)
	for e, err := range Read(path) {
		if err != nil {
			fault = errors.Join(fault, err)
			continue
		}
		if n++; e.Seq <= last || e.Seq > before {
			t.Fatalf("got seq %d after %d, want it to rise to %d", e.Seq, last, before)
		}
		last = e.Seq
	}
	return n, fault
}

// recordOn starts a recorder on a damaged recording: it must record.
func recordOn(t *testing.T, dir string, aside bool) {
	t.Helper()
	const more = 100
	r := open(t, dir, Options{})
	for seq := uint64(before + 1); seq <= before+more; seq++ {
		if !r.Add(sampleAt("R1", seq)) {
			t.Fatal("entry not taken")
		}
	}
	closeNow(t, r)
	s := r.Status()
	if aside != (len(s.SetAside) == 1) || len(s.SetAside) > 1 || aside != (s.LastError != "") {
		t.Errorf("record: got status %+v, want set aside %v", s, aside)
	}
	for _, p := range s.SetAside {
		if _, err := os.Stat(p); err != nil {
			t.Error(err)
		}
	}
	path := Path(dir, "R1", noon)
	integrity(t, path)
	var samples []uint64
	gap := false
	for _, e := range readAll(t, dir) {
		switch {
		case e.Kind == ingest.EntryGap:
			gap = true
		case e.Seq > before:
			samples = append(samples, e.Seq)
		}
	}
	if len(samples) != more || gap != aside {
		t.Errorf("record: got %d new entries and a gap %v, want %d and %v", len(samples), gap, more, aside)
	}
	if last, err := LastSeq(dir); err != nil || last != before+more {
		t.Errorf("got last seq %d, %v, want %d", last, err, before+more)
	}
}

func TestDamageFoundWhileRecording(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: time.Hour})
	for seq := uint64(1); seq <= 50; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	flush(t, r)
	path := Path(dir, "R1", noon)
	execute("PRAGMA wal_checkpoint(TRUNCATE)")(t, path)
	change("", func(b []byte) []byte {
		for i := 4096; i < len(b); i++ {
			b[i] = 0xa5
		}
		return b
	})(t, path)
	execute("PRAGMA user_version=2")(t, path) // makes the recorder read its pages anew
	for seq := uint64(51); seq <= 60; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	flush(t, r)
	closeNow(t, r)
	if s := r.Status(); len(s.SetAside) != 1 {
		t.Fatalf("got status %+v, want one file set aside", s)
	}
	got := readAll(t, dir)
	if len(got) != 11 || got[0].Kind != ingest.EntryGap || got[0].Seq != 50 || got[1].Seq != 51 {
		t.Errorf("got %d entries from %+v, want a gap and ten samples", len(got), got[0])
	}
}
