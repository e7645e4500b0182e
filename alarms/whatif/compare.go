// Package whatif plays one recording under several rig files at once and says what
// would have been otherwise: which alarms come, go or move, how far the bounds of
// the rest points move, and how the warning depends on one value.
//
// Each side is a fleet of its own that takes the same entries by the same code as
// live. It may not read a clock or reach a disk. Memory does not grow with the
// recording but by the alarms in it.
package whatif

import (
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// Change returns the rig file that is in force instead of the recorded one.
type Change func(recorded []byte) ([]byte, error)

// AsRecorded changes nothing.
func AsRecorded(recorded []byte) ([]byte, error) { return recorded, nil }

// side is one way that things may have been.
type side struct {
	fleet  *watch.Fleet
	change Change
}

func newSide(open watch.Open, change Change) side { return side{watch.NewFleet(open), change} }

func (s *side) apply(e *ingest.Entry) (watch.Outcome, error) {
	if e.Kind != ingest.EntrySession {
		return s.fleet.Apply(e)
	}
	text, err := s.change([]byte(e.Session.RigFile))
	if err != nil {
		return watch.Outcome{}, err
	}
	session, entry := *e.Session, *e
	session.RigFile = string(text)
	entry.Session = &session
	return s.fleet.Apply(&entry)
}

// Comparison sets a change against what was recorded.
type Comparison struct {
	recorded, changed side
	alarms            raisings
	bounds            map[string]*spreads
}

// Compare returns a comparison that has seen nothing yet.
func Compare(open watch.Open, change Change) *Comparison {
	return &Comparison{
		recorded: newSide(open, AsRecorded), changed: newSide(open, change),
		alarms: raisings{}, bounds: map[string]*spreads{},
	}
}

// Fleet returns the rigs under the change.
func (c *Comparison) Fleet() *watch.Fleet { return c.changed.fleet }

// Apply takes an entry on both sides and returns the outcome under the change. The
// comparison counts the entry where counted holds; before that, it only brings
// both sides to the state in which they would have been.
func (c *Comparison) Apply(e *ingest.Entry, counted bool) (watch.Outcome, error) {
	was, err := c.recorded.apply(e)
	if err != nil {
		return watch.Outcome{}, err
	}
	if counted {
		c.alarms.add(was.Events, 0)
	}
	would, err := c.changed.apply(e)
	if err != nil || !counted {
		return would, err
	}
	c.alarms.add(would.Events, 1)
	if was.Estimate != nil && would.Estimate != nil {
		s := c.bounds[e.Rig]
		if s == nil {
			s = &spreads{}
			c.bounds[e.Rig] = s
		}
		s.add(was.Estimate, would.Estimate)
	}
	return would, nil
}

// Result is what a comparison has found.
type Result struct {
	Alarms []Shift    `json:"alarms"`
	Bounds []RigBound `json:"bounds"`
}

// Result returns what has been found up to now.
func (c *Comparison) Result() Result {
	return Result{c.alarms.shifts(), bounds(c.bounds)}
}

// Fate says what becomes of an alarm under the change.
type Fate string

// The fates.
const (
	Comes Fate = "comes"
	Goes  Fate = "goes"
	Moves Fate = "moves"
	Stays Fate = "stays"
)

// Shift is one alarm under both.
type Shift struct {
	Rig      string     `json:"rig"`
	Alarm    string     `json:"alarm"`
	Channel  string     `json:"channel,omitempty"`
	Fate     Fate       `json:"fate"`
	Recorded *time.Time `json:"recorded"` // raised as recorded; nil = not
	Changed  *time.Time `json:"changed"`  // raised under the change; nil = not
	Seconds  *float64   `json:"shift_s"`  // Changed less Recorded, where both are
}

// sameWithin is how far apart an alarm may be raised on the two sides and still be
// about the same event: less than a stand takes, more than any limit moves it.
const sameWithin = 60 * time.Second

type slot struct{ rig, alarm, channel string }

// raisings holds when each alarm was raised on the two sides.
type raisings map[slot]*[2][]time.Time

func (r raisings) add(events []alarms.Event, side int) {
	for i := range events {
		e := &events[i]
		if e.Event != alarms.EventRaised {
			continue
		}
		k := slot{e.Rig, e.Alarm, e.Channel}
		if r[k] == nil {
			r[k] = &[2][]time.Time{}
		}
		r[k][side] = append(r[k][side], e.Time)
	}
}

// shifts pairs the raisings of each alarm in order of time: two that are near enough
// to be about the same event are one alarm that stays or moves.
func (r raisings) shifts() []Shift {
	out := []Shift{}
	for k, sides := range r {
		a, b := sides[0], sides[1]
		for len(a) > 0 || len(b) > 0 {
			s := Shift{Rig: k.rig, Alarm: k.alarm, Channel: k.channel}
			switch {
			case len(b) == 0 || (len(a) > 0 && b[0].Sub(a[0]) > sameWithin):
				s.Fate, s.Recorded, a = Goes, &a[0], a[1:]
			case len(a) == 0 || a[0].Sub(b[0]) > sameWithin:
				s.Fate, s.Changed, b = Comes, &b[0], b[1:]
			default:
				s.pair(&a[0], &b[0])
				a, b = a[1:], b[1:]
			}
			out = append(out, s)
		}
	}
	sortShifts(out)
	return out
}

func (s *Shift) pair(recorded, changed *time.Time) {
	by := changed.Sub(*recorded).Seconds()
	s.Recorded, s.Changed, s.Seconds, s.Fate = recorded, changed, &by, Moves
	if by == 0 {
		s.Fate = Stays
	}
}
