package report

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/alarms/whatif"
	"hoistward/ingest"
)

// Options say what a report is of.
type Options struct {
	Rig      string
	At       time.Time // of the incident; zero = a report of a tour
	From, To time.Time // window, by receipt, both ends in it
	Zone     *time.Location
	Software string // that makes the report
	Sources  []Recording
	Changes  []Change // what if, for an incident
	Sweep    *SweepPlan
}

// Change is one way in which the rig might have been otherwise.
type Change struct {
	Words string
	Make  whatif.Change
}

// SweepPlan is one key through several values.
type SweepPlan struct {
	Key, Alarm string
	Lanes      []whatif.Lane
}

// Bounds of the lists. Chosen here: more than anybody reads, and a report that still
// opens.
const (
	mostRows    = 2000
	mostAlarms  = 300
	mostOutages = 200
	mostSpells  = 400 // of one channel
	mostTold    = 50  // problems
)

// Steps in which the least and the most are kept: a reading at 10 Hz, and for a tour a
// minute.
const (
	incidentStep  = 100 * time.Millisecond
	tourStep      = time.Minute
	incidentSteps = 3000 // at most; a longer window has longer steps
)

// Maker makes a report of the entries that it is given, in order.
type Maker struct {
	o      Options
	fleet  *watch.Fleet
	report Report
	events []alarms.Event // for the figures, from the recording's start
	what   []try
	sweep  *whatif.Sweep
	inside bool
	told   int // problems beyond the bound

	red      reducer
	extremes extremes
	strips   strips
	table    alarmTable
	line     timeline
	out      outages
	tour     tourTally
}

type try struct {
	words  string
	comp   *whatif.Comparison
	failed string
}

// New returns a maker. open reads a rig file.
func New(o Options, open watch.Open) *Maker {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	m := &Maker{o: o, fleet: watch.NewFleet(open)}
	m.report = Report{Rig: o.Rig, Software: o.Software, Zone: o.Zone.String(), From: o.From.UTC(), To: o.To.UTC(),
		Sources: o.Sources, Sessions: []Session{}, Problems: []string{}, Limits: []Limit{}, Before: []Standing{}, After: []Standing{}, Aside: []Aside{}}
	step := tourStep
	if !o.At.IsZero() {
		step = max(incidentStep, o.To.Sub(o.From)/incidentSteps)
	}
	m.red = reducer{from: o.From, step: step}
	m.out.from = o.From
	m.line.brief = o.At.IsZero()
	m.extremes.init()
	for _, c := range o.Changes {
		m.what = append(m.what, try{words: c.Words, comp: whatif.Compare(open, c.Make)})
	}
	if o.Sweep != nil {
		m.sweep = whatif.NewSweep(open, o.Sweep.Alarm, o.Sweep.Lanes)
	}
	return m
}

// Apply takes an entry and tells whether it wants more. An entry that cannot be used
// is told in the report, and costs nothing else.
func (m *Maker) Apply(e *ingest.Entry) (more bool) {
	if e.Rig != m.o.Rig {
		return true
	}
	if e.Received.After(m.o.To) {
		return false
	}
	m.count(e)
	counted := !e.Received.Before(m.o.From)
	if counted && !m.inside {
		m.enter()
	}
	m.try(e, counted)
	out, err := m.fleet.Apply(e)
	if err != nil {
		m.Problem(fmt.Sprintf("entry %d, %s: %s", e.Seq, stampUTC(e.Received), err))
		return true
	}
	m.session(e)
	m.keep(out.Events)
	if counted {
		m.see(e, &out, m.fleet.Rig(e.Rig))
	}
	return true
}

func (m *Maker) count(e *ingest.Entry) {
	r := &m.report.Entries
	if r.Count == 0 {
		r.FirstSeq, r.First = e.Seq, e.Received
	}
	r.Count++
	r.LastSeq, r.Last = e.Seq, e.Received
	if !e.Received.Before(m.o.From) {
		r.InWindow++
	}
}

// Problem notes what could not be used of the recordings.
func (m *Maker) Problem(text string) {
	if len(m.report.Problems) >= mostTold {
		m.told++
		return
	}
	m.report.Problems = append(m.report.Problems, text)
}

// enter notes how things stood when the window began.
func (m *Maker) enter() {
	m.inside = true
	if w := m.fleet.Rig(m.o.Rig); w != nil && w.Result() != nil {
		m.report.Before = standings(w)
		m.tour.begin(w)
		m.out.begin(w, m.o.From)
	}
}

func (m *Maker) try(e *ingest.Entry, counted bool) {
	for i := range m.what {
		t := &m.what[i]
		if t.failed != "" {
			continue
		}
		if _, err := t.comp.Apply(e, counted); err != nil && m.fleetFails(e) == nil {
			t.failed = err.Error()
		}
	}
	if m.sweep == nil {
		return
	}
	if err := m.sweep.Apply(e, counted); err != nil && m.fleetFails(e) == nil {
		m.Problem("sweep of " + m.o.Sweep.Key + ": " + err.Error())
		m.sweep = nil
	}
}

// fleetFails tells whether the entry cannot be used as recorded either.
func (m *Maker) fleetFails(e *ingest.Entry) error {
	if m.fleet.Rig(e.Rig) == nil && e.Kind != ingest.EntrySession {
		return fmt.Errorf("entry %d comes before any session", e.Seq)
	}
	return nil
}

func (m *Maker) session(e *ingest.Entry) {
	if e.Kind != ingest.EntrySession || e.Session.Continues && len(m.report.Sessions) > 0 {
		return
	}
	sum := sha256.Sum256([]byte(e.Session.RigFile))
	s := Session{e.Received, e.Session.Software, hex.EncodeToString(sum[:])}
	if !m.inside {
		m.report.Sessions = m.report.Sessions[:0] // no longer in force
	}
	m.report.Sessions = append(m.report.Sessions, s)
}

// keep keeps what the figures are measured from.
func (m *Maker) keep(events []alarms.Event) {
	for i := range events {
		switch e := events[i]; e.Event {
		case alarms.EventRaised, alarms.EventCleared, alarms.EventWorsened, alarms.EventAcknowledged:
			e.Reason, e.Person = "", ""
			m.events = append(m.events, e)
		}
	}
}

// see takes an entry of the window with what it led to.
func (m *Maker) see(e *ingest.Entry, out *watch.Outcome, w *watch.Rig) {
	m.line.entry(e, out)
	if e.Kind == ingest.EntrySession && !e.Session.Continues {
		m.tour.begin(w) // counts of the session begin again
	}
	for i := range out.Events {
		n := m.table.event(&out.Events[i], w)
		m.line.event(&out.Events[i], n)
		m.tour.event(&out.Events[i])
	}
	if w.Result() == nil {
		return
	}
	v := values(w)
	m.red.add(e.Received, &v)
	if out.Estimate != nil {
		m.red.frame(e.Received)
		m.extremes.see(e.Received, w, &v)
	}
	m.line.state(e.Received, w)
	m.out.entry(e, w)
	m.strips.see(e.Received.Sub(m.o.From).Seconds(), w)
	m.tour.see(e.Received, w)
}

// Report returns what has come of it.
func (m *Maker) Report() *Report {
	r := &m.report
	r.Series, r.Extremes = m.red.series(), m.extremes.list
	r.Alarms, r.Omitted.Alarms = m.table.rows()
	r.Rows, r.Omitted.Rows = m.line.rows()
	if m.told > 0 {
		r.Problems = append(slices.Clone(r.Problems), fmt.Sprintf("and %d more", m.told))
	}
	if len(m.o.Sources) > 0 {
		for _, s := range m.o.Sources {
			for _, d := range s.Damage {
				m.out.add(Spell{From: r.From, What: "recording damaged", Why: d})
			}
		}
	}
	w := m.fleet.Rig(m.o.Rig)
	if w != nil && w.Result() != nil {
		r.Limits = limits(w.Rig())
		if m.inside {
			r.After, r.Aside = standings(w), asides(w)
		}
	}
	m.out.end(m.o.To, m.inside)
	r.Outages, r.Omitted.Outages = m.out.rows()
	if r.Entries.InWindow == 0 {
		r.Empty = m.emptyWords()
	}
	if m.o.At.IsZero() {
		r.Tour = m.tourReport(w)
	} else {
		r.Incident = m.incident()
	}
	return r
}

func (m *Maker) emptyWords() string {
	n := len(m.o.Sources)
	if n == 0 {
		return "No entry of the rig was received in the window."
	}
	first := slices.MinFunc(m.o.Sources, func(a, b Recording) int { return a.First.Compare(b.First) }).First
	last := slices.MaxFunc(m.o.Sources, func(a, b Recording) int { return a.Last.Compare(b.Last) }).Last
	return fmt.Sprintf("No entry of the rig was received in the window. The recordings given hold entries from %s to %s.", stampUTC(first), stampUTC(last))
}

func (m *Maker) incident() *Incident {
	i := &Incident{At: m.o.At.UTC(), Channels: m.strips.list(m.o.To.Sub(m.o.From).Seconds()), WhatIfs: []WhatIf{}}
	for _, t := range m.what {
		w := WhatIf{Words: t.words, Failed: t.failed}
		if t.failed == "" {
			r := t.comp.Result()
			w.Result = &r
		}
		i.WhatIfs = append(i.WhatIfs, w)
	}
	if m.sweep != nil {
		rigs := m.sweep.Rigs()
		i.Sweep = &Sweep{m.o.Sweep.Key, m.o.Sweep.Alarm, m.sweep.Points(rigs)}
	}
	return i
}

func standings(w *watch.Rig) []Standing {
	out := []Standing{}
	for _, s := range w.Standing() {
		out = append(out, Standing{s.Rule.Name, s.Rule.Title, s.Channel, s.Alarm.Priority.String(), spaced(s.Alarm.Shown().String()),
			s.Alarm.Raised.Time().UTC(), s.Reason})
	}
	return out
}

func asides(w *watch.Rig) []Aside {
	out := []Aside{}
	for _, s := range w.PutAside() {
		a := Aside{Alarm: s.Rule.Name, Title: s.Rule.Title, Channel: s.Channel}
		if s.Alarm.OutOfService {
			a.How, a.Person, a.Reason = "out of service", s.Alarm.RemovedBy, s.Alarm.RemovedWhy
		} else {
			a.How, a.Person, a.Reason = "shelved", s.Alarm.ShelvedBy, s.Alarm.ShelvedWhy
			a.Until = s.Alarm.ShelvedUntil.Time().UTC()
		}
		out = append(out, a)
	}
	return out
}

func spaced(s string) string { return strings.ReplaceAll(s, "_", " ") }

func stampUTC(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// cut returns the first most of list and how many that leaves out.
func cut[T any](list []T, most int) ([]T, int) {
	if len(list) <= most {
		return list, 0
	}
	return list[:most], len(list) - most
}

func byTime[T any](list []T, at func(T) time.Time) {
	slices.SortStableFunc(list, func(a, b T) int { return cmp.Compare(at(a).UnixNano(), at(b).UnixNano()) })
}
