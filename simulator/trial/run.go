package trial

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"runtime"
	"sync"
	"time"

	"hoistward/alarms/watch"
	"hoistward/ingest"
	"hoistward/simulator"
)

// Options say what trial to run.
type Options struct {
	Seed     uint64
	Count    int // cases
	Workers  int // 0 = one a processor
	Rigs     []Example
	Open     watch.Open
	Set      func(text []byte, path, value string) ([]byte, error) // one value of a rig file replaced
	Progress func()                                                // after each case, from any goroutine; nil = none
	Monitor  func(rig string) Monitor                              // what is judged; nil = [watch.Rig]
	Only     func(Kind) bool                                       // kinds to play, the others are drawn and left out; nil = all
}

// Failure is one answer that was not good enough.
type Failure struct {
	Case int
	Kind Kind
	Rig  string
	Row  string // of the table
	What string
	At   time.Duration // since the start of the case
}

// String returns the failure as a line for a person.
func (f Failure) String() string {
	return fmt.Sprintf("case %d (%v, %s) at %.1f s: %s: %s", f.Case, f.Kind, f.Rig, f.At.Seconds(), f.Row, f.What)
}

// Report is what a trial found.
type Report struct {
	Scores   Scores
	Failures []Failure // in order of cases
}

// outcome is what one case came to.
type outcome struct {
	tally    tally
	failures []Failure
	err      error
}

// Run plays the cases and scores them.
func Run(ctx context.Context, o Options) (*Report, error) {
	switch {
	case o.Count < 1:
		return nil, fmt.Errorf("count: got %d, want at least 1", o.Count)
	case o.Workers < 0:
		return nil, fmt.Errorf("workers: got %d, want at least 1, or 0 for one a processor", o.Workers)
	case len(o.Rigs) == 0:
		return nil, errors.New("rigs: got none, want at least one")
	}
	if o.Workers == 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.Monitor == nil {
		o.Monitor = func(rig string) Monitor { return watch.NewRig(rig, o.Open) }
	}
	out := make([]outcome, o.Count)
	next := make(chan int)
	var group sync.WaitGroup
	for range min(o.Workers, o.Count) {
		group.Go(func() {
			for i := range next {
				if o.Only == nil || o.Only(kindOf(i)) {
					out[i] = runCase(&o, i)
				}
				if o.Progress != nil {
					o.Progress()
				}
			}
		})
	}
	for i := 0; i < o.Count && ctx.Err() == nil; i++ {
		select {
		case next <- i:
		case <-ctx.Done():
		}
	}
	close(next)
	group.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return gather(&o, out)
}

// gather adds up in the order of cases, so that the order of finishing is of no
// account.
func gather(o *Options, out []outcome) (*Report, error) {
	var sum tally
	rep := &Report{}
	for i := range out {
		if err := out[i].err; err != nil {
			return nil, fmt.Errorf("case %d of seed %d: %w", i, o.Seed, err)
		}
		sum.merge(&out[i].tally)
		rep.Failures = append(rep.Failures, out[i].failures...)
	}
	rep.Scores = sum.scores(o.Seed, o.Count)
	return rep, nil
}

func runCase(o *Options, index int) (out outcome) {
	c, err := draw(o, index)
	if err != nil {
		return outcome{err: err}
	}
	judges := judgesOf(c)
	if err := play(c, o.Monitor(c.Rig), judges); err != nil {
		return outcome{err: err}
	}
	for _, j := range judges {
		j.end(&out.tally, func(row, what string, at float64) {
			out.failures = append(out.failures, Failure{
				Case: index, Kind: c.Kind, Rig: c.Rig, Row: row, What: what, At: time.Duration(at * 1e9),
			})
		})
	}
	return out
}

// Chances that a sample in motion is taken for a stop, at 10 samples a second.
const (
	stopChance   = 0.02
	standsChance = 0.002
)

func judgesOf(c *Case) []judge {
	probes := func(chance float64) *stops {
		return &stops{rng: rand.New(rand.NewPCG(c.seed, 1)), chance: chance * 10 / c.scenario.Rate}
	}
	switch c.Kind {
	case StopCase:
		return []judge{probes(stopChance), &heights{}}
	case ContactCase:
		return []judge{newContacts(c.base)}
	case StandsCase:
		return []judge{probes(standsChance), &heights{}, &ordinary{}}
	case FadeCase:
		return []judge{newFade(c.base, 0)}
	case AuxiliaryCase:
		return []judge{newAuxiliary(0)}
	case SensorCase:
		return []judge{newSensors(c.base, c.lie)}
	case HeatCase:
		return []judge{&temperature{after: 7200}, &ordinary{}}
	}
	return nil
}

// Entries plays the case of that index again: its entries as the monitor had them,
// and to truth what was so.
func Entries(o Options, index int, truth func(*simulator.Truth) error) iter.Seq2[ingest.Entry, error] {
	return func(yield func(ingest.Entry, error) bool) {
		c, err := draw(&o, index)
		if err != nil {
			yield(ingest.Entry{}, err)
			return
		}
		f, err := newFeed(c)
		if err != nil {
			yield(ingest.Entry{}, err)
			return
		}
		var x simulator.Truth
		for f.next(&x, func(e *ingest.Entry) bool { return yield(*e, nil) }) {
			if err := truth(&x); err != nil {
				yield(ingest.Entry{}, err)
				return
			}
			if c.contact() && (x.Event == simulator.CrownContact || x.Event == simulator.FloorContact) {
				return
			}
		}
	}
}
