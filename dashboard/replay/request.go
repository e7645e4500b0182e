package replay

import (
	"fmt"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/whatif"
)

// Kind is what a run is to find out.
type Kind string

// The kinds.
const (
	Replay Kind = "replay"  // what the monitor made of it
	WhatIf Kind = "what-if" // and what it would have made under another rig file
	Sweep  Kind = "sweep"   // how long before the limit an alarm comes, by the value of a key
	Report Kind = "report"  // the incident report
)

// Request is what a page asks to be played.
type Request struct {
	Kind       Kind     `json:"kind"`
	Recordings []string `json:"recordings"` // IDs, of one rig
	From       int64    `json:"from_ms"`    // ms since 1970, by receipt; 0 = from the start
	To         int64    `json:"to_ms"`      // 0 = to the end
	Set        []string `json:"set"`        // KEY=VALUE, as replay --set
	Alarm      string   `json:"alarm"`      // that a sweep looks at; empty = overhoist
	At         int64    `json:"at_ms"`      // of the incident
	Before     float64  `json:"before_s"`   // of a report's window; 0 and 0 = 120 and 60
	After      float64  `json:"after_s"`
}

// Bounds of a request. Chosen here.
const (
	mostFiles    = 7   // a week
	mostSettings = 20  //
	longSetting  = 200 // bytes
)

func (q *Request) check() error {
	switch {
	case len(q.Recordings) == 0 || len(q.Recordings) > mostFiles:
		return fmt.Errorf("recordings: got %d, want 1 to %d", len(q.Recordings), mostFiles)
	case q.From < 0 || q.To < 0 || q.To > 0 && q.From >= q.To:
		return fmt.Errorf("from_ms, to_ms: got %d and %d, want times of which the first comes first", q.From, q.To)
	case len(q.Set) > mostSettings:
		return fmt.Errorf("set: got %d settings, want at most %d", len(q.Set), mostSettings)
	}
	for _, s := range q.Set {
		if len(s) > longSetting {
			return fmt.Errorf("set: got a setting of %d bytes, want at most %d", len(s), longSetting)
		}
	}
	switch q.Kind {
	case Replay:
		if len(q.Set) > 0 {
			return fmt.Errorf("set: got settings with kind replay, want kind what-if")
		}
	case WhatIf, Sweep:
		return q.checkSet()
	case Report:
		if !(q.At > 0 && q.Before >= 0 && q.After >= 0 && q.Before <= 3600 && q.After <= 3600) {
			return fmt.Errorf("at_ms, before_s, after_s: got %d, %g and %g, want a time, and up to 3600 s about it", q.At, q.Before, q.After)
		}
		if q.Before == 0 && q.After == 0 {
			q.Before, q.After = 120, 60
		}
	default:
		return fmt.Errorf("kind: got %q, want replay, what-if, sweep or report", q.Kind)
	}
	return nil
}

func (q *Request) checkSet() error {
	sweeps := 0
	for _, s := range q.Set {
		key, value, ok := cutSetting(s)
		if !ok {
			return fmt.Errorf("set: got %q, want KEY=VALUE", s)
		}
		_, is, err := whatif.Values(value)
		if err != nil {
			return fmt.Errorf("set %s: %w", key, err)
		}
		if is {
			sweeps++
		}
	}
	if q.Alarm == "" {
		q.Alarm = "overhoist"
	}
	if _, ok := alarms.Lookup(q.Alarm); !ok {
		return fmt.Errorf("alarm: got %q, want an alarm of the catalogue", q.Alarm)
	}
	switch {
	case len(q.Set) == 0:
		return fmt.Errorf("set: got nothing, want a setting, such as drawworks.drive.release=0.6s")
	case q.Kind == WhatIf && sweeps > 0:
		return fmt.Errorf("set: got a sweep with kind what-if, want kind sweep")
	case q.Kind == Sweep && sweeps != 1:
		return fmt.Errorf("set: got %d sweeps, want one setting with FROM:TO:STEP", sweeps)
	}
	return nil
}

func cutSetting(s string) (key, value string, ok bool) {
	for i := range s {
		if s[i] == '=' {
			return s[:i], s[i+1:], i > 0 && i+1 < len(s)
		}
	}
	return "", "", false
}

// holds tells whether what was received at t is in the window.
func (q *Request) holds(t time.Time) bool {
	return (q.From == 0 || !t.Before(time.UnixMilli(q.From))) && !q.after(t)
}

func (q *Request) after(t time.Time) bool { return q.To > 0 && t.After(time.UnixMilli(q.To)) }
