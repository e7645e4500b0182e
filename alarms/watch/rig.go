package watch

import (
	"crypto/sha256"
	"fmt"
	"math"
	"time"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// Open reads and checks the text of a rig file. Package configs has one.
type Open func(rigFile []byte) (*hoist.Rig, error)

// Rig watches one rig. It is not safe for concurrent use.
type Rig struct {
	open Open
	rigState
}

// rigState is all that Apply goes by and changes: plain data, so that a snapshot can
// carry it whole.
type rigState struct {
	name     string
	file     [sha256.Size]byte // digest of the rig file's text
	rig      *hoist.Rig
	detector *detect.Detector
	frames   ingest.Gatherer
	result   *detect.Result
	board    board
	links    []linkState
	now      time.Time
	newest   time.Time // receipt of the newest sample
	begun    time.Time // of the session
	lostWhy  string    // why the saved alarm state could not be carried in; empty = it was, or there was none
	service  alarms.Service
	keepsLog bool      // of service
	judged   time.Time // when the log was last looked at
	worked   float64   // J, line work of this session that is in the log
}

type linkState struct {
	link  ingest.Link
	since time.Time
}

// Outcome is what one entry led to. It is valid until the next Apply.
type Outcome struct {
	Sample   bool             // the entry was a sample
	Seq      uint64           // of the entry: with their place in Events it numbers the events of all rigs for good
	Estimate *detect.Estimate // of the frame that the entry made; nil = it made none
	Events   []alarms.Event   // journal lines, in order
	Refused  string           // why an act was refused; empty = it was not
	Logged   []byte           // line of the service log, JSON; nil = the entry was none
	Reject   ingest.Reject    // why a sample, or a part of one, made no frame
}

// NewRig returns a rig that waits for its session entry.
func NewRig(name string, open Open) *Rig {
	return &Rig{open: open, rigState: rigState{name: name}}
}

// Apply takes one entry. An error means that the entry cannot be used at all; the
// rig is as it was.
func (w *Rig) Apply(e *ingest.Entry) (Outcome, error) {
	w.board.events = w.board.events[:0]
	if e.Kind == ingest.EntrySession {
		return w.session(e)
	}
	if w.detector == nil {
		return Outcome{}, fmt.Errorf("rig %s: entry %d comes before any session", w.name, e.Seq)
	}
	if e.Received.After(w.now) {
		w.now = e.Received
	}
	out := Outcome{Seq: e.Seq}
	switch e.Kind {
	case ingest.EntrySample:
		out.Sample = true
		w.sample(e, &out)
	case ingest.EntryTick, ingest.EntryGap:
		w.pass(&out)
	case ingest.EntryAct:
		w.act(e.Act, &out)
	case ingest.EntryLink:
		w.link(e)
	}
	out.Events = w.board.events
	return out, nil
}

func (w *Rig) session(e *ingest.Entry) (Outcome, error) {
	s := e.Session
	if s.Continues && w.detector != nil {
		return Outcome{}, nil
	}
	rig, err := w.open([]byte(s.RigFile))
	if err != nil {
		return Outcome{}, fmt.Errorf("rig %s: %w", w.name, err)
	}
	var mapped uint32
	for _, name := range s.Channels {
		if c, ok := ingest.ParseChannel(name); ok {
			mapped |= 1 << c
		}
	}
	var saved alarms.Saved
	if s.Alarms != "" {
		if saved, err = alarms.UnmarshalState([]byte(s.Alarms)); err != nil {
			return Outcome{}, fmt.Errorf("rig %s: %w", w.name, err)
		}
	}
	rig, moved := withLog(rig, &saved.Service)
	w.file = sha256.Sum256([]byte(s.RigFile))
	w.rig, w.detector, w.board = rig, detect.New(rig, mapped), newBoard()
	if moved {
		w.detector.VoidMap(detect.LineSlipped)
	}
	w.keepsLog, w.worked, w.judged = s.KeepsLog, 0, time.Time{}
	w.frames, w.result, w.links = ingest.NewGatherer(s.Apart, s.Periods), nil, nil
	for name, period := range s.Periods {
		if c, ok := ingest.ParseChannel(name); ok {
			w.detector.Expect(c, period)
		}
	}
	w.now, w.newest, w.begun = e.Received, time.Time{}, e.Received
	w.resume(s, &saved)
	w.result = w.detector.Tick(w.now)
	return Outcome{Seq: e.Seq, Events: w.board.events}, nil
}

// resume takes up what was saved, and says what is no longer as it was.
func (w *Rig) resume(s *ingest.Session, saved *alarms.Saved) {
	b := &w.board
	if back := saved.At.Time().Sub(w.now); saved.At != 0 && back > clockSlack {
		b.audit(w.name, w.now, "clock", alarms.EventClockJumped,
			fmt.Sprintf("this machine's clock is %s behind the time at which the alarm state was saved", back.Round(time.Second)))
	}
	b.restore(saved.Alarms, w.now)
	b.auditLimits(w.name, w.now, saved.Limits, limitsOf(w.rig, b))
	w.service = saved.Service
	w.lostWhy = s.StateLost
}

// clockSlack is the least step of a clock that is journalled, 2 s. Chosen here: above
// what slewing and a busy machine make of two looks at one clock.
const clockSlack = 2 * time.Second

// lostShown is how long the condition of "alarm state lost" stands after the start of
// a session; the alarm is latched and stays. Chosen here.
const lostShown = 10 * time.Second

// judgeSession finds that the saved alarm state could not be read.
func (w *Rig) judgeSession() {
	f := detect.Finding{Condition: detect.Absent, Value: math.NaN(), Limit: math.NaN()}
	if w.lostWhy != "" && w.now.Sub(w.begun) < lostShown {
		f.Condition, f.Urgency = detect.Present, detect.High
	}
	w.board.own[stateLost], w.board.why[stateLost] = f, w.lostWhy
}

func (w *Rig) sample(e *ingest.Entry, out *Outcome) {
	w.newest = w.now
	frame, reject := w.frames.Add(&e.Sample, w.now)
	out.Reject = reject
	if frame != nil {
		w.step(frame, out)
	}
}

func (w *Rig) step(frame *ingest.Frame, out *Outcome) {
	if frame.ClockStepped {
		w.board.audit(w.name, w.now, "clock", alarms.EventClockJumped,
			fmt.Sprintf("the source's clock was set back: its times go on from %s", frame.Time.UTC().Format(time.RFC3339)))
	}
	w.result = w.detector.Step(frame)
	out.Estimate = &w.result.Estimate
	w.addWork()
	w.evaluate()
}

// pass takes the passing of time: a frame that has waited for the rest of its
// channels is made, or what is known ages.
func (w *Rig) pass(out *Outcome) {
	if frame := w.frames.Release(w.now); frame != nil {
		w.step(frame, out)
		return
	}
	w.tick()
}

func (w *Rig) tick() {
	w.result = w.detector.Tick(w.now)
	w.evaluate()
}

// evaluate takes the newest findings through every alarm.
func (w *Rig) evaluate() {
	w.judgeSession()
	w.judgeService()
	w.board.evaluate(w.name, w.now, w.result)
}

// act takes what a person asked of an alarm or entered in the service log.
func (w *Rig) act(act *ingest.Act, out *Outcome) {
	switch {
	case act.Rig != "" && act.Rig != w.name:
		out.Refused = w.board.refuse(w.name, w.now, act, fmt.Sprintf("it was meant for the rig %q, this is %s", clip(act.Rig), w.name))
	case act.OfService():
		out.Logged, out.Refused = w.log(act)
	default:
		out.Refused = w.board.act(w.name, w.now, act)
	}
}

// link takes a change of the way that readings come: a source's link, or the
// recorder.
func (w *Rig) link(e *ingest.Entry) {
	if e.Link.Source == ClockLink {
		w.board.audit(w.name, w.now, "clock", alarms.EventClockJumped, "this machine's clock was set: "+e.Link.Detail)
		w.tick()
		return
	}
	found := false
	for i := range w.links {
		if w.links[i].link.Source == e.Link.Source {
			w.links[i] = linkState{*e.Link, w.now}
			found = true
		}
	}
	if !found {
		w.links = append(w.links, linkState{*e.Link, w.now})
	}
	w.board.linkChanged(w.links)
	w.tick()
}
