package notify

import (
	"bytes"
	"encoding/json"
	"fmt"
	"iter"

	"hoistward/alarms"
	"hoistward/alarms/pair"
)

// Voice is what a monitor that is one of a pair may say. Its methods may be called from
// any goroutine and must not block.
type Voice interface {
	Member() string // its name
	Speaks() bool
	// Ask tells what becomes of an event of a journal, from before to seq, at a
	// destination.
	Ask(destination, journal string, e *alarms.Event, before, seq int64) pair.Verdict
	// Due gives the oldest events, so many at most, that the other member told and this
	// one has to deliver to a destination.
	Due(destination string, most int) []pair.Forward
	// Delivered takes that a destination has the events of these ids.
	Delivered(destination string, ids []string)
	// Turned tells whether Rewind has an answer for a destination.
	Turned(destination string) bool
	// Rewind gives, once each time that this member begins to speak, where in the
	// journal something begins that nobody told.
	Rewind(destination string) (before int64, any bool)
	// Again tells whether an event is news though the journal was gone through beyond it,
	// and in which term of this member it is said again.
	Again(seq int64) (term uint64, again bool)
}

func (n *Notifier) speaks() bool { return n.o.Voice == nil || n.o.Voice.Speaks() }

// Turn takes that this member of a pair begins or ends to speak: its states go out, what
// sounds is told of, and every destination looks at the journal again.
func (n *Notifier) Turn() {
	for _, d := range n.mqtt {
		d.stateMu.Lock()
		for rig, s := range d.newest {
			d.dirty[rig] = true
			if n.horn != nil && n.speaks() && d == n.mqtt[0] {
				n.horn.begin(s)
			}
		}
		d.stateMu.Unlock()
		nudge(d.states)
	}
	n.Wake()
}

// Wake has every destination look at the journal.
func (n *Notifier) Wake() {
	for _, d := range n.mqtt {
		d.wake()
	}
	for _, d := range n.webhooks {
		d.wake()
	}
}

// Places tells how far the destinations have come in the journal in which the first
// broker is, and which one that is. A destination that is in another one is left out.
func (n *Notifier) Places() (journal string, dealt map[string]int64) {
	dealt = map[string]int64{}
	put := func(i int, b *outbox) {
		p, _ := b.at(0)
		if i == 0 {
			journal = p.Journal
		}
		if p.Journal == journal {
			dealt[b.name] = p.Seq
		}
	}
	for i, d := range n.mqtt {
		put(i, d.box)
	}
	for i, d := range n.webhooks {
		put(len(n.mqtt)+i, d.box)
	}
	return journal, dealt
}

// Told tells of an event of a journal whether this member told it on the first broker,
// and whether that is beyond it; elsewhere = the first broker is in another journal.
func (n *Notifier) Told(journal string, seq int64) (told, dealt, elsewhere bool) {
	b := n.mqtt[0].box
	b.mu.Lock()
	defer b.mu.Unlock()
	same := b.place.Journal == journal
	return b.place.Told.Has(journal, seq), same && seq <= b.place.Seq, !same
}

// ask asks the pair of an event; false = its answer is not known yet, and the event is
// the next again.
func (b *outbox) ask(r *record, before int64) bool {
	term, again := b.voice.Again(r.seq)
	if r.seq <= b.passed && !again {
		r.skip = true
		return true
	}
	switch b.voice.Ask(b.name, r.journal, &r.event, before, r.seq) {
	case pair.Wait:
		b.tail.seek(before)
		return false
	case pair.Skip:
		r.skip = true
	case pair.Send:
		if again { // receivers drop what they had by its id, and this may be one of those
			r.id = fmt.Sprintf("%s-again-%d", r.ownID(), term)
		}
	}
	return true
}

// due gives the oldest events that the pair's other member told and this one has to
// deliver here.
func (b *outbox) due(most int) (out []record) {
	if b.voice == nil {
		return nil
	}
	for _, f := range b.voice.Due(b.name, most) {
		out = append(out, record{journal: f.Journal, seq: f.Seq, line: f.Text, event: f.Event, id: f.ID, whole: true, after: f.After,
			old: b.now().Sub(f.Event.Time) > b.keep})
	}
	return out
}

// forwarded takes that those are dealt with here.
func (b *outbox) forwarded(ids []string, n tally) {
	b.mu.Lock()
	b.place.Sent += n.sent
	b.place.SetAside += n.aside
	b.place.PassedOver += n.passed
	b.dirty = true
	b.mu.Unlock()
	b.voice.Delivered(b.name, ids)
}

func (b *outbox) turned() bool { return b.voice != nil && b.voice.Turned(b.name) }

func (b *outbox) speaks() bool { return b.voice == nil || b.voice.Speaks() }

func (b *outbox) member() string {
	if b.voice == nil {
		return ""
	}
	return b.voice.Member()
}

// Outward is an event as it went out.
type Outward struct {
	alarms.Event
	Member string `json:"member"` // empty = of a monitor that is alone
	ID     string `json:"id"`
	Seq    int64  `json:"seq"`
}

// ReadOutward reads what stands on an events topic.
func ReadOutward(text []byte) (Outward, error) {
	var o struct {
		Member string `json:"member"`
		ID     string `json:"id"`
		Seq    int64  `json:"seq"`
	}
	if err := json.Unmarshal(text, &o); err != nil {
		return Outward{}, fmt.Errorf("event: %w", err)
	}
	for _, key := range []string{`,"member":"`, `,"id":"`} { // what was added to the journal's line
		if i := bytes.LastIndex(text, []byte(key)); i >= 0 {
			text = append(bytes.Clone(text[:i]), '}')
		}
	}
	e, err := alarms.ParseEvent(text)
	return Outward{Event: e, Member: o.Member, ID: o.ID, Seq: o.Seq}, err
}

// Line is an event of the journal with its place there.
type Line struct {
	alarms.Event
	Before, Seq int64 // where the line begins and ends, bytes
}

// Lines gives the events in the last so many bytes of a journal.
func Lines(path string, last int64) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		t := tail{path: path}
		if err := t.open(0); err != nil {
			yield(Line{}, err)
			return
		}
		defer t.close()
		if length := t.length(); length > last {
			t.seek(length - last) // what is cut there is no event, and passed over
		}
		for {
			before := t.pos
			r, ok, err := t.next()
			if err != nil {
				yield(Line{}, err)
				return
			}
			if !ok || !yield(Line{r.event, before, r.seq}, nil) {
				return
			}
		}
	}
}
