package alarms

import "fmt"

// Priority is how soon a person must act. The zero value is "none": in an Input it
// asks for the rule's own priority.
type Priority uint8

// The priorities, least urgent first.
const (
	NoPriority Priority = iota
	Low
	Medium
	High
	Emergency
	numPriorities
)

var priorityNames = [numPriorities]string{"none", "low", "medium", "high", "emergency"}

// String returns the word used in files and JSON.
func (p Priority) String() string { return word(priorityNames[:], p) }

// ParsePriority returns the priority of that name.
func ParsePriority(s string) (Priority, bool) { return lookup[Priority](priorityNames[:], s) }

// State is where an alarm stands. The zero value is Unknown: never evaluated.
type State uint8

// The states. The last three are what Alarm.Shown answers for an alarm that is
// hidden; Alarm.State never holds them.
const (
	Unknown State = iota
	Normal
	Unacknowledged
	Acknowledged
	ReturnedUnacknowledged
	LatchedUnacknowledged
	LatchedAcknowledged
	Shelved
	Suppressed
	OutOfService
	numStates
)

var stateNames = [numStates]string{
	"unknown", "normal", "unacknowledged", "acknowledged", "returned_unacknowledged",
	"latched_unacknowledged", "latched_acknowledged", "shelved", "suppressed", "out_of_service",
}

// String returns the word used in files and JSON.
func (s State) String() string { return word(stateNames[:], s) }

// ParseState returns the state of that name.
func ParseState(s string) (State, bool) { return lookup[State](stateNames[:], s) }

// EventKind is what happened to an alarm, or to its record.
type EventKind uint8

// The kinds of event.
const (
	EventNone         EventKind = iota
	EventRaised                 // a new occurrence
	EventCleared                // the condition is gone; the state says what is still asked of a person
	EventAcknowledged           // by a person
	EventReset                  // a latched alarm let go, by a person
	EventSilenced               // the sound stopped, by a person; the state is as it was
	EventWorsened               // the priority rose: unacknowledged again
	EventEased                  // the priority fell
	EventInputBad               // a standing alarm's input went bad: it is held
	EventInputBack              // the input is good again
	EventShelved
	EventUnshelved
	EventSuppressed // by design, and it hides something
	EventUnsuppressed
	EventOutOfService
	EventReturnedToService
	EventRefused      // an act was refused; the reason says why
	EventLimitChanged // audit: a limit or a delay was changed
	EventClockJumped  // audit: the clock was set
	EventJournalBreak // the journal before this line is torn, or lines could not be written
	EventProofTested  // service log: a proof test of the crown saver or a holding test of the brake
	EventLineServiced // service log: line slipped or cut
	EventReferenceSet // service log: the drum-wrap map has a new reference
	numEventKinds
)

var eventNames = [numEventKinds]string{
	"none", "raised", "cleared", "acknowledged", "reset", "silenced", "worsened", "eased",
	"input_bad", "input_back", "shelved", "unshelved", "suppressed", "unsuppressed",
	"out_of_service", "returned_to_service", "refused", "limit_changed", "clock_jumped",
	"journal_break", "proof_tested", "line_serviced", "reference_set",
}

// String returns the word used in files and JSON.
func (k EventKind) String() string { return word(eventNames[:], k) }

// ParseEventKind returns the kind of that name.
func ParseEventKind(s string) (EventKind, bool) { return lookup[EventKind](eventNames[:], s) }

func word[T ~uint8](names []string, v T) string {
	if int(v) < len(names) {
		return names[v]
	}
	return fmt.Sprintf("invalid(%d)", uint8(v))
}

func lookup[T ~uint8](names []string, s string) (T, bool) {
	for i, n := range names {
		if n == s {
			return T(i), true
		}
	}
	return 0, false
}

// MarshalText writes the word.
func (p Priority) MarshalText() ([]byte, error) { return marshal(priorityNames[:], p, "priority") }

// MarshalText writes the word.
func (s State) MarshalText() ([]byte, error) { return marshal(stateNames[:], s, "state") }

// MarshalText writes the word.
func (k EventKind) MarshalText() ([]byte, error) { return marshal(eventNames[:], k, "event") }

// UnmarshalText reads the word; any other is an error.
func (p *Priority) UnmarshalText(b []byte) error {
	return unmarshal(priorityNames[:], p, b, "priority")
}

// UnmarshalText reads the word; any other is an error.
func (s *State) UnmarshalText(b []byte) error { return unmarshal(stateNames[:], s, b, "state") }

// UnmarshalText reads the word; any other is an error.
func (k *EventKind) UnmarshalText(b []byte) error { return unmarshal(eventNames[:], k, b, "event") }

func marshal[T ~uint8](names []string, v T, what string) ([]byte, error) {
	if int(v) >= len(names) {
		return nil, fmt.Errorf("%s: got %d, want below %d", what, v, len(names))
	}
	return []byte(names[v]), nil
}

func unmarshal[T ~uint8](names []string, to *T, b []byte, what string) error {
	v, ok := lookup[T](names, string(b))
	if !ok {
		return fmt.Errorf("%s: got %q, want one of %q", what, b, names)
	}
	*to = v
	return nil
}
