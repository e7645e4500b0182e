package report

import (
	"fmt"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/detect"
	"hoistward/ingest"
)

// timeline merges what happened, in words.
type timeline struct {
	list  []Row
	over  int
	brief bool // a tour's: without each move of the block

	second   time.Time // whose rejects are counted
	rejects  [ingest.NumRejects]int
	activity steady[detect.Activity]
	work     steady[detect.Operation]
	blind    string
}

func (t *timeline) add(r Row) {
	r.At = r.At.UTC()
	if len(t.list) >= mostRows {
		t.over++
		return
	}
	t.list = append(t.list, r)
}

// entry takes what an entry itself says.
func (t *timeline) entry(e *ingest.Entry, out *watch.Outcome) {
	switch e.Kind {
	case ingest.EntrySample:
		t.reject(e.Received, out.Reject)
	case ingest.EntryLink:
		text := e.Link.Source + ": " + e.Link.State
		if e.Link.Detail != "" {
			text += ": " + e.Link.Detail
		}
		t.add(Row{At: e.Received, Kind: "link", Text: text})
	case ingest.EntrySession:
		if !e.Session.Continues {
			t.add(Row{At: e.Received, Kind: "session", Text: "watching begins, " + e.Session.Software})
		}
	case ingest.EntryGap:
		t.add(Row{At: e.Received, Kind: "gap", Text: gapWords(e.Gap)})
	}
}

func gapWords(g *ingest.Gap) string {
	return fmt.Sprintf("%d entries are missing: %s", g.Lost, g.Reason)
}

// reject counts readings that made no frame, by the second.
func (t *timeline) reject(at time.Time, why ingest.Reject) {
	if s := at.Truncate(time.Second); !s.Equal(t.second) {
		t.flush()
		t.second = s
	}
	if why != ingest.Used && why < ingest.NumRejects {
		t.rejects[why]++
	}
}

func (t *timeline) flush() {
	for why, n := range t.rejects {
		if n > 0 {
			t.add(Row{At: t.second, Kind: "reading", Text: fmt.Sprintf("%d readings not used as they came: %s", n, ingest.Reject(why))})
			t.rejects[why] = 0
		}
	}
}

// Message is one that was not understood, or several alike; see record.Reject.
type Message struct {
	Received time.Time
	Source   string
	Reason   string
	Detail   string
	Count    uint64
}

// Message takes a message that never became an entry.
func (m *Maker) Message(g Message) {
	if g.Received.Before(m.o.From) || g.Received.After(m.o.To) {
		return
	}
	text := fmt.Sprintf("%d messages from %s not understood: %s", g.Count, g.Source, g.Reason)
	if g.Detail != "" {
		text += ": " + g.Detail
	}
	m.line.add(Row{At: g.Received, Kind: "reading", Text: text})
}

// event takes a journal line; n is the alarm's number.
func (t *timeline) event(e *alarms.Event, n int) {
	kind, name := "alarm", title(e.Alarm)
	if e.Channel != "" {
		name += ", " + spaced(e.Channel)
	}
	if e.Person != "" || e.Event == alarms.EventRefused {
		kind = "act"
	}
	text := name + ": " + spaced(e.Event.String())
	if e.Event == alarms.EventWorsened || e.Event == alarms.EventEased {
		text += " to " + e.Priority.String()
	}
	if e.Person != "" {
		text += " by " + e.Person
	}
	if e.Reason != "" && e.Event != alarms.EventSuppressed && e.Event != alarms.EventUnsuppressed {
		text += ": " + e.Reason
	}
	row := Row{At: e.Time, Kind: kind, Text: text, N: n}
	if kind == "alarm" {
		row.Bars = bars(e.Priority)
	}
	t.add(row)
}

// state notes changes of what the hoist does and of what can be answered.
func (t *timeline) state(at time.Time, w *watch.Rig) {
	r := w.Result()
	if a, since, ok := t.activity.see(r.Estimate.Activity, at); ok && !t.brief {
		t.add(Row{At: since, Kind: "hoist", Text: "the block: " + spaced(a.String())})
	}
	if o, since, ok := t.work.see(r.Work.Operation, at); ok {
		t.add(Row{At: since, Kind: "hoist", Text: "operation: " + spaced(o.String())})
	}
	what, why := blindWords(r)
	if what != t.blind {
		text := what + ": " + why
		if what == "" {
			text = "crown and floor are answered again"
		}
		if t.blind != "" || what != "" {
			t.add(Row{At: at, Kind: "answer", Text: text})
		}
		t.blind = what
	}
}

// steadyFor is how long a state must last to be told. Chosen here: a speed that hovers
// at the least one that counts would fill the table.
const steadyFor = 500 * time.Millisecond

// steady tells a change of state once it has lasted, with when it began.
type steady[T comparable] struct {
	told, next T
	since      time.Time
	begun      bool
}

func (s *steady[T]) see(now T, at time.Time) (T, time.Time, bool) {
	if !s.begun || now != s.next {
		s.next, s.since = now, at
		if !s.begun {
			s.begun, s.told = true, now
			return now, at, true
		}
	}
	if s.next != s.told && at.Sub(s.since) >= steadyFor {
		s.told = s.next
		return s.next, s.since, true
	}
	return s.next, s.since, false
}

func (t *timeline) rows() ([]Row, int) {
	t.flush()
	if t.list == nil {
		t.list = []Row{}
	}
	byTime(t.list, func(r Row) time.Time { return r.At })
	return t.list, t.over
}

// Recorded notes what was done to the recordings themselves.
func (m *Maker) Recorded(at time.Time, text string) {
	if !at.Before(m.o.From) && !at.After(m.o.To) {
		m.line.add(Row{At: at, Kind: "recording", Text: text})
	}
}
