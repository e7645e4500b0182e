package report

import (
	"fmt"
	"time"

	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// silentAfter is the least time without a reading that is an outage, 5 s. Chosen here:
// above the slowest reading in use and above a late message.
const silentAfter = 5 * time.Second

// outages gathers the times in which readings, the recording or answers were missing.
type outages struct {
	from  time.Time
	list  []Spell
	over  int
	open  map[string]int // index of what lasts: by source, "" = blind
	last  time.Time      // newest reading
	blind string
}

func (o *outages) add(s Spell) {
	if len(o.list) >= mostOutages {
		o.over++
		return
	}
	s.From = s.From.UTC()
	o.list = append(o.list, s)
}

func (o *outages) start(key string, s Spell) {
	if o.open == nil {
		o.open = map[string]int{}
	}
	o.stop(key, s.From)
	n := len(o.list)
	if o.add(s); len(o.list) > n {
		o.open[key] = n
	}
}

func (o *outages) stop(key string, at time.Time) {
	if i, ok := o.open[key]; ok {
		o.list[i].To = at.UTC()
		delete(o.open, key)
	}
}

// begin takes what was already missing when the window began.
func (o *outages) begin(w *watch.Rig, from time.Time) {
	o.last = w.Newest()
	w.Links(func(l ingest.Link, _ time.Time) { o.link(l, from) })
	o.see(from, w)
}

func (o *outages) entry(e *ingest.Entry, w *watch.Rig) {
	switch e.Kind {
	case ingest.EntryLink:
		if e.Link.Source != watch.ClockLink {
			o.link(*e.Link, e.Received)
		}
	case ingest.EntryGap:
		from := o.from
		if o.last.After(from) {
			from = o.last
		}
		o.add(Spell{From: from, To: e.Received.UTC(), What: "gap in the recording", Why: gapWords(e.Gap)})
	case ingest.EntrySession:
		if !e.Session.Continues {
			o.add(Spell{From: e.Received, To: e.Received.UTC(), What: "watching begun anew", Why: e.Session.Software})
		}
	case ingest.EntrySample:
		o.silence(e.Received)
		o.last = e.Received
	}
	o.see(e.Received, w)
}

func (o *outages) silence(until time.Time) {
	from := o.last
	if from.Before(o.from) {
		from = o.from
	}
	if d := until.Sub(from); d >= silentAfter {
		o.add(Spell{From: from, To: until.UTC(), What: "no reading", Why: fmt.Sprintf("nothing from the rig for %s", lasted(from, until))})
	}
}

func (o *outages) link(l ingest.Link, at time.Time) {
	switch l.State {
	case "subscribed", "receiving", "quiet", "recording", "connected", "closed", "keeping up", "delivering", "forwarding", "enough":
		o.stop("link "+l.Source, at)
		return
	}
	what := "link of " + l.Source
	switch l.Source {
	case watch.RecorderLink:
		what = "recorder"
	case watch.SpaceLink:
		return // nothing is out for it
	case watch.IntakeLink:
		what = "readings discarded"
	}
	why := l.State
	if l.Detail != "" {
		why += ": " + l.Detail
	}
	o.start("link "+l.Source, Spell{From: at, What: what, Why: why})
}

func (o *outages) see(at time.Time, w *watch.Rig) {
	r := w.Result()
	if r == nil {
		return
	}
	what, why := blindWords(r)
	if now := what + why; now != o.blind {
		o.blind = now
		o.stop("", at)
		if what != "" {
			o.start("", Spell{From: at, What: what, Why: why})
		}
	}
}

// end closes the window. What lasts keeps no end.
func (o *outages) end(at time.Time, inside bool) {
	switch {
	case !inside:
		o.add(Spell{From: o.from, What: "no entry in the window", Why: "nothing was recorded, or it was not given"})
	default:
		if from := o.last; at.Sub(from) >= silentAfter && at.Sub(o.from) >= silentAfter {
			if from.Before(o.from) {
				from = o.from
			}
			o.add(Spell{From: from, What: "no reading", Why: "nothing from the rig, or nothing recorded, up to the window's end"})
		}
	}
}

func (o *outages) rows() ([]Spell, int) {
	if o.list == nil {
		o.list = []Spell{}
	}
	byTime(o.list, func(s Spell) time.Time { return s.From })
	return o.list, o.over
}
