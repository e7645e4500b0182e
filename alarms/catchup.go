package alarms

// CatchUp takes a journal line that is newer than a's saved state: what happened
// between the last saving and a crash. Numbers of occurrence and version move on, so
// that an act on what was seen before the crash is not taken for another; the state
// is the journal's where the line shows it, and unacknowledged where the line shows
// only that the alarm was hidden.
func (r *Rule) CatchUp(a Alarm, e *Event) Alarm {
	if e.Version <= a.Version || e.Occurrence < a.Occurrence {
		return a
	}
	t := At(e.Time)
	a.Occurrence, a.Version, a.Priority = e.Occurrence, e.Version, e.Priority
	a.Since, a.Evaluated = t, max(a.Evaluated, t)
	a.TrueSince, a.FalseSince, a.LowerSince = 0, 0, 0
	a.State = r.shownBy(e, a.State)
	switch e.Event {
	case EventRaised:
		a.Raised, a.AcknowledgedBy, a.Silenced = t, "", false
	case EventWorsened:
		a.AcknowledgedBy, a.Silenced = "", false
	case EventAcknowledged:
		a.AcknowledgedBy, a.Silenced = e.Person, false
	}
	if a.Standing() && a.Raised == 0 {
		a.Raised = t
	}
	return a
}

// shownBy returns the state that a line shows; underneath a shelf or a suppression
// what the event itself says.
func (r *Rule) shownBy(e *Event, was State) State {
	switch {
	case e.State != Unknown && e.State <= LatchedAcknowledged:
		return e.State
	case e.Event == EventCleared:
		return r.afterClear(was)
	case e.Event == EventAcknowledged:
		return afterAcknowledge(was)
	case e.Event == EventReset:
		return Normal
	case e.Event == EventEased:
		return was
	}
	return Unacknowledged
}

// Unseen returns a as nobody had acknowledged it: what is read out of a journal after
// the saved state was lost.
func (a Alarm) Unseen() Alarm {
	switch a.State {
	case Acknowledged:
		a.State = Unacknowledged
	case LatchedAcknowledged:
		a.State = LatchedUnacknowledged
	}
	a.AcknowledgedBy, a.Silenced = "", false
	return a
}
