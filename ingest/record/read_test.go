package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"

	"github.com/google/go-cmp/cmp"
)

func at(rig string, seq uint64, received time.Duration) ingest.Entry {
	e := sampleAt(rig, seq)
	e.Received = noon.Add(received)
	return e
}

func seqs(all []ingest.Entry) string {
	var b strings.Builder
	for _, e := range all {
		fmt.Fprintf(&b, "%s:%d ", e.Rig, e.Seq)
	}
	return strings.TrimSpace(b.String())
}

func record1(t *testing.T, dir string, entries ...ingest.Entry) {
	t.Helper()
	r := open(t, dir, Options{})
	for _, e := range entries {
		r.Add(e)
	}
	closeNow(t, r)
	if s := r.Status(); s.LastError != "" {
		t.Fatal(s.LastError)
	}
}

func TestReadMerges(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name    string
		entries []ingest.Entry
		want    string
	}{
		{"rigs by receipt", []ingest.Entry{at("A", 1, 1), at("B", 2, 2), at("B", 3, 3), at("A", 4, 4)}, "A:1 B:2 B:3 A:4"},
		{"same receipt by seq", []ingest.Entry{at("B", 1, 5), at("A", 2, 5), at("B", 3, 5)}, "B:1 A:2 B:3"},
		{"days", []ingest.Entry{at("A", 1, 0), at("B", 2, 0), at("A", 3, day), at("B", 4, 2*day), at("A", 5, 3*day)}, "A:1 B:2 A:3 B:4 A:5"},
		{"clock stepped back over midnight: one rig stays in its order",
			[]ingest.Entry{at("A", 1, 0), at("A", 2, day), at("A", 3, day+1), at("A", 4, 1), at("A", 5, 2), at("A", 6, day+2)}, "A:1 A:2 A:3 A:4 A:5 A:6"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			record1(t, dir, c.entries...)
			if got := seqs(readAll(t, dir)); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
}

func TestTwoRecordingsOfOneRigMergeByReceipt(t *testing.T) {
	early, late := t.TempDir(), t.TempDir()
	record1(t, late, at("A", 1, 10), at("A", 2, 20))
	record1(t, early, at("A", 1, 1), at("A", 2, 5))
	if got, want := seqs(readAll(t, late, early)), "A:1 A:2 A:1 A:2"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestReadOfManyRowsInChunks(t *testing.T) {
	dir := t.TempDir()
	const n = 10000 // more than a chunk
	r := open(t, dir, Options{Queue: 3 * n})
	for seq := uint64(1); seq <= n; seq++ {
		r.Add(sampleAt("R1", seq))
		for i := range seq % 3 {
			r.AddEvent("R1", seq, noon, fmt.Appendf(nil, `{"n":%d.%d}`, seq, i))
		}
	}
	closeNow(t, r)
	account(t, readAll(t, dir), n)
	seq, i, lines := uint64(1), uint64(0), 0
	for e, err := range Events(dir) {
		if err != nil {
			t.Fatal(err)
		}
		lines++
		for i >= seq%3 {
			seq, i = seq+1, 0
		}
		if want := (Event{"R1", seq, noon, fmt.Appendf(nil, `{"n":%d.%d}`, seq, i)}); cmp.Diff(want, e) != "" {
			t.Fatal(cmp.Diff(want, e))
		}
		i++
	}
	if lines != 10000 { // 3,333 × (1 + 2), and one more
		t.Errorf("got %d journal lines, want 10000", lines)
	}
	if s := r.Status(); s.Written != n || s.Events != 10000 {
		t.Errorf("got status %+v", s)
	}
}

func TestRejects(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{})
	long := strings.Repeat("ä", 300)
	r.AddReject("R1", noon.Add(2), "mqtt", "not JSON", long, 7)
	r.AddReject("R1", noon, "mqtt", "no time", "\xff{", 1)
	closeNow(t, r)
	var got []Reject
	for e, err := range Rejects(dir) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, e)
	}
	want := []Reject{{"R1", noon, "mqtt", "no time", "\uFFFD{", 1}, {"R1", noon.Add(2), "mqtt", "not JSON", long[:400], 7}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestReadFaultsNameTheFileAndTheRestIsRead(t *testing.T) {
	dir := t.TempDir()
	record1(t, dir, at("A", 1, 0), at("B", 2, 0))
	text := filepath.Join(dir, "A", "notes.sqlite")
	if err := os.WriteFile(text, []byte("these are notes, and no recording"), 0o644); err != nil {
		t.Fatal(err)
	}
	var faults []error
	n := 0
	for _, err := range Read(dir) {
		if err != nil {
			faults = append(faults, err)
			continue
		}
		n++
	}
	if n != 2 || len(faults) != 1 || !errors.Is(faults[0], ErrNotRecording) || !strings.Contains(faults[0].Error(), text) {
		t.Errorf("got %d entries and %v, want 2 and one error that names %s", n, faults, text)
	}
	for _, none := range [][]string{nil, {t.TempDir()}} {
		for _, err := range Read(none...) {
			if !errors.Is(err, ErrNotRecording) {
				t.Errorf("paths %v: got %v, want ErrNotRecording", none, err)
			}
		}
	}
	for _, err := range Read(filepath.Join(dir, "nowhere")) {
		if !errors.Is(err, os.ErrNotExist) {
			t.Errorf("got %v, want that the file does not exist", err)
		}
	}
}

func TestReadStopsWhenTheCallerDoes(t *testing.T) {
	dir := t.TempDir()
	record1(t, dir, at("A", 1, 0), at("B", 2, 0), at("A", 3, 3))
	for range Read(dir) {
		break
	}
	open, err := filepath.Glob(filepath.Join(dir, "*", "*-shm"))
	if err != nil || len(open) != 0 {
		t.Errorf("got %v left beside the recordings, %v", open, err)
	}
}

func TestReadWhileRecording(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: time.Millisecond})
	for seq := uint64(1); seq <= 3000; seq++ {
		r.Add(sampleAt("R1", seq))
		if seq%500 != 0 {
			continue
		}
		flush(t, r)
		account(t, readAll(t, dir), seq)
	}
	for range Read(dir) { // a reader that is in the midst does not hold Close up
		closeNow(t, r)
		break
	}
	account(t, readAll(t, dir), 3000)
}

func TestAFinishedFileIsReadFromAFolderThatCannotBeWritten(t *testing.T) {
	dir := t.TempDir()
	record1(t, dir, at("A", 1, 0))
	folder := filepath.Join(dir, "A")
	if err := os.Chmod(folder, 0o555); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(folder, 0o755)
	if got := seqs(readAll(t, dir)); got != "A:1" {
		t.Errorf("got %s, want A:1", got)
	}
	left, err := os.ReadDir(folder)
	if err != nil || len(left) != 1 {
		t.Errorf("got %v in the folder, %v, want the one recording", left, err)
	}
}

func TestCopyIsWholeWhileRecordingGoesOn(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: time.Hour})
	for seq := uint64(1); seq <= 500; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	dst := filepath.Join(t.TempDir(), "copy ?#%.sqlite")
	if err := r.Copy(t.Context(), "R1", noon, dst); err != nil {
		t.Fatal(err)
	}
	account(t, readAll(t, dst), 500)
	if err := r.Copy(t.Context(), "R1", noon, dst); err == nil {
		t.Error("a copy was written over a file that was there")
	}
	if err := r.Copy(t.Context(), "R1", noon.Add(-24*time.Hour), dst+"2"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v, want that the recording does not exist", err)
	}
	if err := r.Copy(t.Context(), "../R1", noon, dst+"3"); err == nil {
		t.Error("a rig named ../R1 was copied")
	}
	if err := Copy(t.Context(), Path(dir, "R1", noon), filepath.Join(dir, "no", "folder")); err == nil {
		t.Error("got no error for a copy to nowhere")
	}
}

func TestLastSeq(t *testing.T) {
	for _, dir := range []string{t.TempDir(), filepath.Join(t.TempDir(), "nowhere")} {
		if last, err := LastSeq(dir); last != 0 || err != nil {
			t.Errorf("got %d, %v, want 0", last, err)
		}
	}
	dir := t.TempDir()
	const day = 24 * time.Hour
	record1(t, dir, at("A", 5, 0), at("B", 6, 0), at("A", 7, 5*day), at("A", 9, -3*day))
	if last, err := LastSeq(dir); last != 9 || err != nil {
		t.Errorf("got %d, %v, want 9, written after the clock stepped back", last, err)
	}
	os.WriteFile(Path(dir, "A", noon.Add(9*day)), []byte("garbage"), 0o644)
	if last, err := LastSeq(dir); last < 7 || err != nil {
		t.Errorf("got %d, %v, want 7 or more with the newest file damaged", last, err)
	}
}

func TestSettingsOfTheWritingConnection(t *testing.T) {
	for _, c := range []struct {
		dsn    func(string) (string, error)
		wanted []setting
	}{{writeDSN, wanted}, {turnDSN, wantedInTurn}} {
		settingsHold(t, c.dsn, c.wanted)
	}
}

func settingsHold(t *testing.T, dsnOf func(string) (string, error), wanted []setting) {
	t.Helper()
	dir := t.TempDir()
	dsn, err := dsnOf(filepath.Join(dir, "a b?#%.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for range 3 { // each a connection of its own
		c, err := db.Conn(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		f := dayFile{conn: c}
		if err := f.assertPragmas(t.Context(), wanted); err != nil {
			t.Error(err)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "a b?#%.sqlite")); err != nil {
		t.Error(err)
	}
	plain, err := sql.Open("sqlite", filepath.Join(dir, "plain"))
	if err != nil {
		t.Fatal(err)
	}
	defer plain.Close()
	c, err := plain.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := (&dayFile{conn: c}).assertPragmas(t.Context(), wanted); err == nil {
		t.Error("a connection without the settings passed")
	}
}

func TestCheckRig(t *testing.T) {
	for _, good := range []string{"R1", "Rig 12", "r-1.b", "Бур", strings.Repeat("r", 64)} {
		if err := CheckRig(good); err != nil {
			t.Error(err)
		}
	}
	for _, bad := range []string{"", ".", "..", "a/b", `a\b`, "../R1", "/etc", "R1 ", " R1", "R1.", ".R1", "a\x00b", "a\nb", "C:", "\xff", "fleet", strings.Repeat("r", 65)} {
		if CheckRig(bad) == nil {
			t.Errorf("the rig name %q passed", bad)
		}
	}
}

// The numbers of channels, kinds and reasons are in files.
func TestNumbersInFilesStay(t *testing.T) {
	channels := []string{"hook_load", "block_height", "drum_speed", "drum_counts", "brake_pressure",
		"emergency_pressure", "drive_torque", "drive_engaged", "auxiliary_current", "brake_temperature",
		"coolant_temperature", "dead_line_tension", "crown_saver", "bit_depth"}
	for i, name := range channels {
		if got := ingest.Channel(i).String(); got != name {
			t.Errorf("channel %d: got %s, want %s: add channels at the end", i, got, name)
		}
	}
	reasons := []string{"", "absent", "null", "not a number", "wrong type", "out of range", "impossible step",
		"lost", "late", "frozen", "unit conflict", "not calibrated", "clock ahead"}
	for i, name := range reasons {
		if got := ingest.Reason(i).String(); got != name {
			t.Errorf("reason %d: got %q, want %q: add reasons at the end", i, got, name)
		}
	}
	if ingest.Bad != 0 || ingest.Uncertain != 1 || ingest.Good != 2 || len(kindNames) != 6 || kindNames[6] != "gap" {
		t.Error("qualities or kinds have other numbers: add at the end")
	}
}

// A file begun by a program with fewer channels is read, and recording goes on in it.
func TestAFileOfFewerChannels(t *testing.T) {
	dir := t.TempDir()
	record1(t, dir, at("R1", 1, 0))
	path := Path(dir, "R1", noon)
	execute("DROP VIEW reading; ALTER TABLE entry DROP COLUMN bit_depth; DELETE FROM channel WHERE number=13")(t, path)
	if d := cmp.Diff([]ingest.Entry{at("R1", 1, 0)}, readAll(t, dir), exactly); d != "" {
		t.Error(d)
	}
	more := at("R1", 2, 5)
	more.Sample.Set(ingest.BitDepth, ingest.Number(1234.5))
	record1(t, dir, more)
	if d := cmp.Diff([]ingest.Entry{at("R1", 1, 0), more}, readAll(t, dir), exactly); d != "" {
		t.Error(d)
	}
}

// The file explains itself to the common tool.
func TestTheCommonToolReadsTheFile(t *testing.T) {
	tool, err := exec.LookPath("sqlite3")
	if err != nil {
		t.Skip("no sqlite3 tool on this machine")
	}
	dir := t.TempDir()
	e := at("R1", 1, 0)
	e.Sample.Set(ingest.BrakePressure, ingest.BadValue(ingest.Null))
	e.Sample.Set(ingest.BlockHeight, ingest.Number(12.5))
	record1(t, dir, e)
	ask := func(q string) string {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		out, err := exec.CommandContext(ctx, tool, Path(dir, "R1", noon), q).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v: %s", q, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	for q, want := range map[string]string{
		"SELECT time_utc, block_height, brake_pressure IS NULL, quality FROM reading": "2026-11-24T12:00:00.100Z|12.5|1|4b2",
		"SELECT unit FROM channel WHERE name='block_height'":                          "m",
		"SELECT name FROM reason WHERE number=2":                                      "null",
		"SELECT value FROM meta WHERE name='rig'":                                     "R1",
		"PRAGMA integrity_check":                                                      "ok",
	} {
		if got := ask(q); got != want {
			t.Errorf("%s: got %s, want %s", q, got, want)
		}
	}
	if s := ask(".schema entry"); !strings.Contains(s, "hook_load REAL -- N") {
		t.Errorf("got the schema %s, want the units beside the columns", s)
	}
}

func TestAnIdleFileIsClosed(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: time.Millisecond, IdleClose: time.Millisecond})
	r.Add(sampleAt("R1", 1))
	path := Path(dir, "R1", noon)
	eventually(t, "the recording closed", func() bool {
		_, err := os.Stat(path + "-wal")
		return r.Status().Written == 1 && errors.Is(err, os.ErrNotExist)
	})
	r.Add(sampleAt("R1", 2))
	closeNow(t, r)
	account(t, readAll(t, dir), 2)
}

// F44 of the faults that are known of such recorders: a value that is not finite
// takes neither its row nor its batch with it.
func TestNotANumberNeverReachesAColumn(t *testing.T) {
	dir := t.TempDir()
	var in []ingest.Entry
	for seq := uint64(1); seq <= 100; seq++ {
		in = append(in, sampleAt("R1", seq))
	}
	nan := in[41].Sample.Values[ingest.HookLoad].V * 0
	in[41].Sample.Values[ingest.HookLoad] = ingest.Value{V: nan / nan, Quality: ingest.Good}
	record1(t, dir, in...)
	got := readAll(t, dir)
	in[41].Sample.Values[ingest.HookLoad] = ingest.BadValue(ingest.NotANumber)
	if d := cmp.Diff(in, got, exactly); d != "" {
		t.Error(d)
	}
	if !slices.IsSortedFunc(got, func(a, b ingest.Entry) int { return int(a.Seq) - int(b.Seq) }) {
		t.Error("entries out of order")
	}
}
