package record

import (
	"path/filepath"
	"testing"
	"time"
	_ "time/tzdata"

	"hoistward/ingest"
)

// Files are of UTC days: the days on which local clocks change are 24 hours long, and
// what was received in the hour that comes again stands in its order.
func TestDaysOnWhichLocalClocksChange(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, night := range []time.Time{
		time.Date(2026, 3, 8, 0, 0, 0, 0, chicago), time.Date(2026, 11, 1, 0, 0, 0, 0, chicago), // 23 h and 25 h by the local clock
	} {
		dir := t.TempDir()
		r := open(t, dir, Options{})
		var want []ingest.Entry
		for at, seq := night, uint64(1); at.Before(night.Add(30 * time.Hour)); at, seq = at.Add(10*time.Minute), seq+1 {
			e := sampleAt("R1", seq)
			e.Received = at.UTC()
			want = append(want, e)
			r.Add(e)
		}
		closeNow(t, r)
		files, err := Files(dir)
		if err != nil || len(files) != 2 {
			t.Fatalf("got the files %v, %v, want two UTC days", files, err)
		}
		for i, e := range readAll(t, dir) {
			if e != want[i] {
				t.Fatalf("entry %d: got %+v, want %+v", i, e, want[i])
			}
		}
		if last := Path(dir, "R1", want[len(want)-1].Received); files[1] != last || filepath.Base(files[0]) != "R1-"+night.Format(time.DateOnly)+".sqlite" {
			t.Errorf("got the files %v", files)
		}
	}
}

// The clock is set back over a midnight and ahead over several: each entry stands in
// the file of the day it was received on, and all come in their order.
func TestClockJumpsOverDays(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{})
	seq := uint64(0)
	for _, jump := range []time.Duration{0, 13 * time.Hour, -2 * time.Hour, 24 * 400 * time.Hour, -24 * 400 * time.Hour, -24 * 20000 * time.Hour, 0} {
		for range 50 {
			seq++
			e := sampleAt("R1", seq)
			e.Received = e.Received.Add(jump)
			r.Add(e)
		}
		flush(t, r)
		if last, err := LastSeq(dir); err != nil || last != seq {
			t.Fatalf("got last seq %d, %v, want %d", last, err, seq)
		}
	}
	closeNow(t, r)
	if s := r.Status(); s.LastError != "" || s.Dropped != 0 {
		t.Fatalf("got status %+v", s)
	}
	got := readAll(t, dir)
	if len(got) != int(seq) {
		t.Fatalf("got %d entries, want %d", len(got), seq)
	}
	for i, e := range got {
		if e.Seq != uint64(i+1) {
			t.Fatalf("got seq %d in place %d", e.Seq, i+1)
		}
	}
	files, err := Files(dir)
	if err != nil || len(files) != 5 {
		t.Errorf("got the files %v, %v, want five days", files, err)
	}
}
