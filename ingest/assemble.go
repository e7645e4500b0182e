package ingest

import "time"

// Reading is the newest value of a channel and its times.
type Reading struct {
	Value    Value
	At       time.Time // event time of this value; zero: never came
	Received time.Time
	Fresh    bool // arrived since the previous frame
}

// Frame is what is known of one rig at one event time.
type Frame struct {
	Time         time.Time // event time; rises from frame to frame unless ClockStepped
	Received     time.Time
	ClockStepped bool // the source's clock was set back since the previous frame
	Values       [NumChannels]Reading
}

// Limits of an Assembler.
const (
	// MergeSpan is how far behind the frame a reading may be stamped and still
	// join it, if it is newer than what its channel has: sensors that send on
	// their own do not send in step.
	MergeSpan = time.Second
	// StepSamples is how many backward samples in a row, rising among
	// themselves, show that the clock was set back.
	StepSamples = 5
)

// Assembler gathers the samples of one rig into frames. It has no clock and does
// not allocate. It is not safe for concurrent use.
//
//	sample's time        what happens
//	after the frame      a new frame
//	the frame's          channels not yet named at this time join the frame;
//	                     the rest is a repeated time
//	before, by MergeSpan channels whose value is older join the frame;
//	or less              the rest is a backward time
//	before by more       backward time; the fifth in a row that rise among
//	                     themselves at the pace of receipt makes a new frame
//	                     marked ClockStepped
//
// Of two values of one channel with one time the first is kept. A backlog sent
// again after a lost link arrives faster than it was measured, so it is not taken
// for a clock that was set back.
type Assembler struct {
	frame   Frame
	started bool
	joined  uint32 // channels that joined after the frame was handed out
	named   uint32 // channels named at the frame's time

	back      int // backward samples in a row, rising
	backFirst time.Time
	backLast  time.Time
	backSince time.Time // receipt of the first
}

// Add takes a sample that came at received, which must not fall from call to
// call. It returns the new frame, or nil where the sample makes none; the frame is
// valid until the next Add. The reject says what was refused, if only a part.
func (a *Assembler) Add(s *Sample, received time.Time) (*Frame, Reject) {
	switch {
	case s.Has == 0:
		return nil, RejectNoChannel
	case !a.started || s.Time.After(a.frame.Time):
		return a.next(s, received, false), Used
	case s.Time.Equal(a.frame.Time):
		late := s.Has & a.named
		a.join(s, s.Has&^late, received)
		a.named |= s.Has
		return nil, either(late == 0, RejectRepeatedTime)
	}
	if newer := a.newer(s); newer != 0 {
		a.join(s, newer, received)
		return nil, either(newer == s.Has, RejectBackwardTime)
	}
	if a.stepped(s, received) {
		a.rebase(s.Time, received)
		return a.next(s, received, true), Used
	}
	return nil, RejectBackwardTime
}

func either(used bool, r Reject) Reject {
	if used {
		return Used
	}
	return r
}

// Last returns the newest frame with what joined it since, or nil before the first.
func (a *Assembler) Last() *Frame {
	if !a.started {
		return nil
	}
	return &a.frame
}

func (a *Assembler) next(s *Sample, received time.Time, stepped bool) *Frame {
	fresh := a.joined | s.Has
	a.started, a.back, a.joined, a.named = true, 0, 0, s.Has
	a.frame.Time, a.frame.Received, a.frame.ClockStepped = s.Time, received, stepped
	for c := range NumChannels {
		r := &a.frame.Values[c]
		if s.Named(c) {
			r.Value, r.At, r.Received = s.Values[c], s.Time, received
		}
		r.Fresh = fresh&(1<<c) != 0
	}
	return &a.frame
}

func (a *Assembler) join(s *Sample, which uint32, received time.Time) {
	if which == 0 {
		return
	}
	a.back = 0
	a.joined |= which
	for c := range NumChannels {
		if which&(1<<c) != 0 {
			a.frame.Values[c] = Reading{Value: s.Values[c], At: s.Time, Received: received, Fresh: true}
		}
	}
}

// newer returns the channels of s that are within MergeSpan of the frame and
// newer than what the frame has.
func (a *Assembler) newer(s *Sample) uint32 {
	var which uint32
	if a.frame.Time.Sub(s.Time) > MergeSpan {
		return 0
	}
	for c := range NumChannels {
		if s.Named(c) && s.Time.After(a.frame.Values[c].At) {
			which |= 1 << c
		}
	}
	return which
}

// stepped counts s as a backward sample and tells whether enough have come to
// believe that the source's clock was set back.
func (a *Assembler) stepped(s *Sample, received time.Time) bool {
	if a.back == 0 || s.Time.Before(a.backLast) {
		a.back, a.backFirst, a.backLast, a.backSince = 1, s.Time, s.Time, received
		return false
	}
	if s.Time.After(a.backLast) {
		a.back++
		a.backLast = s.Time
	}
	rise := a.backLast.Sub(a.backFirst)
	return a.back >= StepSamples && received.Sub(a.backSince) >= rise/2
}

// rebase moves the times of the values at hand to the clock that was set back,
// keeping their age by receipt, so that no age is negative.
func (a *Assembler) rebase(now, received time.Time) {
	for c := range NumChannels {
		if r := &a.frame.Values[c]; !r.At.IsZero() {
			r.At = now.Add(-max(0, received.Sub(r.Received)))
		}
	}
}
