package watch

import (
	"fmt"
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
	name     string
	open     Open
	rig      *hoist.Rig
	detector *detect.Detector
	frames   ingest.Gatherer
	result   *detect.Result
	board    board
	links    []linkState
	now      time.Time
	newest   time.Time // receipt of the newest sample
}

type linkState struct {
	link  ingest.Link
	since time.Time
}

// Outcome is what one entry led to. It is valid until the next Apply.
type Outcome struct {
	Estimate *detect.Estimate // of the frame that the entry made; nil = it made none
	Events   []alarms.Event   // journal lines, in order
	Refused  string           // why an act was refused; empty = it was not
	Reject   ingest.Reject    // why a sample, or a part of one, made no frame
}

// NewRig returns a rig that waits for its session entry.
func NewRig(name string, open Open) *Rig { return &Rig{name: name, open: open} }

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
	out := Outcome{}
	switch e.Kind {
	case ingest.EntrySample:
		w.sample(e, &out)
	case ingest.EntryTick, ingest.EntryGap:
		w.pass(&out)
	case ingest.EntryAct:
		out.Refused = w.act(e.Act)
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
	board, err := newBoard(s.Alarms, e.Received)
	if err != nil {
		return Outcome{}, fmt.Errorf("rig %s: %w", w.name, err)
	}
	w.rig, w.detector, w.board = rig, detect.New(rig, mapped), board
	w.frames, w.result, w.links = ingest.NewGatherer(s.Apart, s.Periods), nil, nil
	for name, period := range s.Periods {
		if c, ok := ingest.ParseChannel(name); ok {
			w.detector.Expect(c, period)
		}
	}
	w.now, w.newest = e.Received, time.Time{}
	w.result = w.detector.Tick(w.now)
	return Outcome{}, nil
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
	w.result = w.detector.Step(frame)
	out.Estimate = &w.result.Estimate
	w.board.evaluate(w.name, w.now, w.result)
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
	w.board.evaluate(w.name, w.now, w.result)
}

// act takes what a person asked and returns why it was refused, if it was.
func (w *Rig) act(act *ingest.Act) string {
	if act.Rig != "" && act.Rig != w.name {
		return w.board.refuse(w.name, w.now, act, fmt.Sprintf("it was meant for the rig %q, this is %s", clip(act.Rig), w.name))
	}
	return w.board.act(w.name, w.now, act)
}

// link takes a change of the way that readings come: a source's link, or the
// recorder.
func (w *Rig) link(e *ingest.Entry) {
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
