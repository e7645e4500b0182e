package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/ingest"

	"github.com/google/go-cmp/cmp"
)

// eventually polls a condition, for half a minute at most.
func eventually(t testing.TB, what string, done func() bool) {
	t.Helper()
	deadline := time.Now().Add(30 * time.Second)
	for !done() {
		if time.Now().After(deadline) {
			t.Fatalf("waited 30 s, want %s", what)
		}
		time.Sleep(time.Millisecond)
	}
}

func lock(t *testing.T, path string) (release func()) {
	t.Helper()
	dsn, err := writeDSN(path)
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		t.Fatal(err)
	}
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	return func() {
		tx.Rollback()
		db.Close()
	}
}

func flush(t *testing.T, r *Recorder) {
	t.Helper()
	if err := r.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// account checks that entries 1 to last are each there exactly or covered by a
// gap entry that comes before the next one, and returns the number lost.
func account(t *testing.T, got []ingest.Entry, last uint64) (gaps int, lost uint64) {
	t.Helper()
	next := uint64(1)
	for _, e := range got {
		if e.Kind == ingest.EntryGap {
			gaps++
			lost += e.Gap.Lost
			next += e.Gap.Lost
			if e.Seq != next-1 {
				t.Fatalf("got a gap of %d with seq %d, want it in the place of seq %d", e.Gap.Lost, e.Seq, next-1)
			}
			continue
		}
		if e.Seq != next {
			t.Fatalf("got seq %d, want %d or a gap before it", e.Seq, next)
		}
		if want := sampleAt("R1", e.Seq); e != want {
			t.Fatal(cmp.Diff(want, e, exactly))
		}
		next++
	}
	if next != last+1 {
		t.Fatalf("got entries and gaps to seq %d, want to %d", next-1, last)
	}
	return gaps, lost
}

func TestQueueOverflowMakesAGapEntry(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Queue: 4, Batch: 1, Interval: time.Hour})
	seq := uint64(1)
	r.Add(sampleAt("R1", seq))
	flush(t, r)
	release := lock(t, Path(dir, "R1", noon))
	dropped := uint64(0)
	for range 100 {
		seq++
		if !r.Add(sampleAt("R1", seq)) {
			dropped++
		}
	}
	release()
	if dropped < 90 {
		t.Fatalf("got %d entries dropped, want most of 100 with a queue of 4", dropped)
	}
	flush(t, r)
	seq++
	if !r.Add(sampleAt("R1", seq)) {
		t.Fatal("entry not taken after the queue was emptied")
	}
	closeNow(t, r)
	gaps, lost := account(t, readAll(t, dir), seq)
	if gaps == 0 || lost != dropped || r.Status().Dropped != dropped {
		t.Errorf("got %d gaps that say %d lost and a status of %d, want %d", gaps, lost, r.Status().Dropped, dropped)
	}
}

func TestAGapAtTheEndIsRecordedAtClose(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Queue: 2, Batch: 1, Interval: time.Hour})
	r.Add(sampleAt("R1", 1))
	flush(t, r)
	release := lock(t, Path(dir, "R1", noon))
	last := uint64(1)
	for r.Add(sampleAt("R1", last+1)) {
		last++
	}
	last++
	release()
	closeNow(t, r)
	got := readAll(t, dir)
	if gaps, lost := account(t, got, last); gaps != 1 || lost != 1 {
		t.Errorf("got %d gaps and %d lost, want one of one", gaps, lost)
	}
	if e := got[len(got)-1]; e.Kind != ingest.EntryGap || e.Received != sampleAt("R1", last).Received {
		t.Errorf("got last entry %+v, want the gap in the place of the lost entry", e)
	}
}

func TestDiskFullIsReportedAndRecordingResumes(t *testing.T) {
	dir := t.TempDir()
	var pages atomic.Int64
	pages.Store(40)
	r := open(t, dir, Options{Batch: 50, Hold: 200, Retry: 5 * time.Millisecond, Interval: 5 * time.Millisecond,
		maxPages: func() int { return int(pages.Load()) }})
	seq := uint64(0)
	add := func() {
		seq++
		r.Add(sampleAt("R1", seq))
	}
	eventually(t, "the disk full", func() bool {
		for range 20 {
			add()
		}
		return len(r.Status().Failing) > 0
	})
	s := r.Status()
	if !slices.Equal(s.Failing, []string{"R1"}) || !strings.Contains(s.LastError, "full") {
		t.Fatalf("got status %+v, want R1 failing as the disk is full", s)
	}
	if err := r.Flush(t.Context()); err == nil {
		t.Error("got no error from Flush, want that the disk is full")
	}
	eventually(t, "entries lost", func() bool {
		for range 20 {
			add()
		}
		return r.Status().Dropped > 0
	})
	pages.Store(1 << 20)
	eventually(t, "recording to resume", func() bool { return len(r.Status().Failing) == 0 })
	for range 100 {
		add()
	}
	flush(t, r)
	closeNow(t, r)
	got := readAll(t, dir)
	gaps, lost := account(t, got, seq)
	if gaps == 0 || lost == 0 || lost != r.Status().Dropped {
		t.Errorf("got %d gaps that say %d lost, want the %d of the status", gaps, lost, r.Status().Dropped)
	}
	for _, e := range got {
		if e.Kind == ingest.EntryGap && !strings.Contains(e.Gap.Reason, "full") {
			t.Errorf("got a gap for reason %q, want the full disk", e.Gap.Reason)
		}
	}
	integrity(t, Path(dir, "R1", noon))
}

func TestOneRigThatCannotBeWrittenDoesNotStopAnother(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "R1"), nil, 0o644); err != nil { // a file where the folder should be
		t.Fatal(err)
	}
	r := open(t, dir, Options{Interval: time.Millisecond, Retry: time.Millisecond})
	for seq := uint64(1); seq <= 100; seq++ {
		r.Add(sampleAt("R1", seq))
		r.Add(sampleAt("R2", seq))
	}
	if err := r.Flush(t.Context()); err == nil || !strings.Contains(err.Error(), "R1") {
		t.Errorf("got %v from Flush, want an error that names R1", err)
	}
	if n := len(readAll(t, filepath.Join(dir, "R2"))); n != 100 {
		t.Errorf("got %d entries of R2, want 100", n)
	}
	if err := os.Remove(filepath.Join(dir, "R1")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "R1 to be written", func() bool { return len(r.Status().Failing) == 0 })
	closeNow(t, r)
	if n := len(readAll(t, filepath.Join(dir, "R1"))); n != 100 {
		t.Errorf("got %d entries of R1, want 100", n)
	}
}

func TestPutWaitsForRoom(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Queue: 2, Batch: 10})
	for seq := uint64(1); seq <= 1000; seq++ {
		if err := r.Put(t.Context(), sampleAt("R1", seq)); err != nil {
			t.Fatal(err)
		}
	}
	closeNow(t, r)
	if gaps, _ := account(t, readAll(t, dir), 1000); gaps != 0 {
		t.Errorf("got %d gaps, want none", gaps)
	}
	if err := r.Put(t.Context(), sampleAt("R1", 1001)); !errors.Is(err, ErrClosed) {
		t.Errorf("got %v after Close, want ErrClosed", err)
	}
}

func TestARecordingRemovedWhileItIsRecordedIsBegunAnew(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: time.Hour})
	for seq := uint64(1); seq <= 10; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	flush(t, r)
	if err := os.RemoveAll(filepath.Join(dir, "R1")); err != nil {
		t.Fatal(err)
	}
	r.AddEvent("R1", 10, noon, []byte("{}"))
	flush(t, r)
	for seq := uint64(11); seq <= 20; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	closeNow(t, r)
	got := readAll(t, dir)
	if len(got) != 11 || got[0].Kind != ingest.EntryGap || got[0].Seq != 10 || !strings.Contains(got[0].Gap.Reason, "removed") {
		t.Errorf("got %d entries from %+v, want a gap and ten samples", len(got), got[0])
	}
	if s := r.Status(); !strings.Contains(s.LastError, "removed") {
		t.Errorf("got status %+v, want that the file was removed", s)
	}
}

func TestCloseGivesUpInTime(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: time.Hour})
	r.Add(sampleAt("R1", 1))
	flush(t, r)
	release := lock(t, Path(dir, "R1", noon))
	defer release()
	r.Add(sampleAt("R1", 2))
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := r.Close(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v, want the deadline exceeded", err)
	}
	release()
	<-r.done
}

func TestAfterCloseNothingIsTaken(t *testing.T) {
	r := open(t, t.TempDir(), Options{})
	closeNow(t, r)
	closeNow(t, r)
	if r.Add(sampleAt("R1", 1)) || r.AddEvent("R1", 1, noon, nil) || r.AddReject("R1", noon, "", "", "", 1) {
		t.Error("something was taken after Close")
	}
	if err := r.Flush(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("got %v from Flush, want ErrClosed", err)
	}
	if s := r.Status(); s.Dropped != 1 || s.Missed != 2 {
		t.Errorf("got status %+v, want one dropped and two missed", s)
	}
}

func TestASeqUsedTwiceTakesNothingElseWithIt(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{})
	for _, seq := range []uint64{1, 2, 2, 3, 1 << 63, 4} {
		r.Add(sampleAt("R1", seq))
	}
	bad := sampleAt("../R1", 5)
	if r.Add(bad) {
		t.Error("a rig named ../R1 was taken")
	}
	closeNow(t, r)
	account(t, readAll(t, dir), 4)
	if s := r.Status(); s.Refused != 3 || s.LastError == "" {
		t.Errorf("got status %+v, want 3 refused", s)
	}
}

func integrity(t *testing.T, path string) {
	t.Helper()
	if err := checkWhole(t.Context(), path); err != nil {
		t.Error(err)
	}
}

// More rigs than files that stay open: each rig's file is written in its turn, nothing
// is lost, and every file is plain when it is not being written.
func TestFilesOfManyRigsAreWrittenInTurn(t *testing.T) {
	dir := t.TempDir()
	const rigs, each = 20, 30
	r := open(t, dir, Options{OpenFiles: 3, Interval: 5 * time.Millisecond})
	seq := uint64(0)
	for range each {
		for i := range rigs {
			seq++
			e := sampleAt("R1", seq)
			e.Rig = fmt.Sprint("R", i)
			if !r.Add(e) {
				t.Fatalf("entry %d was not taken: %+v", seq, r.Status())
			}
		}
		time.Sleep(2 * time.Millisecond) // readings do not come all at once
	}
	eventually(t, "all written without being asked", func() bool { s := r.Status(); return s.Written == rigs*each && s.Queued == 0 })
	if s := r.Status(); s.Dropped != 0 || s.LastError != "" {
		t.Errorf("got status %+v, want nothing lost or wrong", s)
	}
	logs, err := filepath.Glob(filepath.Join(dir, "*", "*.sqlite-wal"))
	if err != nil || len(logs) != 3 {
		t.Errorf("got %d write-ahead logs, %v, want those of the 3 open files", len(logs), err)
	}
	closeNow(t, r)
	for i := range rigs {
		rig := fmt.Sprint("R", i)
		got := readAll(t, filepath.Join(dir, rig))
		if len(got) != each {
			t.Fatalf("%s: got %d entries, want %d", rig, len(got), each)
		}
		for k, e := range got {
			want := sampleAt("R1", uint64(k*rigs+i+1))
			want.Rig = rig
			if e != want {
				t.Fatal(cmp.Diff(want, e, exactly))
			}
		}
		integrity(t, Path(dir, rig, noon))
	}
}

// The first 1,000 rigs at once, as at the start of a large site: nothing is lost.
func TestAThousandRigsAtOnceLoseNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("it makes a thousand files")
	}
	dir := t.TempDir()
	const rigs, each = 1000, 10
	r := open(t, dir, Options{Estimates: []Column{{"height_m", false}}})
	seq := uint64(0)
	for range each {
		for i := range rigs {
			seq++
			e := sampleAt("R1", seq)
			e.Rig = fmt.Sprint("R", i)
			if !r.Add(e) {
				t.Fatalf("entry %d was not taken: %+v", seq, r.Status())
			}
		}
	}
	closeNow(t, r)
	if s := r.Status(); s.Written != rigs*each || s.Dropped != 0 || s.Refused != 0 || s.LastError != "" {
		t.Errorf("got status %+v, want %d written", s, rigs*each)
	}
}
