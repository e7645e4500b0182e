package historian

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/record"
)

func TestEveryPointIsThereOnce(t *testing.T) {
	dir := t.TempDir()
	s := newStore(t)
	o := options(t, dir, s.server.URL)
	all := append(readings("R1", 0, 3000, time.Second), readings("R2", 0, 700, time.Second)...)
	recordAll(t, o.Recordings, 1, all...)
	f := start(t, o)
	want := wanted(all...)
	eventually(t, "all points", func() bool { _, n := s.counts(); return n >= len(want) })
	stop(t, f)
	compare(t, s.snapshot(), want, 0)
	if s.lines != len(all) {
		t.Errorf("got %d lines, want %d: nothing is sent twice without cause", s.lines, len(all))
	}
	before, _ := s.counts()
	f = start(t, o) // all is there
	stop(t, f)
	if after, _ := s.counts(); after != before {
		t.Errorf("got %d requests after a restart with nothing new, want none", after-before)
	}
	more := readings("R1", 3000, 50, time.Second)
	recordAll(t, o.Recordings, 100_000, more...)
	stop(t, start(t, o))
	compare(t, s.snapshot(), wanted(append(all, more...)...), 0)
}

// While recording goes on, the points follow; what an entry led to is there too.
func TestFollowsTheRecorder(t *testing.T) {
	dir := t.TempDir()
	s := newStore(t)
	o := options(t, dir, s.server.URL)
	f := start(t, o)
	r, err := record.Open(o.Recordings, record.Options{Interval: 5 * time.Millisecond,
		Estimates: []record.Column{{Name: "height_m"}, {Name: "activity", Text: true}, {Name: "seconds_to_act"}}})
	if err != nil {
		t.Fatal(err)
	}
	var all []ingest.Entry
	for i := range 400 {
		e := reading1("R1", i, noon.Add(time.Duration(i)*time.Second))
		e.Seq = uint64(i + 1)
		all = append(all, e)
		r.Add(e)
		if i%10 == 0 {
			r.AddEstimate("R1", e.Seq, e.Received, e.Sample.Time, record.Answers{Numbers: []float64{float64(i) / 7, aheadOf(i)}, Texts: []string{"hoisting"}})
		}
		if i%100 == 50 {
			r.AddEvent("R1", e.Seq, e.Received, []byte(fmt.Sprintf(`{"time":%q,"rig":"R1","alarm":"overhoist","event":"raised",`+
				`"state":"raised","priority":"high","reason":"near \"the\" crown","value":1.5,"limit":null,"unit":"m","occurrence":1,"version":1}`,
				e.Received.Format("2006-01-02T15:04:05.000Z"))))
		}
		if i == 200 {
			eventually(t, "the first half but its last entry", func() bool { _, n := s.counts(); return n >= len(wanted(all[:200]...)) })
		}
	}
	if err := r.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	stop(t, f)
	got, want := s.snapshot(), wanted(all...)
	for i := 0; i < len(all); i += 10 {
		at := all[i].Sample.Time.UnixNano()
		want[value{"hoist,rig=R1 height_m", at}] = float64(i) / 7
		if i%20 == 0 {
			want[value{"hoist,rig=R1 seconds_to_act", at}] = aheadOf(i)
		}
	}
	for _, n := range []int{50, 150, 250, 350} {
		at := all[n].Received.Truncate(time.Millisecond).UnixNano() + int64(n+1)
		want[value{"alarm,alarm=overhoist,event=raised,rig=R1 value", at}] = 1.5
		want[value{"alarm,alarm=overhoist,event=raised,rig=R1 occurrence", at}] = 1
		if got := s.texts[value{"alarm,alarm=overhoist,event=raised,rig=R1 reason", at}]; got != `near "the" crown` {
			t.Errorf("event of entry %d: got the reason %q", n+1, got)
		}
	}
	compare(t, got, want, 0)
}

// aheadOf is a time to act; infinite, nothing ahead, in every second estimate.
func aheadOf(i int) float64 {
	if i%20 == 0 {
		return float64(i)
	}
	return math.Inf(1)
}

// A gap of entries lost to overload is written when it is known, before entries that
// were waiting: they are not passed over.
func TestAGapAheadHidesNothing(t *testing.T) {
	dir := t.TempDir()
	s := newStore(t)
	o := options(t, dir, s.server.URL)
	r, err := record.Open(o.Recordings, record.Options{Interval: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	f := start(t, o)
	all := readings("R1", 0, 20, time.Second)
	add := func(i int) {
		e := all[i]
		e.Seq = uint64(i + 1)
		r.Add(e)
		if err := r.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 10 {
		add(i)
	}
	r.Add(ingest.Entry{Seq: 500, Rig: "R1", Received: noon.Add(time.Hour), Kind: ingest.EntryGap, Gap: &ingest.Gap{Lost: 3}})
	if err := r.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "what stands before the gap", func() bool { _, n := s.counts(); return n >= len(wanted(all[:9]...)) })
	for i := 10; i < 20; i++ {
		add(i)
	}
	if err := r.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	stop(t, f)
	compare(t, s.snapshot(), wanted(all...), 0)
}

func TestPlacesDamaged(t *testing.T) {
	all := readings("R1", 0, 1200, time.Second)
	for _, c := range []struct {
		name   string
		damage func(path string) error
	}{
		{"overwritten", func(p string) error { return os.WriteFile(p, bytes.Repeat([]byte("x"), 8192), 0o644) }},
		{"torn", func(p string) error { return os.Truncate(p, 1500) }},
		{"another program's", func(p string) error { return os.WriteFile(p, []byte("{}\n"), 0o644) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStore(t)
			o := options(t, t.TempDir(), s.server.URL)
			recordAll(t, o.Recordings, 1, all...)
			stop(t, start(t, o))
			if err := c.damage(filepath.Join(o.State, placesFile)); err != nil {
				t.Fatal(err)
			}
			f := start(t, o)
			stop(t, f)
			compare(t, s.snapshot(), wanted(all...), 0)
			if notes := f.Status().Notes; len(notes) != 1 || !strings.Contains(notes[0], "was set aside") {
				t.Errorf("got the notes %q, want one of a file that was set aside", notes)
			}
			if s.lines != 2*len(all) {
				t.Errorf("got %d lines, want %d: all of it again", s.lines, 2*len(all))
			}
			if found, _ := filepath.Glob(filepath.Join(o.State, placesFile+".damaged-*")); len(found) == 0 {
				t.Error("the damaged file is not kept")
			}
		})
	}
}

// Recordings that were removed or set aside take their count along: the new ones
// begin lower than the place.
func TestRecordingsThatBeginAnew(t *testing.T) {
	s := newStore(t)
	o := options(t, t.TempDir(), s.server.URL)
	old := readings("R1", 0, 800, time.Second)
	recordAll(t, o.Recordings, 1, old...)
	stop(t, start(t, o))
	if err := os.RemoveAll(o.Recordings); err != nil {
		t.Fatal(err)
	}
	f := start(t, o)
	fresh := readings("R1", 5000, 300, time.Second)
	recordAll(t, o.Recordings, 1, fresh...)
	stop(t, f)
	compare(t, s.snapshot(), wanted(append(old, fresh...)...), 0)
}

func TestDamagedRecordingTakesNoOtherAlong(t *testing.T) {
	s := newStore(t)
	o := options(t, t.TempDir(), s.server.URL)
	all := readings("R1", 0, 300, time.Second)
	recordAll(t, o.Recordings, 1, all...)
	broken := filepath.Join(o.Recordings, "R1", "R1-2026-11-20.sqlite")
	if err := os.WriteFile(broken, []byte("not a recording, by far"), 0o644); err != nil {
		t.Fatal(err)
	}
	f := start(t, o)
	eventually(t, "the damage is told", func() bool { return strings.Contains(f.Status().Error, broken) })
	stop(t, f)
	compare(t, s.snapshot(), wanted(all...), 0)
}

func TestNothingIsSentAfterClose(t *testing.T) {
	s := newStore(t)
	o := options(t, t.TempDir(), s.server.URL)
	o.Batch = 20
	recordAll(t, o.Recordings, 1, readings("R1", 0, 5000, time.Second)...)
	f := start(t, o)
	eventually(t, "a first request", func() bool { n, _ := s.counts(); return n > 0 })
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := f.Close(ctx); err != nil {
		t.Fatal(err)
	}
	at, _ := s.counts()
	recordAll(t, o.Recordings, 10_000, readings("R1", 6000, 10, time.Second)...)
	if st := f.Status(); st.State != "stopped" {
		t.Errorf("got the state %q, want stopped", st.State)
	}
	if after, _ := s.counts(); after != at {
		t.Errorf("got %d requests after the close", after-at)
	}
}

// A server that never answers is given up at the stop's deadline.
func TestCloseWithAServerThatStalls(t *testing.T) {
	s := newStore(t)
	stalled := make(chan struct{})
	var once atomic.Bool
	s.setAnswer(func(w http.ResponseWriter, r *http.Request, _ []string) bool {
		if once.CompareAndSwap(false, true) {
			close(stalled)
		}
		<-r.Context().Done()
		return true
	})
	o := options(t, t.TempDir(), s.server.URL)
	o.Timeout = time.Hour
	all := readings("R1", 0, 100, time.Second)
	recordAll(t, o.Recordings, 1, all...)
	f := start(t, o)
	<-stalled
	ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer cancel()
	if err := f.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s.setAnswer(nil)
	stop(t, start(t, o))
	compare(t, s.snapshot(), wanted(all...), 0)
}
