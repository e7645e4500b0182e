package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
	"hoistward/alarms/notify"
	"hoistward/alarms/pair"
)

// hear takes what comes by the pair's broker.
func (p *pairing) hear(ctx context.Context) {
	for {
		m, err := p.client.Next(ctx)
		if err != nil {
			return
		}
		rest, ours := strings.CutPrefix(m.Topic, pairTopic(p.st.site.Name)+"/")
		switch member, acts := strings.CutSuffix(rest, "/acts"); {
		case ours && acts:
			p.hearActs(member, m.Payload, m.Retained)
		case ours:
			p.hearBeat(m.Payload, m.Retained)
		case strings.HasSuffix(m.Topic, "/events"):
			p.hearEvent(m.Payload)
		case m.Retained:
			p.hearState(m.Payload)
		}
	}
}

func (p *pairing) hearBeat(text []byte, retained bool) {
	var b pair.Beat
	if json.Unmarshal(text, &b) != nil || b.Member == "" {
		return
	}
	now := time.Now()
	p.mu.Lock()
	me := &p.in.Me
	switch {
	case b.Member == me.Member && b.Life == me.Life:
		if !retained && !b.Gone {
			p.in.Echo = now
		}
	case b.Member == me.Member:
		if !retained {
			p.in.Twin = pair.Heard{Beat: b, At: now}
		}
	case retained:
		if p.in.Peer.At.IsZero() {
			p.in.Peer.Beat = b // of its term; that it is there shows with the next
		}
	case b.Gone && b.Life != p.in.Peer.Life && !p.in.Peer.At.IsZero(): // the will of an earlier run
	default:
		p.in.Peer = pair.Heard{Beat: b, At: now}
		p.relay.Receipt(b.Life, b.Journal, b.Told)
	}
	begun := p.notify != nil
	p.mu.Unlock()
	if begun {
		p.step()
	}
}

func (p *pairing) hearEvent(text []byte) {
	e, err := notify.ReadOutward(text)
	if err != nil {
		p.log.Warn("an event of the other member cannot be read", zap.Error(err))
		return
	}
	if e.Member == "" || e.Member == p.cfg.Member {
		return
	}
	journal, _, _ := strings.Cut(e.ID, "-")
	p.mu.Lock()
	p.ledger.Tell(&e.Event, pair.Told{ID: e.ID, At: e.Time})
	p.relay.Hear(&pair.Forward{ID: e.ID, Journal: journal, Seq: e.Seq, Event: e.Event, Text: bytes.Clone(text)})
	n := p.notify
	p.mu.Unlock()
	p.sayGivenUp()
	if n != nil {
		n.Wake()
	}
}

// sayGivenUp says what the relay could not keep.
func (p *pairing) sayGivenUp() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, name := range p.others {
		if n := p.relay.GivenUp(name); n >= 2*p.lost[name]+1 { // at 1, 3, 7 and so on
			p.lost[name] = n
			p.log.Error("events of the other member wait so long for a destination that the oldest are not kept: should it be lost with its disk, so are they",
				zap.String("destination", name), zap.Uint64("events", n), zap.Int("kept", pair.Most))
		}
	}
}

// hearState takes what a rig stands with, as the broker kept it.
func (p *pairing) hearState(text []byte) {
	var s struct {
		Rig      string
		Standing []pair.Standing
	}
	if json.Unmarshal(text, &s) != nil || s.Rig == "" {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.kept[s.Rig] = s.Standing
	if p.state.Role.Speaks() {
		return
	}
	p.ledger.Stand(s.Rig, s.Standing)
}

// Member is this one's name.
func (p *pairing) Member() string { return p.cfg.Member }

// Speaks tells whether this one sends alarms out.
func (p *pairing) Speaks() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state.Role.Speaks()
}

// Ask is notify.Voice's.
func (p *pairing) Ask(destination, journal string, e *alarms.Event, before, seq int64) pair.Verdict {
	told, dealt, other := p.notifier().Told(journal, seq)
	p.mu.Lock()
	defer p.mu.Unlock()
	role := p.state.Role
	if destination == p.main {
		return p.ledger.Ask(role, p.st.clock(), e, before, seq)
	}
	return p.ledger.Elsewhere(role, e, seq, told || other && role.Speaks(), dealt)
}

// Due is notify.Voice's.
func (p *pairing) Due(destination string, most int) []pair.Forward {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.relay.Due(destination, most)
}

// Delivered is notify.Voice's.
func (p *pairing) Delivered(destination string, ids []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.relay.Delivered(destination, ids)
}

// Again is notify.Voice's.
func (p *pairing) Again(seq int64) (term uint64, again bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state.Term, p.ledger.Again(seq)
}

// Turned is notify.Voice's.
func (p *pairing) Turned(destination string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	_, any := p.rewind[destination]
	return any
}

// Rewind is notify.Voice's.
func (p *pairing) Rewind(destination string) (int64, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	from, any := p.rewind[destination]
	delete(p.rewind, destination)
	return from, any
}
