package watch

import (
	"fmt"
	"time"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// Fleet watches the rigs that its entries name. It is not safe for concurrent use.
type Fleet struct {
	open Open
	rigs map[string]*Rig
}

// NewFleet returns a fleet without rigs: a session entry brings one.
func NewFleet(open Open) *Fleet { return &Fleet{open: open, rigs: map[string]*Rig{}} }

// Apply hands e to its rig.
func (f *Fleet) Apply(e *ingest.Entry) (Outcome, error) {
	w, ok := f.rigs[e.Rig]
	if !ok {
		if e.Kind != ingest.EntrySession {
			return Outcome{}, fmt.Errorf("rig %s: entry %d comes before any session", e.Rig, e.Seq)
		}
		w = NewRig(e.Rig, f.open)
		f.rigs[e.Rig] = w
	}
	return w.Apply(e)
}

// Rig returns the rig of that name, nil if no session has brought it.
func (f *Fleet) Rig(name string) *Rig { return f.rigs[name] }

// Name returns the rig's name.
func (w *Rig) Name() string { return w.name }

// Rig returns the rig file in force.
func (w *Rig) Rig() *hoist.Rig { return w.rig }

// Now returns the time of the newest entry.
func (w *Rig) Now() time.Time { return w.now }

// Newest returns the receipt of the newest sample; zero = none came.
func (w *Rig) Newest() time.Time { return w.newest }

// Due returns when a frame that waits for the rest of its channels is to be made,
// by a tick; zero = none waits.
func (w *Rig) Due() time.Time { return w.frames.Due(w.now) }

// Result returns the newest findings and estimate.
func (w *Rig) Result() *detect.Result { return w.result }

// Instrument returns the state of a channel.
func (w *Rig) Instrument(c ingest.Channel) detect.Instrument {
	return w.detector.Instrument(c, w.now)
}

// ClockAhead returns by how much the source's clock is ahead of ours, s; NaN = not
// known.
func (w *Rig) ClockAhead() float64 { return w.result.Findings[detect.ClockDisagrees].Value }

// State returns what the rig carries over a restart.
func (w *Rig) State() ([]byte, error) {
	return alarms.MarshalState(&alarms.Saved{At: alarms.At(w.now), Alarms: w.board.state(), Limits: limitsOf(w.rig, &w.board), Service: w.service})
}

// Service returns what the log of proof tests and line service comes to.
func (w *Rig) Service() alarms.Service { return w.service }

// CrownSaverProven says whether the crown saver counts as proven, and why not.
func (w *Rig) CrownSaverProven() (bool, string) {
	if !w.keepsLog {
		return false, "no log of proof tests is kept here"
	}
	return w.service.CrownSaverProven(alarms.At(w.now), duration(w.rig.Due.CrownSaver))
}

// Links calls yield with each link and the time of its newest change.
func (w *Rig) Links(yield func(ingest.Link, time.Time)) {
	for _, l := range w.links {
		yield(l.link, l.since)
	}
}

// Standing is one alarm that is anything but normal.
type Standing struct {
	Rule     *alarms.Rule // of the catalogue, shared: not to be changed
	Channel  string       // empty where it is not of a channel
	Alarm    alarms.Alarm
	Finding  detect.Finding
	Reason   string
	Hides    int // children that it suppresses by design now
	Chatters bool
	Stale    bool
}

// Rate returns how many alarms the rig's operator position has had lately.
func (w *Rig) Rate() alarms.Rate {
	hour, ten, flood := w.board.recent.At(w.now)
	return alarms.Rate{Hour: hour, TenMin: ten, Flood: flood}
}

// Standing returns the alarms that are not normal, hidden ones too, most urgent
// first: by sound, priority, then age.
func (w *Rig) Standing() []Standing {
	var out []Standing
	b := &w.board
	for i := range b.slots {
		s := &b.slots[i]
		if !s.standing() {
			continue
		}
		out = append(out, b.standing(i, w.now))
	}
	sortStanding(out)
	return out
}

// PutAside returns the alarms that a person has shelved or taken out of service, in
// whatever state they are underneath, in the order of the catalogue.
func (w *Rig) PutAside() []Standing {
	var out []Standing
	b := &w.board
	for i := range b.slots {
		if s := &b.slots[i]; s.memory != nil && (s.alarm.Shelved() || s.alarm.OutOfService) {
			out = append(out, b.standing(i, w.now))
		}
	}
	return out
}

func (b *board) standing(i int, now time.Time) Standing {
	s := &b.slots[i]
	return Standing{
		Rule: s.rule(), Channel: s.channelName(), Alarm: s.alarm, Finding: s.finding,
		Reason: b.reason(s, alarms.Change{}), Hides: b.hiddenUnder(i),
		Chatters: s.raises != nil && s.raises.Chatters(now), Stale: s.alarm.IsStale(now),
	}
}

func (b *board) hiddenUnder(parent int) int {
	n := 0
	for i := range b.slots {
		s := &b.slots[i]
		if int(s.parent) == parent && s.memory != nil && s.alarm.Suppressed && (s.alarm.Standing() || s.alarm.TrueSince != 0) {
			n++
		}
	}
	return n
}
