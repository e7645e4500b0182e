package watch

import (
	"fmt"
	"math"
	"strings"
	"time"

	"hoistward/alarms"
	"hoistward/ingest"
)

// act takes what a person asked of an alarm and returns why it was refused, if it
// was. Each act leaves a line in the journal, a refused one too.
func (b *board) act(rig string, now time.Time, act *ingest.Act) string {
	s := b.named(act.Alarm, act.Channel)
	if s == nil {
		return b.refuse(rig, now, act, fmt.Sprintf("got the alarm %q %q, want one of this rig's", clip(act.Alarm), clip(act.Channel)))
	}
	var change alarms.Change
	a, r := s.remember().alarm, s.rule()
	switch act.Do {
	case ingest.DoAcknowledge:
		s.alarm, change = r.Acknowledge(a, now, act.Occurrence, act.Version, act.Person)
	case ingest.DoReset:
		s.alarm, change = r.Reset(a, now, act.Occurrence, act.Version, act.Person)
	case ingest.DoSilence:
		s.alarm, change = r.Silence(a, now, act.Occurrence, act.Version, act.Person)
	case ingest.DoShelve:
		s.alarm, change = r.Shelve(a, now, act.Until, act.Reason, act.Person)
	case ingest.DoUnshelve:
		s.alarm, change = r.Unshelve(a, now, act.Person)
	case ingest.DoOutOfService:
		s.alarm, change = r.OutOfService(a, now, act.Reason, act.Person)
	case ingest.DoReturnToService:
		s.alarm, change = r.ReturnToService(a, now, act.Person)
	default:
		return b.refuse(rig, now, act, fmt.Sprintf("got %q, want an act that an alarm knows", clip(act.Do)))
	}
	switch {
	case change.Refused != "":
		change.Why = act.Do + ": " + change.Refused
	case act.Do == ingest.DoShelve:
		change.Why = fmt.Sprintf("until %s: %s", act.Until.UTC().Format(time.RFC3339), act.Reason)
	case act.Reason != "":
		change.Why = act.Reason
	}
	b.write(rig, now, s, change, act.Person)
	return change.Refused
}

// refuse writes the journal line of an act that no alarm could take.
func (b *board) refuse(rig string, now time.Time, act *ingest.Act, why string) string {
	b.events = append(b.events, RefusedAct(rig, now, act, why))
	return why
}

// RefusedAct is the journal line of an act that was refused before it reached an
// alarm.
func RefusedAct(rig string, now time.Time, act *ingest.Act, why string) alarms.Event {
	return alarms.Event{
		Time: now, Rig: clip(rig), Alarm: clip(act.Alarm), Channel: clip(act.Channel), Event: alarms.EventRefused,
		Reason: clip(act.Do) + ": " + why, Value: math.NaN(), Limit: math.NaN(),
		Occurrence: act.Occurrence, Version: act.Version, Person: clip(act.Person),
	}
}

// clip cuts a text that anybody may have sent to what a journal line should hold.
func clip(s string) string {
	const most = 80
	if len(s) > most {
		s = s[:most]
	}
	return strings.ToValidUTF8(s, "\ufffd")
}

func (b *board) named(name, channel string) *slot {
	for i := range b.slots {
		s := &b.slots[i]
		if s.rule().Name == name && s.channelName() == channel {
			return s
		}
	}
	return nil
}
