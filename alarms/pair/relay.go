package pair

import (
	"slices"

	"hoistward/alarms"
)

// Forward is an event as the other member told it on the pair's broker.
type Forward struct {
	ID      string
	Journal string // the other's
	Seq     int64
	Event   alarms.Event
	Text    []byte // as it was told
	After   int64  // set by Due: the destination is known to have what comes before here in that journal
}

// Relay keeps what the other member told on the pair's broker until it says that each of
// the destinations that it alone sends to has it. What is still kept when this member
// takes over, or when the other has begun anew meanwhile, is this one's to deliver, word
// for word and under its id, whatever becomes of either's role: what the other says later
// of a number that an earlier run of it left behind, does not count. So an event that was
// told on the broker reaches every destination at least once, and always under one id.
//
// Most events wait for a destination at most; the oldest beyond are given up and counted.
// It is not safe for concurrent use.
type Relay struct {
	life  string // the other's run that was heard last
	waits map[string]*waiting
}

type waiting struct {
	list    []*kept         // as they were told
	ids     map[string]bool // of list
	journal string          // with upTo: how far the destination is known to be
	upTo    int64
	givenUp uint64
}

type kept struct {
	Forward
	life string // of the other, when it told it
	ours bool   // to deliver
}

// NewRelay returns one for these destinations, that keeps nothing.
func NewRelay(destinations ...string) *Relay {
	r := &Relay{waits: map[string]*waiting{}}
	for _, name := range destinations {
		r.waits[name] = &waiting{ids: map[string]bool{}}
	}
	return r
}

// Hear takes an event that the other told.
func (r *Relay) Hear(f *Forward) {
	for _, w := range r.waits {
		if w.ids[f.ID] {
			continue
		}
		w.ids[f.ID] = true
		w.list = append(w.list, &kept{Forward: *f, life: r.life})
		if len(w.list) > Most {
			delete(w.ids, w.list[0].ID)
			w.list = w.list[1:]
			w.givenUp++
		}
	}
}

// Receipt takes what the other says of itself: which run of it that is, and up to which
// number of its journal each destination has its events.
func (r *Relay) Receipt(life, journal string, told map[string]int64) {
	for name, w := range r.waits {
		for _, k := range w.list {
			k.ours = k.ours || k.life != life
		}
		if upTo, said := told[name]; said {
			w.receipt(journal, upTo)
		}
	}
	r.life = life
}

func (w *waiting) receipt(journal string, upTo int64) {
	if w.journal != journal || upTo > w.upTo {
		w.journal, w.upTo = journal, upTo
	}
	left := w.list[:0]
	newer := -1 // the last of the journal: what another journal holds before it is dealt with
	for i, k := range w.list {
		if k.Journal == journal {
			newer = i
		}
	}
	for i, k := range w.list {
		covered := k.Journal == journal && k.Seq <= upTo || k.Journal != journal && i < newer
		if covered && !k.ours {
			delete(w.ids, k.ID)
			continue
		}
		left = append(left, k)
	}
	clear(w.list[len(left):])
	w.list = left
}

// Adopt takes that this member begins to speak.
func (r *Relay) Adopt() {
	for _, w := range r.waits {
		for _, k := range w.list {
			k.ours = true
		}
	}
}

// Due returns the oldest events, so many at most, that this member has to deliver to a
// destination.
func (r *Relay) Due(destination string, most int) (out []Forward) {
	w := r.waits[destination]
	if w == nil {
		return nil
	}
	for _, k := range w.list {
		if len(out) == most {
			break
		}
		if !k.ours {
			continue
		}
		f := k.Forward
		if w.journal == f.Journal && w.upTo < f.Seq {
			f.After = w.upTo
		}
		out = append(out, f)
	}
	return out
}

// Delivered takes that a destination has the events of these ids.
func (r *Relay) Delivered(destination string, ids []string) {
	w := r.waits[destination]
	if w == nil {
		return
	}
	w.list = slices.DeleteFunc(w.list, func(k *kept) bool {
		if !slices.Contains(ids, k.ID) {
			return false
		}
		if k.Journal != w.journal || k.Seq > w.upTo {
			w.journal, w.upTo = k.Journal, k.Seq
		}
		delete(w.ids, k.ID)
		return true
	})
}

// GivenUp returns how many events were too many to be kept for a destination.
func (r *Relay) GivenUp(destination string) uint64 {
	if w := r.waits[destination]; w != nil {
		return w.givenUp
	}
	return 0
}

// Span is a stretch of a journal whose every event this member told on the pair's broker.
type Span struct {
	Journal string `json:"journal"`
	From    int64  `json:"from"` // number of its first event
	To      int64  `json:"to"`   // of its last
}

// MostSpans bounds the stretches that are remembered; there is a new one with each
// take-over. Chosen here.
const MostSpans = 200

// Spans are such stretches, as they were told.
type Spans []Span

// Add takes an event that was told; goesOn = so was the one before it.
func (s Spans) Add(journal string, seq int64, goesOn bool) Spans {
	if n := len(s); n > 0 && goesOn && s[n-1].Journal == journal && seq > s[n-1].To {
		s[n-1].To = seq
		return s
	}
	s = append(s, Span{journal, seq, seq})
	if over := len(s) - MostSpans; over > 0 {
		s = slices.Delete(s, 0, over)
	}
	return s
}

// Has tells whether the event of number seq was told.
func (s Spans) Has(journal string, seq int64) bool {
	return slices.ContainsFunc(s, func(a Span) bool { return a.Journal == journal && a.From <= seq && seq <= a.To })
}
