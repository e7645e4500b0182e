package fieldcsv

import (
	"iter"
	"time"

	"hoistward/ingest"
)

// Times of the ticks that Entries makes.
const (
	TickEvery = 500 * time.Millisecond // between ticks
	TickMost  = time.Hour              // of ticks in one gap; after that time jumps
)

// EntryOptions say what a field file cannot.
type EntryOptions struct {
	Rig      string
	FirstSeq uint64 // of the session entry, 1 when 0
	Session  ingest.Session
}

// Entries makes a recording of samples: a session entry, then each sample as if it
// had been received at its event time, and a tick every half second of that time.
// Received never falls: a sample whose time goes backward, or comes again, is kept
// and bears the receipt time reached before it. So is a single stamp more than an
// hour ahead of its neighbours, which would otherwise take all receipt times after
// it along. In a gap longer than an hour there is an hour of ticks and no more. An
// error of samples is handed on.
func Entries(samples iter.Seq2[ingest.Sample, error], o EntryOptions) iter.Seq2[ingest.Entry, error] {
	return func(yield func(ingest.Entry, error) bool) {
		m := maker{o: o, seq: max(o.FirstSeq, 1), yield: yield}
		var held *ingest.Sample // waits for the one after it
		for s, err := range samples {
			if err != nil {
				if !yield(ingest.Entry{}, err) {
					return
				}
				continue
			}
			if held != nil && !m.sample(*held, s.Time) {
				return
			}
			held = &s
		}
		if held != nil {
			m.sample(*held, held.Time)
		}
	}
}

type maker struct {
	o     EntryOptions
	seq   uint64
	now   time.Time // Received reached
	tick  time.Time // of the next tick
	begun bool
	yield func(ingest.Entry, error) bool
}

func (m *maker) give(e ingest.Entry) bool {
	e.Seq, e.Received, e.Rig = m.seq, m.now, m.o.Rig
	m.seq++
	return m.yield(e, nil)
}

// sample makes the entries of s, which is followed by one of time next.
func (m *maker) sample(s ingest.Sample, next time.Time) bool {
	at := s.Time
	if at.Sub(next) > TickMost && (!m.begun || at.Sub(m.now) > TickMost) {
		at = next // the stamp is ahead of both neighbours
	}
	if !m.begun {
		m.begun = true
		m.now, m.tick = at, at.Add(TickEvery)
		session := m.o.Session
		if !m.give(ingest.Entry{Kind: ingest.EntrySession, Session: &session}) {
			return false
		}
	}
	if at.After(m.now) {
		if !m.ticks(at) {
			return false
		}
		m.now = at
	}
	return m.give(ingest.Entry{Kind: ingest.EntrySample, Sample: s})
}

// ticks makes those due before to.
func (m *maker) ticks(to time.Time) bool {
	for end := m.now.Add(TickMost); m.tick.Before(to); m.tick = m.tick.Add(TickEvery) {
		if m.tick.After(end) {
			m.tick = to.Add(TickEvery)
			return true
		}
		m.now = m.tick
		if !m.give(ingest.Entry{Kind: ingest.EntryTick}) {
			return false
		}
	}
	return true
}
