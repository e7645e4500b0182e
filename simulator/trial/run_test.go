package trial

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/simulator"
)

func options(t testing.TB, seed uint64, count, workers int) Options {
	t.Helper()
	o := Options{Seed: seed, Count: count, Workers: workers, Open: configs.OpenRig, Set: configs.Set}
	for _, name := range configs.Names() {
		_, text, err := configs.LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		o.Rigs = append(o.Rigs, Example{name, text})
	}
	return o
}

// A small trial of the real monitor: the same to the last digit on any number of
// workers, other on another seed, every figure what it can be. Goals are for the
// program's own trial, not for this.
func TestSameOnAnyNumberOfWorkers(t *testing.T) {
	const count = 8
	var texts []string
	var first *Report
	for _, workers := range []int{1, 3} {
		var done atomic.Int64
		o := options(t, 5, count, workers)
		o.Progress = func() { done.Add(1) }
		rep, err := Run(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(&rep.Scores)
		if err != nil {
			t.Fatal(err)
		}
		texts = append(texts, fmt.Sprint(string(text), rep.Failures))
		if done.Load() != count {
			t.Errorf("%d cases told of, want %d", done.Load(), count)
		}
		first = rep
	}
	if texts[0] != texts[1] {
		t.Errorf("one worker\n%s\nthree\n%s", texts[0], texts[1])
	}
	s := &first.Scores
	if s.Seed != 5 || s.Count != count {
		t.Errorf("seed %d, count %d", s.Seed, s.Count)
	}
	if s.Stops < 10 || s.Contacts < 1 || s.Stands < 5 || s.Avoidable > s.Contacts || s.InTime+s.Silent > s.Avoidable {
		t.Errorf("counts that cannot be: %+v", s)
	}
	for what, x := range map[string]struct{ got, lo, hi float64 }{
		"coverage":     {float64(s.BoundCoverage), 0.5, 1}, // a monitor that knows anything has half of them
		"expected":     {float64(s.ExpectedError), 0, 1},
		"excess up":    {float64(s.ExcessUp), -1, 3},
		"height":       {float64(s.HeightRMS), 0.1, 200},
		"height worst": {float64(s.HeightWorst), float64(s.HeightRMS), 2000},
		"nuisance":     {float64(s.Nuisance), 0, 5000},
	} {
		if !(x.got >= x.lo && x.got <= x.hi) {
			t.Errorf("%s: %g, want %g to %g", what, x.got, x.lo, x.hi)
		}
	}
}

// mute is a monitor that never says anything.
type mute struct{}

func (mute) Apply(*ingest.Entry) (watch.Outcome, error) { return watch.Outcome{}, nil }

// constant is a monitor that says the same of everything.
type constant struct{ e detect.Estimate }

func (c *constant) Apply(e *ingest.Entry) (watch.Outcome, error) {
	if e.Kind != ingest.EntrySample {
		return watch.Outcome{}, nil
	}
	return watch.Outcome{Estimate: &c.e}, nil
}

// A monitor that says nothing is silent at every contact and finds nothing; it makes
// no nuisance either.
func TestMuteMonitor(t *testing.T) {
	o := options(t, 9, 10, 2)
	o.Monitor = func(string) Monitor { return mute{} }
	rep, err := Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	s := &rep.Scores
	if s.Avoidable < 1 || s.Silent != s.Avoidable || s.InTime != 0 || s.SensorFound != 0 || s.AuxiliaryFound != 0 || s.FadeFound != 0 {
		t.Errorf("%+v; want silence at every contact and nothing found", s)
	}
	if s.Stops != 0 || float64(s.Nuisance) != 0 || s.Stands < 5 {
		t.Errorf("%+v; want no stop answered, no nuisance, some stands", s)
	}
}

// A bound as wide as the mast covers every stop, is not sharp, and an expected rest at
// the floor is wrong by the height of the block.
func TestConstantMonitor(t *testing.T) {
	o := options(t, 9, 6, 2)
	o.Monitor = func(string) Monitor {
		return &constant{detect.Estimate{Height: 20, RestUp: 0, RestUpBound: 1000, RestDown: 1000, RestDownBound: -1000}}
	}
	rep, err := Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	s := &rep.Scores
	if s.Stops < 5 || s.BoundCoverage != 1 || !(s.ExcessUp > 900 || math.IsNaN(float64(s.ExcessUp))) || !(s.ExpectedError > 3) || !(s.HeightWorst > 5000) {
		t.Errorf("%+v", s)
	}
}

type refusing struct{}

var errRefused = errors.New("refused")

func (refusing) Apply(*ingest.Entry) (watch.Outcome, error) { return watch.Outcome{}, errRefused }

func TestRunRefuses(t *testing.T) {
	for want, change := range map[string]func(*Options){
		"count: got 0":    func(o *Options) { o.Count = 0 },
		"workers: got -1": func(o *Options) { o.Workers = -1 },
		"rigs: got none":  func(o *Options) { o.Rigs = nil },
		"refused":         func(o *Options) { o.Monitor = func(string) Monitor { return refusing{} } },
		"rig X":           func(o *Options) { o.Rigs = []Example{{"X", []byte("rig: X\n")}} },
	} {
		o := options(t, 1, 2, 1)
		change(&o)
		if _, err := Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Run(ctx, options(t, 1, 50, 1)); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want cancelled", err)
	}
}

// Every kind of case is drawn from rig files that open, differ from their example,
// and can be played; the plant is another than the file says.
func TestDraw(t *testing.T) {
	o := options(t, 3, 1, 1)
	seen := [numKinds]int{}
	texts := map[string]bool{}
	for i := range 200 {
		c, err := draw(&o, i)
		if err != nil {
			t.Fatal(err)
		}
		again, err := draw(&o, i)
		if err != nil || !reflect.DeepEqual(c, again) {
			t.Fatalf("case %d drawn twice differs, %v", i, err)
		}
		seen[c.Kind]++
		texts[string(c.text)] = true
		if c.scenario.Spread != 1 {
			t.Errorf("case %d: spread %g, want a plant drawn around the file", i, c.scenario.Spread)
		}
		if c.Kind == AuxiliaryCase && c.base.Auxiliary.Kind == 0 {
			t.Errorf("case %d: no auxiliary brake to lose", i)
		}
		if _, err := newFeed(c); err != nil {
			t.Errorf("case %d: %v", i, err)
		}
	}
	for k, n := range seen {
		if n < 2 {
			t.Errorf("%d cases of %v in 200, want some of each", n, Kind(k))
		}
	}
	if len(texts) < 195 {
		t.Errorf("%d different rig files in 200 cases", len(texts))
	}
}

// noting is the real monitor, with a note of what it was given.
type noting struct {
	Monitor
	got []ingest.Entry
}

func (n *noting) Apply(e *ingest.Entry) (watch.Outcome, error) {
	n.got = append(n.got, *e)
	return n.Monitor.Apply(e)
}

// What is recorded of a failed case is what the monitor had, entry by entry.
// A case whose score is settled ends for the monitor; its entries go on.
func TestEntriesAreThoseOfTheCase(t *testing.T) {
	o := options(t, 4, 1, 1)
	for _, index := range []int{0, 1, 7} { // a stop, a contact, an auxiliary brake lost
		n := &noting{Monitor: mute{}}
		o.Monitor = func(string) Monitor { return n }
		if out := runCase(&o, index); out.err != nil {
			t.Fatal(out.err)
		}
		k, rows := 0, 0
		for e, err := range Entries(o, index, func(*simulator.Truth) error { rows++; return nil }) {
			if err != nil || (k < len(n.got) && !reflect.DeepEqual(e, n.got[k])) {
				t.Fatalf("case %d: entry %d is not the monitor's, %v", index, k, err)
			}
			k++
		}
		if k < len(n.got) || len(n.got) < 100 || rows < 100 {
			t.Errorf("case %d: %d entries, the monitor had %d; %d rows of truth", index, k, len(n.got), rows)
		}
	}
}

// Entries carry nothing that instruments do not say: the entries of a case tell the
// fault's name nowhere, and channels that are not fitted never come.
func TestMonitorIsToldNothing(t *testing.T) {
	o := options(t, 4, 1, 1)
	c, err := draw(&o, 3)
	if err != nil {
		t.Fatal(err)
	}
	fitted := uint32(0)
	for _, ch := range c.scenario.Channels {
		fitted |= 1 << ch
	}
	for e, err := range Entries(o, 3, func(*simulator.Truth) error { return nil }) {
		if err != nil {
			t.Fatal(err)
		}
		switch e.Kind {
		case ingest.EntrySession:
			if e.Session.Alarms != "" || strings.Contains(e.Session.RigFile, "brake_friction") {
				t.Fatalf("session %+v", e.Session)
			}
		case ingest.EntrySample:
			if e.Sample.Has&^fitted != 0 {
				t.Fatalf("channels %b came, %b are fitted", e.Sample.Has, fitted)
			}
		case ingest.EntryTick:
		default:
			t.Fatalf("an entry of kind %d", e.Kind)
		}
	}
}

// BenchmarkCases plays the first cases of a trial, one after the other.
func BenchmarkCases(b *testing.B) {
	o := options(b, 1, 1, 1)
	o.Monitor = func(rig string) Monitor { return watch.NewRig(rig, o.Open) }
	i := 0
	for b.Loop() {
		if out := runCase(&o, i%10); out.err != nil {
			b.Fatal(out.err)
		}
		i++
	}
}
