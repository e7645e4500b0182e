package watch

import (
	"fmt"
	"time"

	"hoistward/ingest"
)

// Follower is a Decoder that follows sessions of its senders, and so has to know
// that time passes and that the link was lost. The loop calls it as it calls
// Decode.
type Follower interface {
	Decoder
	// Tick tells the time, at least twice in each LoopOptions.Tick.
	Tick(now time.Time, out ingest.Sink)
	// Link tells a new state of the source's own link, as Link.State has it.
	Link(state string, now time.Time, out ingest.Sink)
}

// follow calls f with each source that follows sessions, or with the one that is
// named. One that panics is rejected as a decoder is.
func (l *Loop) follow(source, what string, f func(d Follower, out ingest.Sink)) {
	for i := range l.o.Sources {
		src := &l.o.Sources[i]
		d, ok := src.Decoder.(Follower)
		if !ok || source != "" && source != src.Name {
			continue
		}
		if fault := l.guard(src, func(out ingest.Sink) { f(d, out) }); fault != "" {
			fault = fmt.Sprintf("%s, on %s", fault, what)
			l.reject("", src.Name, ingest.RejectDecoderFault, fault)
			l.mark(src.Name, fault)
		}
	}
}
