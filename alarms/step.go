package alarms

import "time"

// Step moves a by one evaluation at now and says what changed. It makes at most one
// change a call, the most urgent first: call it again with the same now and input
// until the event is EventNone (four calls are the most), and journal each.
//
// It is pure: the same arguments give the same answer. now should not fall; where it
// does, the step counts as no time passed.
func (r *Rule) Step(a Alarm, now time.Time, in Input) (Alarm, Change) {
	t := At(now)
	p := in.Priority
	if p == NoPriority {
		p = r.Priority
	}
	a = a.rebase(t)
	a = r.track(a, t, in.Condition, p)
	a.Suppressed = in.Suppress
	return r.transit(a, t, in.Condition, p)
}

// StepQuiet is Step where nothing comes of it, which is nearly always: a normal alarm
// whose condition goes on being false, or goes on being not known. It tells whether a
// was one; a then is what Step would have made of it, without event. Otherwise a is
// untouched and wants Step.
func (r *Rule) StepQuiet(a *Alarm, t Instant, in Input) bool {
	if a.State != Normal || in.Suppress || a.Suppressed || a.Hides || a.BadSaid ||
		a.ShelvedUntil != 0 || t < a.Evaluated || t < a.Since {
		return false
	}
	switch in.Condition {
	case ConditionFalse:
		if a.InputBad || a.GoodSince == 0 || a.FalseSince == 0 || t.since(a.Good) > r.bridge() {
			return false
		}
		a.Good, a.Bad, a.TrueSince, a.LowerSince = t, false, 0, 0
	case ConditionBad:
		a.Bad, a.InputBad = true, true
		a.GoodSince, a.FalseSince, a.LowerSince = 0, 0, 0
	default:
		return false
	}
	a.Evaluated = t
	return true
}

// rebase moves all instants with a clock that fell, so that no delay ends for it and
// none waits for the old time to come again. An act may have come by a clock that is
// ahead of t: its marks are cut to t likewise.
func (a Alarm) rebase(t Instant) Alarm {
	if a.Evaluated != 0 && t < a.Evaluated {
		d := -a.Evaluated.since(t)
		for _, i := range []*Instant{&a.Since, &a.Raised, &a.Evaluated, &a.Good, &a.GoodSince,
			&a.TrueSince, &a.FalseSince, &a.LowerSince} {
			*i = i.shift(d)
		}
	}
	a.Since = min(a.Since, t)
	a.ShelvedUntil = min(a.ShelvedUntil, t.shift(MaxShelf))
	return a
}

// track moves the delays; the state stays. A second call with the same arguments
// changes nothing.
func (r *Rule) track(a Alarm, t Instant, c Condition, p Priority) Alarm {
	a.Evaluated = t
	if c != ConditionFalse && c != ConditionTrue {
		a.Bad, a.InputBad = true, true
		a.GoodSince, a.FalseSince, a.LowerSince = 0, 0, 0
		return a
	}
	gap := t.since(a.Good) - r.bridge() // what the interval is too long by
	if a.GoodSince == 0 {
		a.GoodSince = t
	}
	if a.InputBad && t.since(a.GoodSince) >= InputBackAfter {
		a.InputBad = false
	}
	if c == ConditionTrue {
		switch {
		case a.TrueSince == 0:
			a.TrueSince = t
		case gap > 0:
			a.TrueSince = a.TrueSince.shift(gap)
		}
		a.FalseSince = 0
		a = a.trackPriority(t, p, gap > 0)
	} else {
		if a.FalseSince == 0 || gap > 0 {
			a.FalseSince = t
		}
		a.TrueSince, a.LowerSince = 0, 0
	}
	a.Good, a.Bad = t, false
	return a
}

func (a Alarm) trackPriority(t Instant, p Priority, again bool) Alarm {
	switch {
	case p >= a.Priority || !a.Active():
		a.LowerSince = 0
	case a.LowerSince == 0 || again:
		a.LowerSince, a.LowerTo = t, p
	default:
		a.LowerTo = max(a.LowerTo, p)
	}
	return a
}

// due tells whether the condition has been true for the on-delay.
func (r *Rule) due(a Alarm, t Instant, c Condition) bool {
	return c == ConditionTrue && t.since(a.TrueSince) >= r.OnDelay // ≥: due at the boundary
}

// transit makes the one change that is most urgent.
func (r *Rule) transit(a Alarm, t Instant, c Condition, p Priority) (Alarm, Change) {
	ch := Change{From: a.State}
	due := r.due(a, t, c)
	switch {
	case a.Shelved() && t >= a.ShelvedUntil:
		ch.Event, ch.Why = EventUnshelved, "its time is up"
		a = a.unshelve(t)
	case a.Shelved() && p > a.ShelvedPriority && (due || a.Active() && c == ConditionTrue):
		ch.Event, ch.Why = EventUnshelved, "its priority is above the one that was shelved"
		a = a.unshelve(t)
	case !a.Suppressed && a.Hides:
		ch.Event = EventUnsuppressed
		a.Hides = false
		a.reveal(t)
	case a.Suppressed && !a.Hides && (due || a.Standing()):
		ch.Event = EventSuppressed
		a.Hides = true
	case due && !a.Active() && !a.Suppressed && !a.OutOfService:
		ch.Event = EventRaised
		a.Occurrence++
		a.Priority, a.Raised = p, t
		a.announce(t)
	case a.Active() && c == ConditionTrue && p > a.Priority:
		ch.Event = EventWorsened
		a.Priority, a.LowerSince = p, 0
		a.announce(t)
	case a.Active() && c == ConditionFalse && t.since(a.FalseSince) >= r.OffDelay:
		ch.Event = EventCleared
		a.set(r.afterClear(a.State), t)
	case a.Active() && a.LowerSince != 0 && t.since(a.LowerSince) >= r.OffDelay:
		ch.Event = EventEased
		a.Priority, a.LowerSince = a.LowerTo, 0
		a.Version++
	case a.Standing() && a.InputBad && !a.BadSaid:
		ch.Event = EventInputBad
		a.BadSaid = true
	case !a.InputBad && a.BadSaid:
		ch.Event = EventInputBack
		a.BadSaid = false
	case a.State == Unknown && c == ConditionFalse:
		a.set(Normal, t)
	}
	return a, ch
}

func (r *Rule) afterClear(s State) State {
	switch {
	case s == Unacknowledged && r.Latch:
		return LatchedUnacknowledged
	case s == Unacknowledged:
		return ReturnedUnacknowledged
	case r.Latch:
		return LatchedAcknowledged
	}
	return Normal
}

func (a Alarm) unshelve(t Instant) Alarm {
	a.ShelvedUntil, a.ShelvedBy, a.ShelvedWhy, a.ShelvedPriority = 0, "", "", NoPriority
	a.reveal(t)
	return a
}

// Resume takes an alarm that was read back after a restart to now, before its first
// step. Acknowledged, latched, shelved and out of service stay; so does a pending
// on-delay, for which the time without a monitor counts at most Rule.Bridge; an
// off-delay starts again. A clock behind the saved one moves all instants back.
func Resume(a Alarm, now time.Time) Alarm {
	a = a.rebase(At(now))
	a.FalseSince, a.LowerSince = 0, 0
	return a
}
