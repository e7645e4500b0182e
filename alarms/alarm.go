package alarms

// Alarm is the whole memory of one alarm. It is a value: comparable, no pointers,
// no timers; the zero value was never evaluated.
type Alarm struct {
	State      State    `json:"state"`
	Priority   Priority `json:"priority"`   // of this occurrence, or of the last
	Occurrence uint64   `json:"occurrence"` // grows by one each time it is raised
	Version    uint64   `json:"version"`    // grows with each change of state or priority
	Since      Instant  `json:"since"`      // of the state
	Raised     Instant  `json:"raised"`     // of the occurrence

	AcknowledgedBy string `json:"acknowledged_by,omitempty"`
	Silenced       bool   `json:"silenced,omitempty"`
	InputBad       bool   `json:"input_bad,omitempty"` // now, or less than InputBackAfter ago

	ShelvedUntil    Instant  `json:"shelved_until,omitempty"` // never = not shelved
	ShelvedBy       string   `json:"shelved_by,omitempty"`
	ShelvedWhy      string   `json:"shelved_why,omitempty"`
	ShelvedPriority Priority `json:"shelved_priority,omitempty"` // a higher one ends the shelf

	Suppressed bool `json:"suppressed,omitempty"` // by design
	Hides      bool `json:"hides,omitempty"`      // this suppression has hidden something

	OutOfService bool   `json:"out_of_service,omitempty"`
	RemovedBy    string `json:"removed_by,omitempty"`
	RemovedWhy   string `json:"removed_why,omitempty"`

	// How far the delays have run.
	Evaluated  Instant  `json:"evaluated,omitempty"`   // last step
	Good       Instant  `json:"good,omitempty"`        // last step with good input
	Bad        bool     `json:"bad,omitempty"`         // the last step's input was bad
	GoodSince  Instant  `json:"good_since,omitempty"`  // input good again since
	BadSaid    bool     `json:"bad_said,omitempty"`    // EventInputBad was given
	TrueSince  Instant  `json:"true_since,omitempty"`  // the on-delay counts from here
	FalseSince Instant  `json:"false_since,omitempty"` // the off-delay counts from here
	LowerSince Instant  `json:"lower_since,omitempty"` // a lower priority since
	LowerTo    Priority `json:"lower_to,omitempty"`    // the highest of it
}

// Active tells whether the condition is taken to be present.
func (a Alarm) Active() bool { return a.State == Unacknowledged || a.State == Acknowledged }

// Standing tells whether the alarm is anything but normal: active, or still asking
// something of a person.
func (a Alarm) Standing() bool { return a.State > Normal }

// Shelved tells whether a person has shelved the alarm.
func (a Alarm) Shelved() bool { return a.ShelvedUntil != 0 }

// Hidden tells whether the alarm is kept from the list and the horn.
func (a Alarm) Hidden() bool { return a.Shelved() || a.Suppressed || a.OutOfService }

// Sounds tells whether the horn is due for this alarm: active, unacknowledged, not
// silenced, not hidden. An alarm that has returned to normal never sounds.
func (a Alarm) Sounds() bool { return a.State == Unacknowledged && !a.Silenced && !a.Hidden() }

// Shown returns the state as lists and the journal give it: out of service,
// suppressed and shelved stand before what lies underneath. An alarm that is
// suppressed or shelved with nothing to hide shows its own state.
func (a Alarm) Shown() State {
	switch {
	case a.OutOfService:
		return OutOfService
	case a.Suppressed && a.Hides:
		return Suppressed
	case a.Shelved():
		return Shelved
	}
	return a.State
}

// CanAcknowledge tells whether there is something to acknowledge.
func (a Alarm) CanAcknowledge() bool {
	return a.State == Unacknowledged || a.State == ReturnedUnacknowledged || a.State == LatchedUnacknowledged
}

// CanReset tells whether a reset would be taken now.
func (a Alarm) CanReset() bool { return a.resetRefusal() == "" }

// set changes the state.
func (a *Alarm) set(s State, now Instant) {
	a.State = s
	a.Since = now
	a.Version++
}

// announce makes a an alarm that nobody has seen.
func (a *Alarm) announce(now Instant) {
	a.AcknowledgedBy = ""
	a.Silenced = false
	a.set(Unacknowledged, now)
}

// reveal is what the end of a shelf, a suppression or a time out of service does:
// a condition that is present is unacknowledged again.
func (a *Alarm) reveal(now Instant) {
	switch a.State {
	case Acknowledged:
		a.announce(now)
	case Unacknowledged:
		a.Silenced = false
	}
}

// Suppresses tells whether this alarm, as a parent, hides its children: only while
// its condition is present and it is itself in view.
func (a Alarm) Suppresses() bool { return a.Active() && !a.Shelved() && !a.OutOfService }
