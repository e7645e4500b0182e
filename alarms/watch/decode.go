package watch

import (
	"fmt"
	"time"

	"hoistward/detect"
	"hoistward/ingest"
)

// FailingState is the state of a source whose decoder panicked lately.
const FailingState = "failing"

const (
	faultBytes = 60               // of the payload that a decoder panicked on are told
	faultHold  = 10 * time.Second // without a further fault, until a source is no longer marked
)

// faults keeps which sources are marked as failing, and what they told of
// themselves before.
type faults struct {
	known map[string]ingest.Link // by source: the newest link that it told
	last  map[string]time.Time   // by source that is marked: of its newest fault
}

func newFaults() faults {
	return faults{known: map[string]ingest.Link{}, last: map[string]time.Time{}}
}

// decode has the source's decoder read m. A decoder that panics has met bytes that
// its author did not think of: the fault is told, and every other source goes on. A
// panic in what takes the samples is not of that kind and is passed on.
func (l *Loop) decode(src *Source, m *ingest.Message) (fault string) {
	out := l.sinkOf(src)
	defer func() {
		if out.taking {
			return
		}
		if r := recover(); r != nil {
			fault = fmt.Sprintf("%v, on %q", r, m.Payload[:min(len(m.Payload), faultBytes)])
		}
	}()
	src.Decoder.Decode(m, out)
	return ""
}

// guard calls f, which calls a decoder, and returns what it panicked with.
func (l *Loop) guard(src *Source, f func(out ingest.Sink)) (fault string) {
	out := l.sinkOf(src)
	defer func() {
		if out.taking {
			return
		}
		if r := recover(); r != nil {
			fault = fmt.Sprint(r)
		}
	}()
	f(out)
	return ""
}

// decoded takes what the decoder of one source made of a message.
type decoded struct {
	l      *Loop
	source string
	taking bool // a sample or a reject is being taken: the decoder does not run
}

// sinkOf returns where the decoder of src puts what it makes; there is one, as only
// one decoder runs.
func (l *Loop) sinkOf(src *Source) *decoded {
	l.sink = decoded{l: l, source: src.Name}
	return &l.sink
}

func (d *decoded) Sample(rig string, s *ingest.Sample) {
	d.taking = true
	if d.l.fleet.Rig(rig) == nil {
		d.l.reject(rig, d.source, ingest.RejectUnknownRig, rig)
	} else {
		d.l.sample = ingest.Entry{Rig: rig, Kind: ingest.EntrySample, Sample: *s}
		_ = d.l.apply(&d.l.sample)
	}
	d.taking = false
}

func (d *decoded) Reject(rig string, r ingest.Reject, detail string) {
	d.taking = true
	d.l.reject(rig, d.source, r, detail)
	d.taking = false
}

// mark marks a source whose decoder has just failed as failing, and takes the mark
// off after faultHold without a fault.
func (l *Loop) mark(source, fault string) {
	last, marked := l.faults.last[source]
	switch {
	case fault != "":
		l.faults.last[source] = l.now
		if !marked {
			l.tell(ingest.Link{Source: source, State: FailingState, Detail: fault})
		}
	case marked && l.now.Sub(last) >= faultHold:
		delete(l.faults.last, source)
		link, ok := l.faults.known[source]
		if !ok {
			link = ingest.Link{Source: source, State: "receiving"}
		}
		l.tell(link)
	}
}

// link takes a change that a source tells of itself. One that is well does not
// hide that its decoder fails.
func (l *Loop) link(link ingest.Link) {
	l.advance(l.o.Clock())
	l.faults.known[link.Source] = link
	l.follow(link.Source, "a change of its link", func(d Follower, out ingest.Sink) { d.Link(link.State, l.now, out) })
	if _, marked := l.faults.last[link.Source]; marked && linkCondition(link.State) == detect.Absent {
		return
	}
	l.tell(link)
}
