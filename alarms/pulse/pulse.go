// Package pulse tells whether a monitor is watching, from what was seen to turn: each
// rig's entries decided, each queue moved on. A beat is made of a whole round alone,
// so that no timer can go on saying that all is well when the way through has stopped.
//
// It may not read a clock, wait, or reach anything: what was seen, and when, is handed in.
package pulse

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

const (
	// Every is the least time between two beats.
	Every = time.Second
	// Late is how long a rig may go without an entry that was decided, and a queue
	// with something in it without moving on. Silent rigs get a tick each quarter of a
	// second. Chosen here: eight of them.
	Late = 2 * time.Second
)

// Round finds when the loop has gone round: every rig had an entry decided since the
// round before. It is not safe for concurrent use.
type Round struct {
	rigs  map[string]*turns
	names []string
	n     uint64 // of the round under way, from 1
	left  int    // rigs that had no entry in it yet
	begun time.Time
}

type turns struct {
	name    string
	round   uint64
	turned  time.Time // its newest entry was decided
	reading time.Time // its newest reading was
}

// NewRound begins with every rig unseen.
func NewRound(rigs []string, now time.Time) *Round {
	r := &Round{rigs: map[string]*turns{}, names: slices.Clone(rigs), n: 1, left: len(rigs), begun: now}
	for _, name := range rigs {
		r.rigs[name] = &turns{name: name}
	}
	return r
}

// Turn takes that an entry of rig was decided. It returns true when that ends a round:
// every rig has turned in it, and it lasted Every at least.
func (r *Round) Turn(rig string, reading bool, now time.Time) bool {
	t := r.rigs[rig]
	if t == nil {
		return false
	}
	t.turned = now
	if reading {
		t.reading = now
	}
	if t.round != r.n {
		t.round = r.n
		r.left--
	}
	if r.left > 0 || now.Sub(r.begun) < Every {
		return false
	}
	r.n, r.left, r.begun = r.n+1, len(r.rigs), now
	return true
}

// Way is a queue between two parts of the way through.
type Way struct {
	Name    string
	Waiting bool      // something was in it at the last look
	Moved   time.Time // when something was last taken out of it, or it was empty
}

// Stuck says what is wrong with the way, empty where nothing is.
func (w *Way) Stuck(now time.Time) string {
	if !w.Waiting || now.Sub(w.Moved) <= Late {
		return ""
	}
	return fmt.Sprintf("%s: nothing was taken for %s", w.Name, seconds(now.Sub(w.Moved)))
}

// Source is a link that readings of some rigs come by.
type Source struct {
	Name  string
	State string // in words
	Open  bool
	Rigs  []string      // none = of any
	Quiet time.Duration // without a reading for so long, a rig is not watched
}

func (s *Source) of(rig string) bool { return len(s.Rigs) == 0 || slices.Contains(s.Rigs, rig) }

// RigState is whether one rig is watched.
type RigState struct {
	Rig     string   `json:"rig"`
	Watched bool     `json:"watched"`
	Missing []string `json:"missing"` // what is not there for it; empty while it is watched
}

// State is whether the monitor watches what it should.
type State struct {
	Watching bool       `json:"watching"` // every rig is watched
	Rigs     []RigState `json:"rigs"`
	Stuck    []string   `json:"stuck"` // ways that nothing goes through
}

// Watched counts the rigs that are.
func (s *State) Watched() int {
	n := 0
	for i := range s.Rigs {
		if s.Rigs[i].Watched {
			n++
		}
	}
	return n
}

// Words is the state in one line.
func (s *State) Words() string {
	out := fmt.Sprintf("watching %d of %d rigs", s.Watched(), len(s.Rigs))
	if len(s.Stuck) > 0 {
		return out + "; " + strings.Join(s.Stuck, "; ")
	}
	for i := range s.Rigs {
		if r := &s.Rigs[i]; !r.Watched {
			return out + "; " + r.Rig + ": " + strings.Join(r.Missing, ", ")
		}
	}
	return out
}

// Judge tells of each rig whether it is watched now. A rig is, while its entries are
// decided, a source of its is open, its readings come, and no way is stuck.
func (r *Round) Judge(now time.Time, sources []Source, ways []Way) State {
	s := State{Watching: true, Stuck: []string{}, Rigs: make([]RigState, 0, len(r.names))}
	for i := range ways {
		if why := ways[i].Stuck(now); why != "" {
			s.Stuck = append(s.Stuck, why)
		}
	}
	for _, name := range r.names {
		missing := append(r.missing(name, now, sources), s.Stuck...)
		s.Rigs = append(s.Rigs, RigState{name, len(missing) == 0, missing})
		s.Watching = s.Watching && len(missing) == 0
	}
	return s
}

func (r *Round) missing(name string, now time.Time, sources []Source) []string {
	t, out := r.rigs[name], []string{}
	switch {
	case t.turned.IsZero():
		out = append(out, "the loop has not looked at it yet")
	case now.Sub(t.turned) > Late:
		out = append(out, "the loop has not looked at it for "+seconds(now.Sub(t.turned)))
	}
	quiet, open, shut := time.Duration(0), false, []string{}
	for i := range sources {
		s := &sources[i]
		switch {
		case !s.of(name):
			continue
		case s.Open:
			open = true
		default:
			shut = append(shut, fmt.Sprintf("source %s is %s", s.Name, s.State))
		}
		quiet = max(quiet, s.Quiet)
	}
	if !open {
		out = append(out, shut...)
	}
	switch {
	case t.reading.IsZero():
		out = append(out, "no reading has come")
	case now.Sub(t.reading) > max(quiet, Late):
		out = append(out, "no reading for "+seconds(now.Sub(t.reading)))
	}
	return out
}

func seconds(d time.Duration) string { return fmt.Sprintf("%.1f s", d.Seconds()) }
