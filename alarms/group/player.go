package group

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
)

// TickEvery is how often the member of a partition offers it a tick, and judgedAfter how
// long a rig must have been silent for the tick to be its own. Chosen here: silence is
// found within half a second, at a cost that does not grow with the number of rigs.
const (
	TickEvery   = 500 * time.Millisecond
	judgedAfter = 400 * time.Millisecond
)

// outage is a gap in the log's time beyond which it may be that a server's clock was set
// forward: with a tick each 500 ms none is so long while the servers work. Chosen here.
const outage = 5 * time.Second

// Settings are what members of a group must have alike.
type Settings struct {
	Software string                    // the program's name for itself, with version and build
	Sessions map[string]ingest.Session // by rig: what this member has for it
	Open     watch.Open
	Decoder  func() (watch.Decoder, error) // of readings
}

// Player plays the log of one partition to its rigs. It is not safe for concurrent use.
type Player struct {
	settings *Settings
	carrier  *watch.Carrier
	counters *ingest.Counters
	decoder  watch.Decoder
	rigs     map[string]*played
	order    []string // names of rigs, sorted
}

// played is a rig with what its player must remember of it.
type played struct {
	rig     *watch.Rig
	session ingest.Session // in force
	seq     uint64         // newest record that it holds
	taken   uint64         // records since this player has it
	last    time.Time      // when it was last judged, in the rig's time
	offset  time.Duration  // of the rig's time after the log's: a server's clock that was behind another's
}

// header stands before a rig's snapshot: what Player needs beside it.
type header struct {
	Seq     uint64         `json:"seq"`
	Now     time.Time      `json:"now"`
	Last    time.Time      `json:"last"`
	Offset  time.Duration  `json:"offset"`
	Session ingest.Session `json:"session"`
	State   string         `json:"state"` // alarm state, which another version of the program can read too
}

// Request is the payload of an act in the log.
type Request struct {
	ID  string     `json:"id"`
	Act ingest.Act `json:"act"`
}

// SourceName is what rejects of readings out of the log are counted under.
const SourceName = "log"

// NewPlayer returns a player without rigs: snapshots and the log bring them. Rejects go to
// counters, nil = nowhere.
func NewPlayer(s *Settings, counters *ingest.Counters) (*Player, error) {
	c, err := watch.NewCarrier(s.Software)
	if err != nil {
		return nil, err
	}
	d, err := s.Decoder()
	if err != nil {
		return nil, err
	}
	if counters == nil {
		counters = &ingest.Counters{}
	}
	return &Player{settings: s, carrier: c, counters: counters, decoder: d, rigs: map[string]*played{}}, nil
}

// Rig returns the rig of that name, nil if nothing has brought it.
func (p *Player) Rig(name string) *watch.Rig {
	if one := p.rigs[name]; one != nil {
		return one.rig
	}
	return nil
}

// Names returns the rigs that are played, sorted.
func (p *Player) Names() []string { return p.order }

// Seq returns the newest record that the rig holds.
func (p *Player) Seq(name string) uint64 { return p.rigs[name].seq }

// Taken returns how many records the rig has taken from this player.
func (p *Player) Taken(name string) uint64 { return p.rigs[name].taken }

// Restore takes up a rig from what Snapshot made of it. A snapshot of another version of
// the program gives the alarm state that stands beside it, told by the error, which is
// then ErrOtherProgram; with any other error there is no such rig.
func (p *Player) Restore(name string, value []byte) error {
	var h header
	n, size := binary.Uvarint(value)
	if size <= 0 || n > uint64(len(value)-size) || json.Unmarshal(value[size:size+int(n)], &h) != nil {
		return fmt.Errorf("snapshot of rig %s: %w", name, watch.ErrNoSnapshot)
	}
	one := &played{session: h.Session, seq: h.Seq, last: h.Last, offset: h.Offset}
	rig, seq, err := p.carrier.Restore(name, p.settings.Open, []byte(h.Session.RigFile), value[size+int(n):])
	switch {
	case err == nil && seq != h.Seq:
		return fmt.Errorf("snapshot of rig %s: %w", name, watch.ErrDamaged)
	case errors.Is(err, watch.ErrOtherProgram):
		rig = watch.NewRig(name, p.settings.Open)
		s := h.Session
		s.Alarms, s.StateLost, s.Continues = h.State, "", false
		if _, e := rig.Apply(&ingest.Entry{Seq: h.Seq, Received: h.Now, Rig: name, Kind: ingest.EntrySession, Session: &s}); e != nil {
			return errors.Join(err, e)
		}
	case err != nil:
		return err
	}
	one.rig = rig
	p.add(name, one)
	return err
}

func (p *Player) add(name string, one *played) {
	if p.rigs[name] == nil {
		p.order = append(p.order, name)
		slices.Sort(p.order)
	}
	p.rigs[name] = one
}

// Snapshot returns all that the rig goes by after the newest record.
func (p *Player) Snapshot(name string) ([]byte, error) {
	one := p.rigs[name]
	state, err := one.rig.State()
	if err != nil {
		return nil, err
	}
	text, err := json.Marshal(header{one.seq, one.rig.Now(), one.last, one.offset, one.session, string(state)})
	if err != nil {
		return nil, fmt.Errorf("snapshot of rig %s: %w", name, err)
	}
	return p.carrier.Snapshot(append(binary.AppendUvarint(nil, uint64(len(text))), text...), one.rig, one.seq)
}

// Wanted returns the session that is to be offered to the log for a rig: none where the
// one in force is the settings' own.
func (p *Player) Wanted(name string) (ingest.Session, bool) {
	own, ok := p.settings.Sessions[name]
	if !ok {
		return own, false
	}
	one := p.rigs[name]
	return own, one == nil || !sameSession(one.session, own)
}

// sameSession compares what is in force, not the state that was carried in with it.
func sameSession(a, b ingest.Session) bool { return Digest(a) == Digest(b) }

// Digest is of all of a session but the state that was carried in with it.
func Digest(s ingest.Session) [sha256.Size]byte {
	s.Alarms, s.StateLost, s.Continues = "", "", false
	text, _ := json.Marshal(s) // strings, booleans and finite numbers
	return sha256.Sum256(text)
}

// Take plays one record. told hears of each entry that a rig took; what it is given is
// valid during the call alone. The journal lines that the record led to are appended to
// lines.
func (p *Player) Take(r jetstream.Record, lines []byte, told func(w *watch.Rig, o *watch.Outcome)) []byte {
	if r.Rig == "" {
		for _, name := range p.order {
			if e, one := p.ofAll(name, &r); e != nil {
				lines = p.apply(one, e, lines, told)
			}
		}
		return lines
	}
	if _, ok := p.settings.Sessions[r.Rig]; !ok {
		p.counters.Add(SourceName, ingest.RejectUnknownRig, r.Rig)
		return lines
	}
	one := p.rigs[r.Rig]
	if r.Kind == jetstream.Opening {
		return p.open(r, one, lines, told)
	}
	if one == nil || r.Seq <= one.seq {
		return lines
	}
	one.seq = r.Seq
	one.taken++
	at := one.time(r.Received)
	switch r.Kind {
	case jetstream.Readings:
		lines = p.readings(one, r, at, lines, told)
	case jetstream.Act:
		var q Request
		if err := json.Unmarshal(r.Payload, &q); err != nil {
			p.counters.Add(SourceName, ingest.RejectBrokenJSON, string(r.Payload))
			break
		}
		lines = p.apply(one, &ingest.Entry{Received: at, Kind: ingest.EntryAct, Act: &q.Act}, lines, told)
	}
	return lines
}

// ofAll is the entry that a record of the whole partition is to one rig; nil = none.
func (p *Player) ofAll(name string, r *jetstream.Record) (*ingest.Entry, *played) {
	one := p.rigs[name]
	if r.Seq <= one.seq {
		return nil, one
	}
	one.seq = r.Seq
	one.taken++
	e := &ingest.Entry{Received: one.time(r.Received), Kind: ingest.EntryTick}
	if r.Kind == jetstream.Link {
		e.Kind, e.Link = ingest.EntryLink, &ingest.Link{}
		if json.Unmarshal(r.Payload, e.Link) != nil {
			return nil, one
		}
		return e, one
	}
	if e.Received.Sub(one.last) < judgedAfter {
		return nil, one
	}
	return e, one
}

// time is the rig's time at a record. It goes on where the log's falls, because another
// server, whose clock is behind, leads it now; a later step forward takes up the
// difference.
func (one *played) time(received time.Time) time.Time {
	now, at := one.rig.Now(), received.Add(one.offset)
	switch gap := at.Sub(now); {
	case gap < 0:
		one.offset -= gap
	case gap > outage && one.offset > 0:
		one.offset -= min(one.offset, gap)
	}
	return received.Add(one.offset)
}

func (p *Player) readings(one *played, r jetstream.Record, at time.Time, lines []byte, told func(*watch.Rig, *watch.Outcome)) []byte {
	m := ingest.Message{Rig: r.Rig, Payload: r.Payload, Received: at}
	p.decoder.Decode(&m, ingest.SinkFuncs{
		OnSample: func(_ string, s *ingest.Sample) {
			lines = p.apply(one, &ingest.Entry{Received: at, Kind: ingest.EntrySample, Sample: *s}, lines, told)
		},
		OnReject: func(_ string, x ingest.Reject, detail string) { p.counters.Add(SourceName, x, detail) },
	})
	return lines
}

// open takes a session out of the log. One that says what is in force changes nothing;
// another goes on from the alarm state of the rig as it is.
func (p *Player) open(r jetstream.Record, one *played, lines []byte, told func(*watch.Rig, *watch.Outcome)) []byte {
	var s ingest.Session
	if err := json.Unmarshal(r.Payload, &s); err != nil {
		p.counters.Add(SourceName, ingest.RejectBrokenJSON, r.Rig)
		return lines
	}
	now := r.Received
	if one == nil && s.Continues {
		s.Alarms, s.StateLost = "", "the log no longer reaches back to where the rig began"
	}
	s.Continues = false
	if one != nil {
		if r.Seq <= one.seq {
			return lines
		}
		one.seq = r.Seq
		if sameSession(one.session, s) {
			return lines
		}
		now = one.time(r.Received)
		state, err := one.rig.State()
		if err != nil {
			p.counters.Add(SourceName, ingest.RejectDecoderFault, err.Error())
			return lines
		}
		s.Alarms = string(state)
	}
	next := &played{rig: watch.NewRig(r.Rig, p.settings.Open), session: s, seq: r.Seq, taken: 1}
	if one != nil {
		next.offset = one.offset
	}
	before := len(lines)
	lines = p.apply(next, &ingest.Entry{Received: now, Kind: ingest.EntrySession, Session: &s}, lines, told)
	if next.rig.Result() == nil { // it could not be used at all
		return lines[:before]
	}
	next.session.Alarms = ""
	p.add(r.Rig, next)
	return lines
}

func (p *Player) apply(one *played, e *ingest.Entry, lines []byte, told func(*watch.Rig, *watch.Outcome)) []byte {
	e.Rig, e.Seq = one.rig.Name(), one.seq
	out, err := one.rig.Apply(e)
	if err != nil {
		p.counters.Add(SourceName, ingest.RejectDecoderFault, err.Error())
		return lines
	}
	if out.Reject != ingest.Used {
		p.counters.Add(one.rig.Name(), out.Reject, e.Sample.Time.Format(time.RFC3339Nano))
	}
	for i := range out.Events {
		lines = append(alarms.AppendJSON(lines, &out.Events[i]), '\n')
	}
	if e.Kind != ingest.EntrySample || out.Estimate != nil { // what makes no frame does not let time pass
		one.last = one.rig.Now()
	}
	if told != nil {
		told(one.rig, &out)
	}
	return lines
}

// LinesOf returns the lines of one rig out of a partition's.
func LinesOf(rig string, lines []byte) []byte {
	var out []byte
	for line := range bytes.Lines(lines) {
		var e struct {
			Rig string `json:"rig"`
		}
		if json.Unmarshal(line, &e) == nil && e.Rig == rig {
			out = append(out, line...)
		}
	}
	return out
}

// Forget drops a rig.
func (p *Player) Forget(name string) {
	delete(p.rigs, name)
	p.order = slices.DeleteFunc(p.order, func(n string) bool { return n == name })
}
