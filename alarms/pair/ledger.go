package pair

import (
	"slices"
	"time"

	"hoistward/alarms"
)

const (
	// Window is how far the two members' times of one event may be apart: they receive
	// the same readings, by clocks that are set by NTP, and a restarted one may decide
	// a little later. Chosen here.
	Window = 6 * time.Second
	// Most bounds the events of either member that are remembered, some days of them.
	Most = 20000
)

// Verdict is what becomes of an event at a destination.
type Verdict uint8

// The verdicts.
const (
	Send Verdict = iota
	Skip         // it is told, or is not to be
	Wait         // not known yet
)

// Told is an event as the other member sent it.
type Told struct {
	ID   string
	At   time.Time
	used bool // one of ours is this one
}

type eventKey struct {
	rig, alarm, channel string
	kind                alarms.EventKind
}

type alarmKey struct{ rig, alarm, channel string }

func keyOf(e *alarms.Event) eventKey { return eventKey{e.Rig, e.Alarm, e.Channel, e.Event} }
func (k eventKey) whose() alarmKey   { return alarmKey{k.rig, k.alarm, k.channel} }

// Ledger knows what the other member has told, and which of our events that is. Times
// and numbers are arguments; it is not safe for concurrent use.
type Ledger struct {
	told   map[eventKey][]*Told
	order  []eventKey             // of told, oldest first
	stands map[alarmKey]bool      // as the other told it last; forgotten once we tell of it
	ours   map[int64]*Told        // by our number: which of the other's it is; nil = it was left, since the other spoke and did not tell it
	seqs   []int64                // of ours, oldest first
	last   map[alarmKey]ours      // our newest raising or clearing
	undone map[eventKey]time.Time // when we told one last
	again  map[int64]bool         // ours that were passed over and are news now
	since  time.Time              // we speak; zero = we never did
}

type ours struct {
	before, seq int64
	raised      bool
}

// NewLedger returns one that knows of nothing.
func NewLedger() *Ledger {
	return &Ledger{told: map[eventKey][]*Told{}, stands: map[alarmKey]bool{}, ours: map[int64]*Told{}, last: map[alarmKey]ours{},
		undone: map[eventKey]time.Time{}, again: map[int64]bool{}}
}

// Tell takes an event that the other member sent out.
func (l *Ledger) Tell(e *alarms.Event, t Told) {
	k := keyOf(e)
	for _, have := range l.told[k] {
		if have.ID == t.ID {
			return // it came twice
		}
	}
	switch e.Event {
	case alarms.EventRaised:
		l.stands[k.whose()] = true
	case alarms.EventCleared, alarms.EventReset:
		l.stands[k.whose()] = false
	}
	l.told[k] = append(l.told[k], &t)
	l.order = append(l.order, k)
	if len(l.order) > Most {
		old := l.order[0]
		l.order = l.order[1:]
		l.told[old] = l.told[old][1:]
	}
}

// Alarm names an alarm of a rig.
type Alarm struct {
	Alarm   string `json:"alarm"`
	Channel string `json:"channel"`
}

// Stand takes what a rig stands with, as the broker keeps it of the other: what is in it
// and active was raised, what is not in it was cleared, and of the rest nothing is known.
func (l *Ledger) Stand(rig string, standing []Standing) {
	in := map[alarmKey]bool{}
	for _, s := range standing {
		k := alarmKey{rig, s.Alarm.Alarm, s.Channel}
		in[k] = true
		state := s.State
		if s.Beneath != "" {
			state = s.Beneath
		}
		switch state {
		case alarms.Unacknowledged.String(), alarms.Acknowledged.String():
			l.stands[k] = true
		case alarms.ReturnedUnacknowledged.String():
			l.stands[k] = false
		default:
			delete(l.stands, k)
		}
	}
	for k := range l.last {
		if k.rig == rig && !in[k] {
			l.stands[k] = false
		}
	}
}

// Match returns the other's event that ours of number seq is; nil = none is known.
func (l *Ledger) Match(e *alarms.Event, seq int64) *Told {
	if t, known := l.ours[seq]; known {
		return t
	}
	var best *Told
	for _, t := range l.told[keyOf(e)] {
		apart := t.At.Sub(e.Time).Abs()
		if !t.used && apart <= Window && (best == nil || apart < best.At.Sub(e.Time).Abs()) && !l.over(e, t.At) {
			best = t
		}
	}
	if best != nil {
		best.used = true
		l.remember(seq, best)
	}
	return best
}

// over tells whether what was raised or cleared at was undone before ours came: then
// ours is another.
func (l *Ledger) over(e *alarms.Event, at time.Time) bool {
	k := keyOf(e)
	switch e.Event {
	case alarms.EventRaised:
		k.kind = alarms.EventCleared
	case alarms.EventCleared:
		k.kind = alarms.EventRaised
	default:
		return false
	}
	between := func(t time.Time) bool { return t.After(at) && t.Add(Settled).Before(e.Time) }
	for _, t := range slices.Backward(l.told[k]) {
		if between(t.At) {
			return true
		}
		if !t.At.After(at) {
			break
		}
	}
	return between(l.undone[k])
}

func (l *Ledger) remember(seq int64, t *Told) {
	l.ours[seq] = t
	l.seqs = append(l.seqs, seq)
	if len(l.seqs) > Most {
		delete(l.ours, l.seqs[0])
		l.seqs = l.seqs[1:]
	}
}

// Own takes a line of our journal, in its order: it begins after before and ends at seq.
func (l *Ledger) Own(e *alarms.Event, before, seq int64) {
	k := keyOf(e).whose()
	if seq <= l.last[k].seq {
		return
	}
	switch e.Event {
	case alarms.EventRaised:
		l.last[k] = ours{before, seq, true}
	case alarms.EventCleared, alarms.EventReset:
		l.last[k] = ours{before, seq, false}
	}
}

// Begin takes that we speak from now on.
func (l *Ledger) Begin(now time.Time) { l.since = now }

// Settled is how long after Begin it is looked whether what the other told last still
// holds with us: for so long the two may be apart in one change. Chosen here.
const Settled = time.Second

// Settle returns where in our journal the oldest change begins by which we stand
// otherwise than the other told: it found less, or was gone before it could tell, and
// ours was passed over meanwhile. It is news now. False = there is none.
func (l *Ledger) Settle() (before int64, any bool) {
	for k, mine := range l.last {
		stands, told := l.stands[k]
		match, known := l.ours[mine.seq]
		left := known && match == nil // while the other spoke
		if told && mine.raised == stands || !told && !(left && mine.raised) {
			continue
		}
		if !any || mine.before < before {
			before, any = mine.before, true
		}
		delete(l.ours, mine.seq)
		l.seqs = slices.DeleteFunc(l.seqs, func(seq int64) bool { return seq == mine.seq })
		l.again[mine.seq] = true
	}
	return before, any
}

// Again tells whether our event of number seq is news though it was passed over.
func (l *Ledger) Again(seq int64) bool { return l.again[seq] }

// Ask tells what becomes of our event number seq, which begins after before, at the
// pair's broker, where both hear what is told.
func (l *Ledger) Ask(r Role, now time.Time, e *alarms.Event, before, seq int64) Verdict {
	l.Own(e, before, seq)
	if _, known := l.ours[seq]; known || l.Match(e, seq) != nil {
		return Skip
	}
	switch {
	case r.Speaks():
		return l.tell(e, seq)
	case r == Standby && now.Sub(e.Time) > Window:
		l.remember(seq, nil)
		return Skip
	}
	return Wait
}

// tell finds whether ours is news: a change that the other told already, at a time that
// is not ours, is none.
func (l *Ledger) tell(e *alarms.Event, seq int64) Verdict {
	k := keyOf(e).whose()
	stands, known := l.stands[k]
	l.undone[keyOf(e)] = e.Time
	if !known {
		return Send
	}
	near := e.Time.Sub(l.since) <= Window
	switch e.Event {
	case alarms.EventRaised:
		delete(l.stands, k)
		if stands && near {
			l.remember(seq, nil)
			return Skip
		}
	case alarms.EventCleared, alarms.EventReset:
		delete(l.stands, k)
		if !stands && near {
			l.remember(seq, nil)
			return Skip
		}
	}
	return Send
}

// Elsewhere tells the same of a destination that only the one that tells sends to: an event
// goes there after it was told on the pair's broker, by the member that told it there,
// whatever its role is by then. told = this one told it there; dealt = the broker's way
// through our journal is beyond it. What the other told is the relay's.
func (l *Ledger) Elsewhere(r Role, e *alarms.Event, seq int64, told, dealt bool) Verdict {
	if told {
		return Send
	}
	match := l.Match(e, seq)
	_, known := l.ours[seq]
	switch {
	case match != nil, known:
		return Skip
	case dealt && !l.again[seq]: // to what is news again, the broker's way comes back
		return Skip
	case r == Alone:
		return Send
	}
	return Wait
}
