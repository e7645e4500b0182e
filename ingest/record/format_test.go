package record

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"

	"github.com/google/go-cmp/cmp"
)

var someColumns = []Column{{"activity", true}, {"height_m", false}, {"rest_up_m", false}}

// oldFile puts the recording of format 1 in a folder.
func oldFile(t *testing.T) (dir string) {
	t.Helper()
	f, err := os.Open("testdata/format1.sqlite.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	path := Path(dir, "R1", noon)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestAFileOfFormat1IsReadAndGoneOnWith(t *testing.T) {
	dir := oldFile(t)
	check := func(last uint64) {
		t.Helper()
		got := readAll(t, dir)
		if len(got) != int(last) || got[0].Kind != ingest.EntrySession {
			t.Fatalf("got %d entries, want %d, a session first", len(got), last)
		}
		for _, e := range got[1:] {
			if d := cmp.Diff(sampleAt("R1", e.Seq), e, exactly); d != "" {
				t.Fatal(d)
			}
		}
	}
	check(20)
	for range Estimates(dir) {
		t.Error("got an estimate of a file of format 1")
	}
	r := open(t, dir, Options{Estimates: someColumns})
	r.Add(sampleAt("R1", 21))
	r.AddEvent("R1", 21, noon, []byte("{}"))
	r.AddEstimate("R1", 21, noon, noon, Answers{[]float64{1, 2}, []string{"in slips"}})
	closeNow(t, r)
	if s := r.Status(); s.LastError != "" {
		t.Fatalf("got status %+v", s)
	}
	check(21)
	n := 0
	for _, err := range Events(dir) {
		if n++; err != nil {
			t.Error(err)
		}
	}
	for e, err := range Estimates(dir) {
		if n++; err != nil || e.Number("rest_up_m") != 2 {
			t.Errorf("got the estimate %+v, %v", e, err)
		}
	}
	if n != 3 {
		t.Errorf("got %d events and estimates, want 3", n)
	}
}

func TestEstimatesComeBack(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Estimates: someColumns})
	want := []Estimate{
		{Rig: "R1", Seq: 3, Received: noon.Add(time.Second), Time: noon, Columns: someColumns, Values: []any{"hoisting", 12.5, nil}},
		{Rig: "R1", Seq: 9, Received: noon.Add(2 * time.Second), Time: noon.Add(time.Second), Columns: someColumns, Values: []any{"", nil, math.Inf(1)}},
		{Rig: "R1", Seq: 20, Received: noon.AddDate(0, 0, 1), Columns: someColumns, Values: []any{"\uFFFD", math.Copysign(0, -1), math.Inf(-1)}},
	}
	r.AddEstimate("R1", 3, want[0].Received, noon, Answers{[]float64{12.5, math.NaN()}, []string{"hoisting"}})
	r.AddEstimate("R1", 9, want[1].Received, want[1].Time, Answers{[]float64{math.NaN(), math.Inf(1)}, []string{""}})
	r.AddEstimate("R1", 20, want[2].Received, time.Time{}, Answers{[]float64{math.Copysign(0, -1), math.Inf(-1)}, []string{"\xff"}})
	if r.AddEstimate("R1", 21, noon, noon, Answers{Numbers: []float64{1}}) {
		t.Error("an estimate of another shape was taken")
	}
	closeNow(t, r)
	var got []Estimate
	for e, err := range Estimates(dir) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, e)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if s := r.Status(); s.Estimates != 3 || s.Refused != 1 {
		t.Errorf("got status %+v, want 3 estimates and one refused", s)
	}
	if e := got[0]; !math.IsNaN(e.Number("rest_up_m")) || e.Text("activity") != "hoisting" || !math.IsNaN(e.Number("none")) {
		t.Errorf("got %v and %q by name", e.Number("rest_up_m"), e.Text("activity"))
	}
}

func TestAProgramWithMoreColumnsGoesOn(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Estimates: someColumns})
	r.AddEstimate("R1", 1, noon, noon, Answers{[]float64{1, 2}, []string{"a"}})
	closeNow(t, r)
	r = open(t, dir, Options{Estimates: []Column{{"blind", true}, {"rest_up_m", false}}})
	r.AddEstimate("R1", 2, noon, noon, Answers{[]float64{5}, []string{"b"}})
	closeNow(t, r)
	var got []string
	for e, err := range Estimates(dir) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, cmp.Diff(nil, e.Values), e.Text("blind"))
		if want := map[uint64]float64{1: 2, 2: 5}[e.Seq]; e.Number("rest_up_m") != want {
			t.Errorf("row %d: got %v, want %v", e.Seq, e.Number("rest_up_m"), want)
		}
	}
	if len(got) != 4 || got[3] != "b" {
		t.Errorf("got %q", got)
	}
}

func TestColumnsThatCannotBeNames(t *testing.T) {
	for _, bad := range []string{"", "a b", "a\"", "crc", "Time", "1a", "a;b"} {
		if err := checkColumns([]Column{{Name: bad}}); err == nil {
			t.Errorf("the column %q passed", bad)
		}
	}
	if checkColumns([]Column{{Name: "a"}, {Name: "A"}}) == nil {
		t.Error("a name that comes twice passed")
	}
}

func TestNotes(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{})
	r.AddNote("R1", noon, "the recording of 2026-07-01 was deleted")
	closeNow(t, r)
	n := 0
	for note, err := range Notes(dir) {
		if n++; err != nil || note.Rig != "R1" || !note.Received.Equal(noon) || !strings.Contains(note.Text, "deleted") {
			t.Errorf("got %+v, %v", note, err)
		}
	}
	if n != 1 {
		t.Errorf("got %d notes, want 1", n)
	}
}

// inNumber flips a bit of the number x in the file: its structure stays whole.
func inNumber(x float64) func(*testing.T, string) {
	return change("", func(b []byte) []byte {
		i := bytes.Index(b, binary.BigEndian.AppendUint64(nil, math.Float64bits(x)))
		if i < 0 {
			return nil
		}
		b[i+5] ^= 0x10
		return b
	})
}

func TestAFlippedByteInsideANumberIsAGap(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Estimates: someColumns})
	marked := func(seq uint64) ingest.Entry { // its hook load is nobody else's
		e := sampleAt("R1", seq)
		e.Sample.Set(ingest.HookLoad, ingest.Number(float64(seq)+0.123))
		return e
	}
	for seq := uint64(1); seq <= 500; seq++ {
		r.Add(marked(seq))
	}
	r.AddEvent("R1", 3, noon, []byte(`{"event":"raised","of":"alpha"}`))
	r.AddEstimate("R1", 7, noon, noon, Answers{[]float64{1.2345, 2}, []string{"hoisting"}})
	r.AddEstimate("R1", 8, noon, noon, Answers{[]float64{5.4321, 2}, []string{"hoisting"}})
	closeNow(t, r)
	path := Path(dir, "R1", noon)
	for _, seq := range []uint64{1, 77, 78, 500} {
		inNumber(float64(seq)+0.123)(t, path)
	}
	inNumber(1.2345)(t, path)
	change("", func(b []byte) []byte { return bytes.Replace(b, []byte("alpha"), []byte("aleph"), 1) })(t, path)
	integrity(t, path) // SQLite finds nothing
	got := readAll(t, dir)
	if len(got) != 500 {
		t.Fatalf("got %d entries, want 500", len(got))
	}
	for i, e := range got {
		switch seq := uint64(i + 1); {
		case e.Seq != seq:
			t.Fatalf("got seq %d in place %d", e.Seq, seq)
		case seq == 1 || seq == 77 || seq == 78 || seq == 500:
			if e.Kind != ingest.EntryGap || e.Gap.Lost != 1 || !strings.Contains(e.Gap.Reason, "checksum") {
				t.Errorf("row %d: got %+v, want a gap", seq, e)
			}
		default:
			if d := cmp.Diff(marked(seq), e, exactly); d != "" {
				t.Fatal(d)
			}
		}
	}
	good, bad := 0, 0
	count := func(err error) {
		if good++; err != nil {
			good, bad = good-1, bad+1
			if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), path) {
				t.Errorf("got %v, want damage of %s", err, path)
			}
		}
	}
	for _, err := range Estimates(dir) {
		count(err)
	}
	for _, err := range Events(dir) {
		count(err)
	}
	if good != 1 || bad != 2 {
		t.Errorf("got %d good and %d damaged estimates and events, want 1 and 2", good, bad)
	}
}

// The checksum is one that another program can work out from the description in
// the file; the CRC-32C of "123456789" is the check value of its catalogue entry.
func TestTheChecksumAsDescribed(t *testing.T) {
	s := newRowSum([]string{"123456789"})
	if s.names[0] != 0xe3069283 {
		t.Errorf("got the CRC-32C %#x, want 0xe3069283", s.names[0])
	}
	two, swapped := newRowSum([]string{"a", "b"}), newRowSum([]string{"b", "a"})
	if two.of([]any{int64(1), 2.5}) != swapped.of([]any{2.5, int64(1)}) {
		t.Error("the order of the columns changes the sum")
	}
	if two.of([]any{int64(1), nil}) == two.of([]any{nil, int64(1)}) {
		t.Error("a value in another column has the same sum")
	}
}
