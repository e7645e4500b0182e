package replay

import (
	"fmt"
	"math"
	"slices"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/dashboard"
	"hoistward/ingest"
)

// Track is what the monitor makes of a stretch of a recording.
type Track struct {
	Rig      string     `json:"rig"`
	From     int64      `json:"from_ms"` // of the first row, ms since 1970
	To       int64      `json:"to_ms"`
	Rows     int        `json:"rows"`
	Frames   int        `json:"frames"`
	Bytes    int64      `json:"bytes"` // of memory
	Columns  []Quantity `json:"columns"`
	Sessions []Session  `json:"sessions"`
	Alarms   []Alarm    `json:"alarms"`
	Omitted  int        `json:"alarms_omitted"`
	Lanes    []Lane     `json:"lanes"`
	Gaps     [][2]int64 `json:"gaps"` // [from, to]: nothing came, or what came is lost
	Gapped   int        `json:"gaps_omitted"`

	table *Table
	cols  map[string]int
}

// Session is what is in force from an instant on.
type Session struct {
	At       int64             `json:"at_ms"`
	Software string            `json:"software"` // that recorded
	Mast     dashboard.Mast    `json:"mast"`
	Ratings  dashboard.Ratings `json:"ratings"`
	file     []byte
}

// Alarm is one line of the journal.
type Alarm struct {
	At         int64    `json:"at_ms"`
	Alarm      string   `json:"alarm"`
	Channel    string   `json:"channel,omitempty"`
	Title      string   `json:"title"`
	Event      string   `json:"event"`
	Priority   string   `json:"priority"`
	Reason     string   `json:"reason"`
	Value      *float64 `json:"value"`
	Limit      *float64 `json:"limit"`
	Unit       string   `json:"unit"`
	Occurrence uint64   `json:"occurrence"`
	Person     string   `json:"person,omitempty"`
}

// Bounds of the lists. Chosen here.
const (
	mostAlarms   = 5000
	mostSessions = 200
	mostGaps     = 2000
)

// breakAfter is the time without an entry that is a gap. Chosen here: a live watch has
// an entry twice a second, reading or not.
const breakAfter = 3 * time.Second

// tracker makes a track of entries and what they led to.
type tracker struct {
	track  *Track
	lanes  lanes
	row    []float64
	truth  *truthReader // nil = there is none
	last   time.Time    // receipt of the newest row
	frame  time.Time    // of the newest frame
	fresh  int          // sessions that began anew
	factor float64      // friction of the rig file, that truth is set against
}

func newTracker(rig string, truth *truthReader) *tracker {
	t := newTable(numColumns)
	return &tracker{track: &Track{Rig: rig, Sessions: []Session{}, Alarms: []Alarm{}, Gaps: [][2]int64{}, table: t},
		row: make([]float64, numColumns), truth: truth}
}

// see takes an entry after its rig has taken it; shown tells whether it is in the
// window. Of earlier ones only what is in force counts.
func (k *tracker) see(e *ingest.Entry, out *watch.Outcome, w *watch.Rig, shown bool) {
	if e.Kind == ingest.EntrySession {
		k.session(e, w)
	}
	if e.Kind == ingest.EntrySample && k.truth != nil {
		k.truth.start(e.Sample.Time)
	}
	if !shown {
		return
	}
	k.events(out.Events)
	at := e.Received
	switch {
	case e.Kind == ingest.EntryGap:
		k.gap(w.Now(), e.Gap)
	case out.Estimate != nil || e.Kind == ingest.EntryTick:
		k.add(at, out, w)
	}
}

func (k *tracker) session(e *ingest.Entry, w *watch.Rig) {
	if !e.Session.Continues {
		k.fresh++
	}
	t := k.track
	rig := w.Rig()
	k.factor = rig.Service.Friction
	s := Session{At: e.Received.UnixMilli(), Software: e.Session.Software, file: []byte(e.Session.RigFile),
		Mast: dashboard.Mast{CrownHeight: float64(rig.Mast.CrownHeight), CrownLimit: float64(rig.Mast.CrownLimit),
			CrownSaver: float64(rig.Mast.CrownSaverTrip), FloorLimit: float64(rig.Mast.FloorLimit)},
		Ratings: dashboard.Ratings{Amber: rig.Heat.Amber.Celsius(), Red: rig.Heat.Red.Celsius(), Margin: rig.Service.HoldFactor}}
	if n := len(t.Sessions); n > 0 && slices.Equal(t.Sessions[n-1].file, s.file) {
		return
	}
	if len(t.Sessions) == mostSessions { // the newest is the one that matters most
		t.Sessions = t.Sessions[1:]
	}
	t.Sessions = append(t.Sessions, s)
}

func (k *tracker) events(list []alarms.Event) {
	for i := range list {
		e := &list[i]
		if len(k.track.Alarms) == mostAlarms {
			k.track.Omitted++
			continue
		}
		title := e.Alarm
		if rule, ok := alarms.Lookup(e.Alarm); ok {
			title = rule.Title
		}
		k.track.Alarms = append(k.track.Alarms, Alarm{At: e.Time.UnixMilli(), Alarm: e.Alarm, Channel: e.Channel, Title: title,
			Event: e.Event.String(), Priority: e.Priority.String(), Reason: e.Reason, Value: dashboard.Num(e.Value),
			Limit: dashboard.Num(e.Limit), Unit: e.Unit, Occurrence: e.Occurrence, Person: e.Person})
	}
}

// gap writes that what was recorded here is lost.
func (k *tracker) gap(at time.Time, g *ingest.Gap) {
	ms := at.UnixMilli()
	from := ms
	if !k.last.IsZero() {
		from = k.last.UnixMilli()
	}
	k.hole(from, ms)
	k.unknownRow(ms)
}

func (k *tracker) hole(from, to int64) {
	t := k.track
	if n := len(t.Gaps); n > 0 && from <= t.Gaps[n-1][1] {
		t.Gaps[n-1][1] = max(to, t.Gaps[n-1][1])
		return
	}
	if len(t.Gaps) == mostGaps {
		t.Gapped++
		return
	}
	t.Gaps = append(t.Gaps, [2]int64{from, to})
}

func (k *tracker) unknownRow(ms int64) {
	for i := range k.row {
		k.row[i] = math.NaN()
	}
	k.track.table.add(ms, rowBreak, k.row)
}

func (k *tracker) add(at time.Time, out *watch.Outcome, w *watch.Rig) {
	ms := at.UnixMilli()
	if !k.last.IsZero() && at.Sub(k.last) > breakAfter {
		k.hole(k.last.UnixMilli(), ms)
		k.unknownRow(k.last.UnixMilli())
	}
	k.last = at
	s := stateOf(&w.Result().Estimate)
	if out.Estimate != nil {
		s |= rowFrame
		k.track.Frames++
		k.silence(at)
	}
	fill(k.row, w)
	k.true(w, out)
	k.track.table.add(ms, s, k.row)
	k.lanes.see(ms, w)
}

// silence marks the time before a frame in which the monitor watched and none came.
func (k *tracker) silence(at time.Time) {
	if !k.frame.IsZero() && at.Sub(k.frame) > breakAfter {
		k.hole(k.frame.UnixMilli(), at.UnixMilli())
	}
	k.frame = at
}

func (k *tracker) true(w *watch.Rig, out *watch.Outcome) {
	for i := truthAt; i < numColumns; i++ {
		k.row[i] = math.NaN()
	}
	if k.truth == nil || out.Estimate == nil {
		return
	}
	if x, ok := k.truth.at(out.Estimate.Time); ok {
		copy(k.row[truthAt:], x[:])
		k.row[truthAt+truthFriction] /= k.factor
	}
}

// finish closes the track; nothing may be added after it.
func (k *tracker) finish() *Track {
	t := k.track
	if !k.frame.IsZero() && k.last.Sub(k.frame) > breakAfter {
		k.hole(k.frame.UnixMilli(), k.last.UnixMilli())
	}
	slices.SortFunc(t.Gaps, func(a, b [2]int64) int { return int(a[0] - b[0]) })
	t.Lanes = k.lanes.list()
	t.Rows, t.Bytes = t.table.rows, t.table.bytes
	t.Columns, t.cols = []Quantity{}, map[string]int{}
	for i, q := range quantities {
		if t.table.has(i) {
			t.Columns = append(t.Columns, q)
			t.cols[q.Name] = i
		}
	}
	if t.Rows > 0 {
		t.From, t.To = t.table.time(0), t.table.time(t.Rows-1)
	}
	return t
}

// truthOfOneRun says why the truth is not to be trusted; empty where it is.
func (k *tracker) truthOfOneRun() string {
	if k.truth == nil || k.fresh == 1 {
		return ""
	}
	return fmt.Sprintf("the truth file is of one run, and %d begin in what was played: the truth is not shown", k.fresh)
}
