package ingest

import (
	"slices"
	"sync"
	"time"
)

// offsetsKept is how many stamps the offset of a clock is the median of: some
// seconds of one rig's readings, so that one wrong stamp does not move it.
const offsetsKept = 63

// Offsets measures how far a source's clock is ahead of ours, by its newest stamps
// against their receipt, those that are not believed among them. It is safe for
// concurrent use; the zero value is ready.
type Offsets struct {
	mu     sync.Mutex
	ring   [offsetsKept]time.Duration
	n      uint64
	newest time.Time // receipt
}

// Offset is how far the clock of a source is ahead of ours.
type Offset struct {
	Median time.Duration // stamp less receipt, of the newest stamps; the way here makes it less
	Least  time.Duration
	Most   time.Duration
	Stamps uint64    // seen since the start
	Newest time.Time // receipt of the newest
}

func (o *Offsets) note(stamp, received time.Time) {
	if o == nil {
		return
	}
	o.mu.Lock()
	o.ring[o.n%offsetsKept] = stamp.Sub(received)
	o.n++
	o.newest = received
	o.mu.Unlock()
}

// Now returns the offset by the newest stamps; false where none came, or o is nil.
func (o *Offsets) Now() (Offset, bool) {
	if o == nil {
		return Offset{}, false
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.n == 0 {
		return Offset{}, false
	}
	sorted := o.ring
	some := sorted[:min(o.n, offsetsKept)]
	slices.Sort(some)
	return Offset{some[len(some)/2], some[0], some[len(some)-1], o.n, o.newest}, true
}

// StampWords tells of a stamp that is not believed: what it says, and how far it is
// from the moment of receipt.
func StampWords(stamp, received time.Time) string {
	words, d := " ahead of receipt", stamp.Sub(received)
	if d < 0 {
		words, d = " behind receipt", -d
	}
	text := stamp.UTC().Format(time.RFC3339Nano) + ", "
	if d == 1<<63-1 || d < 0 {
		return text + "some centuries" + words
	}
	return text + d.Round(time.Millisecond).String() + words
}
