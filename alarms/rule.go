package alarms

import "time"

// Rule is one row of the catalogue: how the alarm behaves, and what a person needs
// to know when it comes. The texts may change without touching any alarm's state.
type Rule struct {
	Name  string // snake case: files, topics, JSON
	Title string // the screen's words

	Meaning     string
	Causes      string // likely ones, most likely first
	Consequence string // what happens if nothing is done
	Response    string // what to do, to a driller
	TimeToAct   string

	Priority Priority // the usual one
	Grades   string   // how the priority depends on the case; empty = always the same
	Inputs   string   // what the answer needs
	Deadband string   // applied by the detector, which knows the value

	OnDelay  time.Duration // true this long before it is raised; 0 = at once
	OffDelay time.Duration // false this long before it clears
	Bridge   time.Duration // most that one interval between good evaluations counts; 0 = DefaultBridge

	Latch      bool   // stays after the condition is gone until acknowledged and reset
	Shelvable  bool   // may be shelved or taken out of service
	PerChannel bool   // one alarm for each channel
	Parent     string // the alarm that suppresses this one by design; empty = none
}

// Fixed times of the machine.
const (
	// DefaultBridge is the gap in good evaluations that a delay bridges, 2 s, where
	// the rule states none. Chosen here: twenty readings at 10 Hz, two at 1 Hz.
	DefaultBridge = 2 * time.Second
	// InputBackAfter is how long input must be good before "input bad" goes, 2 s.
	// Chosen here, so that flickering input does not fill the journal.
	InputBackAfter = 2 * time.Second
	// MaxShelf is the longest that an alarm may be shelved at once, 12 h. Chosen
	// here: a tour, so that every shelf is looked at again by the next crew.
	MaxShelf = 12 * time.Hour
)

func (r *Rule) bridge() time.Duration {
	if r.Bridge > 0 {
		return r.Bridge
	}
	return DefaultBridge
}

// Condition is what a detector says of a rule's condition. The zero value is bad:
// what was not worked out is not false.
type Condition uint8

// The conditions.
const (
	ConditionBad Condition = iota // not known: input missing, stale, bad, NaN
	ConditionFalse
	ConditionTrue
)

// Over returns true where value is above limit, false where it is not, and bad
// where either is NaN.
func Over(value, limit float64) Condition {
	switch {
	case value > limit:
		return ConditionTrue
	case value <= limit:
		return ConditionFalse
	}
	return ConditionBad
}

// Under returns true where value is below limit, false where it is not, and bad
// where either is NaN.
func Under(value, limit float64) Condition { return Over(limit, value) }

// When returns true or false; known false makes it bad.
func When(condition, known bool) Condition {
	switch {
	case !known:
		return ConditionBad
	case condition:
		return ConditionTrue
	}
	return ConditionFalse
}

// Input is what one evaluation of a rule brings.
type Input struct {
	Condition Condition
	Priority  Priority // of this case; NoPriority = the rule's own
	Suppress  bool     // by design: Alarm.Suppresses of the parent
}

// Change says what a call did to an alarm.
type Change struct {
	Event   EventKind
	From    State  // before
	Why     string // where the event does not say it all
	Refused string // why an act was refused; empty = it was not
}
