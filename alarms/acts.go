package alarms

import (
	"fmt"
	"time"
)

func refused(a Alarm, why string) (Alarm, Change) {
	return a, Change{Event: EventRefused, From: a.State, Refused: why}
}

// when is the instant of a person's act: never before the last evaluation, so that
// no instant of the alarm falls.
func (a Alarm) when(now time.Time) Instant { return max(At(now), a.Evaluated) }

// stale says why an act that names an occurrence and a version is out of date;
// empty where it is not.
func (a Alarm) stale(occurrence, version uint64) string {
	switch {
	case occurrence != a.Occurrence:
		return fmt.Sprintf("occurrence %d was meant, the alarm is at occurrence %d: look again", occurrence, a.Occurrence)
	case version != a.Version:
		return fmt.Sprintf("the alarm has changed since (version %d was meant, it is at %d): look again", version, a.Version)
	}
	return ""
}

// Acknowledge takes a person's acknowledgement of what that person saw: occurrence
// and version as they were shown. What has changed since is refused with a reason.
// It counts only once the caller has it on disk.
func (r *Rule) Acknowledge(a Alarm, now time.Time, occurrence, version uint64, person string) (Alarm, Change) {
	switch {
	case person == "":
		return refused(a, "no person is named")
	case occurrence == a.Occurrence && a.Standing() && !a.CanAcknowledge():
		return refused(a, "already acknowledged by "+a.AcknowledgedBy)
	case occurrence == a.Occurrence && !a.CanAcknowledge():
		return refused(a, "nothing to acknowledge: the alarm is "+a.State.String())
	}
	if why := a.stale(occurrence, version); why != "" {
		return refused(a, why)
	}
	from := a.State
	a.AcknowledgedBy = person
	a.Silenced = false
	a.set(afterAcknowledge(from), a.when(now))
	return a, Change{Event: EventAcknowledged, From: from}
}

func afterAcknowledge(s State) State {
	switch s {
	case Unacknowledged:
		return Acknowledged
	case LatchedUnacknowledged:
		return LatchedAcknowledged
	}
	return Normal // ReturnedUnacknowledged
}

// Silence stops the sound of one occurrence; the state stays, and a new occurrence
// or a higher priority sounds again.
func (r *Rule) Silence(a Alarm, now time.Time, occurrence, version uint64, person string) (Alarm, Change) {
	if person == "" {
		return refused(a, "no person is named")
	}
	if why := a.stale(occurrence, version); why != "" {
		return refused(a, why)
	}
	if !a.Sounds() {
		return refused(a, "the alarm does not sound")
	}
	a.Silenced = true
	return a, Change{Event: EventSilenced, From: a.State}
}

// resetRefusal says why a reset cannot be taken; empty where it can.
func (a Alarm) resetRefusal() string {
	switch {
	case a.Active() || a.TrueSince != 0:
		return "the condition is still present"
	case a.State == LatchedUnacknowledged:
		return "it must be acknowledged first"
	case a.State != LatchedAcknowledged:
		return "nothing to reset: the alarm is " + a.State.String()
	case a.InputBad:
		return "the input is bad: it cannot be told whether the condition is gone"
	}
	return ""
}

// Reset lets a latched alarm go: acknowledged, its condition gone by good input.
func (r *Rule) Reset(a Alarm, now time.Time, occurrence, version uint64, person string) (Alarm, Change) {
	if person == "" {
		return refused(a, "no person is named")
	}
	if why := a.resetRefusal(); why != "" {
		return refused(a, why)
	}
	if why := a.stale(occurrence, version); why != "" {
		return refused(a, why)
	}
	from := a.State
	a.set(Normal, a.when(now))
	return a, Change{Event: EventReset, From: from}
}

// Shelve hides a until an end, for a reason, under a person's name. Shelving again
// sets a new end.
func (r *Rule) Shelve(a Alarm, now, until time.Time, why, person string) (Alarm, Change) {
	switch t := a.when(now); {
	case !r.Shelvable:
		return refused(a, "this alarm cannot be shelved")
	case person == "":
		return refused(a, "no person is named")
	case why == "":
		return refused(a, "no reason is given")
	case At(until) <= t:
		return refused(a, "the end is not in the future")
	case At(until) > t.shift(MaxShelf):
		return refused(a, fmt.Sprintf("the end is more than %v away", MaxShelf))
	}
	a.ShelvedUntil, a.ShelvedBy, a.ShelvedWhy = At(until), person, why
	a.ShelvedPriority = r.Priority
	if a.Active() {
		a.ShelvedPriority = a.Priority
	}
	return a, Change{Event: EventShelved, From: a.State}
}

// Unshelve ends a shelf early.
func (r *Rule) Unshelve(a Alarm, now time.Time, person string) (Alarm, Change) {
	switch {
	case person == "":
		return refused(a, "no person is named")
	case !a.Shelved():
		return refused(a, "the alarm is not shelved")
	}
	from := a.State
	return a.unshelve(a.when(now)), Change{Event: EventUnshelved, From: from}
}

// OutOfService takes a out of service, for a reason, under a person's name, until it
// is returned. It is for work on the equipment or the instrument.
func (r *Rule) OutOfService(a Alarm, now time.Time, why, person string) (Alarm, Change) {
	switch {
	case !r.Shelvable:
		return refused(a, "this alarm cannot be taken out of service")
	case person == "":
		return refused(a, "no person is named")
	case why == "":
		return refused(a, "no reason is given")
	case a.OutOfService:
		return refused(a, "already out of service, by "+a.RemovedBy)
	}
	a.OutOfService, a.RemovedBy, a.RemovedWhy = true, person, why
	return a, Change{Event: EventOutOfService, From: a.State}
}

// ReturnToService puts a back. A condition that is present is unacknowledged.
func (r *Rule) ReturnToService(a Alarm, now time.Time, person string) (Alarm, Change) {
	switch {
	case person == "":
		return refused(a, "no person is named")
	case !a.OutOfService:
		return refused(a, "the alarm is not out of service")
	}
	from := a.State
	a.OutOfService, a.RemovedBy, a.RemovedWhy = false, "", ""
	a.reveal(a.when(now))
	return a, Change{Event: EventReturnedToService, From: from}
}
