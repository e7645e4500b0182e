package report

import (
	"fmt"
	"math"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/dashboard"
)

// alarmTable gathers the occurrences that were raised in the window.
type alarmTable struct {
	list []Alarm
	over int
	open map[alarms.Key]int // index of the newest occurrence of each
}

// event takes a journal line and returns the number of the occurrence that it is
// about, 0 where it is about none of the table.
func (t *alarmTable) event(e *alarms.Event, w *watch.Rig) int {
	k := alarms.Key{Alarm: e.Alarm, Channel: e.Channel}
	if e.Event == alarms.EventRaised {
		return t.raised(e, k, w)
	}
	i, ok := t.open[k]
	if !ok || t.list[i].occurrence != e.Occurrence {
		return 0
	}
	a := &t.list[i]
	switch e.Event {
	case alarms.EventWorsened:
		if int(e.Priority) > a.Bars {
			a.Priority, a.Bars = e.Priority.String(), bars(e.Priority)
		}
		a.called = e.Time
	case alarms.EventAcknowledged:
		if a.Acked.IsZero() {
			waited := e.Time.Sub(a.called).Seconds()
			a.Acked, a.AckedBy, a.Waited = e.Time.UTC(), e.Person, &waited
		}
	case alarms.EventCleared:
		a.Cleared = e.Time.UTC()
	}
	return a.N
}

func (t *alarmTable) raised(e *alarms.Event, k alarms.Key, w *watch.Rig) int {
	if t.open == nil {
		t.open = map[alarms.Key]int{}
	}
	if len(t.list) >= mostAlarms {
		t.over++
		delete(t.open, k)
		return 0
	}
	a := Alarm{N: len(t.list) + 1, At: e.Time.UTC(), Alarm: e.Alarm, Title: title(e.Alarm), Channel: e.Channel,
		Priority: e.Priority.String(), Bars: bars(e.Priority), Reason: e.Reason,
		Value: dashboard.Num(e.Value), Limit: dashboard.Num(e.Limit), Unit: e.Unit,
		called: e.Time, occurrence: e.Occurrence, ToActWords: "not known"}
	if e.State != alarms.Unacknowledged {
		a.Hidden = spaced(e.State.String())
	}
	if r := w.Result(); r != nil {
		est := &r.Estimate
		a.ToAct, a.Height, a.Velocity = dashboard.Num(est.SecondsToAct), dashboard.Num(est.Height), dashboard.Num(est.Velocity)
		switch {
		case est.CannotStop:
			a.ToActWords = "cannot stop"
		case math.IsInf(est.SecondsToAct, 1):
			a.ToActWords = "no limit ahead"
		case a.ToAct != nil:
			a.ToActWords = fmt.Sprintf("%.1f s", *a.ToAct)
		}
	}
	t.open[k] = len(t.list)
	t.list = append(t.list, a)
	return a.N
}

func (t *alarmTable) rows() ([]Alarm, int) {
	if t.list == nil {
		return []Alarm{}, 0
	}
	return t.list, t.over
}

func title(name string) string {
	if rule, ok := alarms.Lookup(name); ok {
		return rule.Title
	}
	return spaced(name)
}

// bars is how many of four bars a priority has.
func bars(p alarms.Priority) int { return min(int(p), 4) }

// Silent tells whether nobody acknowledged the alarm in the window.
func (a Alarm) Silent() bool { return a.Acked.IsZero() }

// seconds between two instants of a report, for a person.
func lasted(from, to time.Time) string {
	d := to.Sub(from)
	switch {
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 10*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 3*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}
