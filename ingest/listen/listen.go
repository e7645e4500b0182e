// Package listen gathers what a source sends, as it is decoded, for a person who
// sets a monitor up: which rigs and channels come, how often, how old, by whose
// clock, and what is not used and why.
//
// It may not judge a reading and has no clock: the times come in with the data.
// What it keeps is bounded, whatever is sent: of rigs, topics and fields the first
// so many by name, and the rest are counted together.
package listen

import (
	"strings"
	"sync"
	"time"

	"hoistward/ingest"
)

// Limits of what is kept by name.
const (
	maxRigs   = 2000
	maxTopics = 50
	maxFields = 30
	maxText   = 120 // bytes of an example
)

// Others stands for the names beyond the limits.
const Others = "(others)"

// Source gathers what one source sends. It is safe for concurrent use.
type Source struct {
	name    string
	mapping *ingest.Mapping
	known   map[string]bool // rigs that have a file
	offsets *ingest.Offsets

	mu       sync.Mutex
	messages uint64
	first    time.Time
	newest   time.Time
	rigs     map[string]*rig
	rejects  [ingest.NumRejects]tally
	fields   map[string]uint64 // of messages, that are not mapped
	topics   map[string]*tally // that no channel is read from
}

type rig struct {
	samples  uint64
	offset   time.Duration // of the newest stamp from its receipt
	stamped  bool
	channels [ingest.NumChannels]channel
}

type channel struct {
	n       uint64
	value   ingest.Value
	at      time.Time // by its stamp
	first   time.Time // receipt
	newest  time.Time
	bad     uint64
	badLast ingest.Reason
}

type tally struct {
	n       uint64
	example string
}

func (t *tally) add(example string) {
	t.n++
	if example != "" {
		t.example = printable(example)
	}
}

// NewSource returns a Source for the messages that m maps, of a site with these rigs.
// offsets is where its decoder measures the source's clock; nil = it does not.
func NewSource(name string, m *ingest.Mapping, rigs []string, offsets *ingest.Offsets) *Source {
	s := &Source{
		name: name, mapping: m, offsets: offsets, known: map[string]bool{}, rigs: map[string]*rig{},
		fields: map[string]uint64{}, topics: map[string]*tally{},
	}
	for _, r := range rigs {
		s.known[r] = true
	}
	return s
}

// Decoder turns a message into samples and rejects.
type Decoder interface {
	Decode(m *ingest.Message, out ingest.Sink)
}

// Message takes one message; reject says why its transport would not use it.
func (s *Source) Message(m *ingest.Message, reject ingest.Reject, d Decoder) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.messages++
	if s.first.IsZero() {
		s.first = m.Received
	}
	s.newest = m.Received
	if reject != ingest.Used {
		s.rejects[reject].add(m.Topic + " " + head(m.Payload))
		return
	}
	d.Decode(m, sink{s, m.Received})
}

// Unread takes a message on a topic that no channel is read from.
func (s *Source) Unread(topic string, payload []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t, ok := s.topics[topic]
	if !ok {
		if len(s.topics) >= maxTopics {
			topic = Others
		}
		if t, ok = s.topics[topic]; !ok {
			t = &tally{}
			s.topics[strings.Clone(topic)] = t
		}
	}
	t.add(head(payload))
}

// sink takes what a decoder makes of a message that came at received.
type sink struct {
	s        *Source
	received time.Time
}

func (k sink) Sample(name string, sample *ingest.Sample) {
	r := k.s.rig(name)
	r.samples++
	r.offset, r.stamped = sample.Time.Sub(k.received), true
	for c := range ingest.NumChannels {
		if !sample.Named(c) {
			continue
		}
		ch := &r.channels[c]
		if ch.n == 0 {
			ch.first = k.received
		}
		ch.n++
		ch.value, ch.at, ch.newest = sample.Values[c], sample.Time, k.received
		if v := sample.Values[c]; v.Quality == ingest.Bad {
			ch.bad++
			ch.badLast = v.Reason
		}
	}
	if !k.s.known[name] {
		k.s.rejects[ingest.RejectUnknownRig].add(name)
	}
}

func (k sink) Reject(_ string, r ingest.Reject, detail string) {
	k.s.rejects[min(r, ingest.NumRejects-1)].add(detail)
	if r != ingest.RejectUnknownField {
		return
	}
	detail = printable(detail)
	if _, known := k.s.fields[detail]; !known && len(k.s.fields) >= maxFields {
		detail = Others
	}
	k.s.fields[detail]++
}

// rig returns the rig of that name, or the one that the rest are counted under.
func (s *Source) rig(name string) *rig {
	r, ok := s.rigs[name]
	if ok {
		return r
	}
	if len(s.rigs) >= maxRigs && !s.known[name] {
		name = Others
	}
	if r, ok = s.rigs[name]; !ok {
		r = &rig{}
		s.rigs[strings.Clone(name)] = r
	}
	return r
}

func head(b []byte) string { return string(b[:min(len(b), maxText)]) }

// printable replaces what a terminal should not be sent, and cuts.
func printable(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\u202e' || r == '\ufffd' {
			return '·'
		}
		return r
	}, strings.ToValidUTF8(s, "·"))
	if runes := []rune(s); len(runes) > maxText {
		return string(runes[:maxText-1]) + "…"
	}
	return s
}
