package simulator

import (
	"bytes"
	"fmt"
	"math"
	"testing"
	"time"

	"hoistward/ingest"
)

func start(t testing.TB, name string, seed uint64) *Run {
	t.Helper()
	s, err := LoadScenario(name)
	if err != nil {
		t.Fatal(err)
	}
	run, err := New(r1(), s, seed)
	if err != nil {
		t.Fatal(err)
	}
	return run
}

// bytesOf is all that a run says and all that is so, as text.
func bytesOf(t *testing.T, run *Run, samples int) []byte {
	t.Helper()
	var b bytes.Buffer
	w := NewTruthWriter(&b)
	var s ingest.Sample
	var x Truth
	for range samples {
		if !run.Next(&s, &x) {
			break
		}
		fmt.Fprintln(&b, s.Time.UnixNano(), s.Has, s.Values)
		if err := w.Write(&x); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestSameSeedSameBytes(t *testing.T) {
	for _, name := range []string{"tripping", "overhoist", "fade"} {
		one, two := bytesOf(t, start(t, name, 5), 2000), bytesOf(t, start(t, name, 5), 2000)
		if !bytes.Equal(one, two) {
			t.Errorf("%s: two runs of one seed differ", name)
		}
		if other := bytesOf(t, start(t, name, 6), 2000); bytes.Equal(one, other) {
			t.Errorf("%s: seeds 5 and 6 give the same bytes", name)
		}
	}
}

// Writing the truth or not, and reading the sample or not, changes nothing.
func TestLookingChangesNothing(t *testing.T) {
	one, two := start(t, "tripping", 5), start(t, "tripping", 5)
	var s1, s2 ingest.Sample
	var x Truth
	for range 3000 {
		one.Next(&s1, nil)
		two.Next(&s2, &x)
		if s1 != s2 {
			t.Fatalf("at %v: %+v against %+v", one.Elapsed(), s1, s2)
		}
	}
}

func TestNoAllocationUnderWay(t *testing.T) {
	run := start(t, "tripping", 1)
	var s ingest.Sample
	var x Truth
	run.Next(&s, &x)
	if n := testing.AllocsPerRun(2000, func() { run.Next(&s, &x) }); n != 0 {
		t.Errorf("%.3f allocations a sample, want none", n)
	}
}

// Samples come at the period, by the source's clock, from Start on, and the
// scenario ends on time.
func TestTimesAndEnd(t *testing.T) {
	run := start(t, "overhoist", 1)
	begin := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	run.Start(begin)
	var s ingest.Sample
	n := 0
	for run.Next(&s, nil) {
		n++
		if want := begin.Add(time.Duration(n) * 100 * time.Millisecond); !s.Time.Equal(want) {
			t.Fatalf("sample %d at %v, want %v", n, s.Time, want)
		}
		for _, c := range defaultChannels {
			if v, ok := s.Values[c].Float(); !s.Named(c) || !ok || math.IsNaN(v) {
				t.Fatalf("sample %d: %v missing", n, c)
			}
		}
	}
	if n != 600 {
		t.Errorf("%d samples in 60 s at 10 Hz, want 600", n)
	}
}

// Ordinary work keeps clear of both limits, on every seed, by enough that a
// watcher who wants 1.5 s to act keeps quiet.
func TestOrdinaryWorkIsQuiet(t *testing.T) {
	for _, name := range []string{"trip-out", "trip-in"} {
		for seed := range uint64(6) {
			run := start(t, name, seed)
			w := watcher{run.pl.p.rig, run.pl.drum}
			var x Truth
			worst, at := math.Inf(1), 0.0
			for run.Next(nil, &x) {
				if x.Event != NoEvent {
					t.Errorf("%s, seed %d: %v at %.1f s", name, seed, x.Event, x.Time)
				}
				if room := w.room(&x); room < worst {
					worst, at = room, x.Time
				}
			}
			if x.Stand < 4 {
				t.Errorf("%s, seed %d: %d stands in %v", name, seed, x.Stand, run.Elapsed())
			}
			if !(worst > 0) {
				t.Errorf("%s, seed %d: %.2f m short of quiet at %.1f s", name, seed, -worst, at)
			}
		}
	}
}

// The demo's default: calm for the first minute, one trouble within three, and
// nothing is struck for an hour.
func TestTrippingGetsIntoTrouble(t *testing.T) {
	kinds := map[string]int{}
	for seed := range uint64(12) {
		run := start(t, "tripping", seed)
		w := watcher{run.pl.p.rig, run.pl.drum}
		var x Truth
		first := 0.0
		for run.Elapsed() < 15*time.Minute && run.Next(nil, &x) {
			if x.Event == CrownContact || x.Event == FloorContact {
				t.Errorf("seed %d: %v at %.1f s", seed, x.Event, x.Time)
			}
			if x.Time < 60 && w.room(&x) < 0 {
				t.Errorf("seed %d: trouble at %.1f s already", seed, x.Time)
			}
			if first == 0 && run.Trouble() != "" {
				first = x.Time
				kinds[run.Trouble()]++
			}
		}
		if first < 60 || first > 110 {
			t.Errorf("seed %d: first trouble at %.0f s, want 60 to 110", seed, first)
		}
		if x.Stand < 3 {
			t.Errorf("seed %d: %d stands in 15 minutes: stuck", seed, x.Stand)
		}
	}
	if len(kinds) < 3 {
		t.Errorf("troubles over 12 seeds: %v, want all three kinds", kinds)
	}
}

// 100 times real time on one core is asked; the figure is printed.
func BenchmarkRun(b *testing.B) {
	for _, name := range []string{"tripping", "trip-out"} {
		b.Run(name, func(b *testing.B) {
			s, err := LoadScenario(name)
			if err != nil {
				b.Fatal(err)
			}
			s.Duration = 0
			run, err := New(r1(), s, 1)
			if err != nil {
				b.Fatal(err)
			}
			var x ingest.Sample
			var truth Truth
			b.ReportAllocs()
			for b.Loop() {
				run.Next(&x, &truth)
			}
			b.ReportMetric(float64(b.N)*run.Period().Seconds()/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}

// 200 rigs at 10 Hz: the figure is the share of one core that they take.
func BenchmarkTwoHundredRigs(b *testing.B) {
	s, err := LoadScenario("tripping")
	if err != nil {
		b.Fatal(err)
	}
	var runs [200]*Run
	for i := range runs {
		if runs[i], err = New(r1(), s, uint64(i)); err != nil {
			b.Fatal(err)
		}
	}
	var x ingest.Sample
	for b.Loop() {
		for _, run := range runs {
			run.Next(&x, nil)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/0.1, "of_a_core")
}
