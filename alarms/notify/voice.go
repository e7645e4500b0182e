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
	// Ask tells what becomes of an event of the journal, from before to seq, at a
	// destination; with the id under which the other member told it, if it did.
	Ask(destination string, e *alarms.Event, before, seq int64) (v pair.Verdict, id string)
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

// Places tells how far each destination has come in the journal, and which one it is.
func (n *Notifier) Places() (journal string, dealt map[string]int64) {
	dealt = map[string]int64{}
	for _, d := range n.mqtt {
		p, _ := d.box.at(0)
		journal, dealt[d.name] = p.Journal, p.Seq
	}
	for _, d := range n.webhooks {
		p, _ := d.box.at(0)
		dealt[d.w.Name] = p.Seq
	}
	return journal, dealt
}

// ask asks the pair of an event; false = its answer is not known yet, and the event is
// the next again.
func (b *outbox) ask(r *record, before int64) bool {
	term, again := b.voice.Again(r.seq)
	if r.seq <= b.passed && !again {
		r.skip = true
		return true
	}
	v, id := b.voice.Ask(b.name, &r.event, before, r.seq)
	if again && id == "" { // receivers drop what they had by its id, and this may be one of those
		id = fmt.Sprintf("%s-again-%d", r.ownID(), term)
	}
	switch v {
	case pair.Wait:
		b.tail.seek(before)
		return false
	case pair.Skip:
		r.skip = true
	case pair.Send:
		r.id = id
	}
	return true
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
