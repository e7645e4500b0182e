package trial

import (
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/simulator"
)

// Monitor is what is judged. [watch.Rig] is one.
type Monitor interface {
	Apply(*ingest.Entry) (watch.Outcome, error)
}

// tickEvery is the time between the ticks of the live loop that are played too.
const tickEvery = 500 * time.Millisecond

// feed turns a run into the entries that the live loop would make of it.
type feed struct {
	c    *Case
	run  *simulator.Run
	seq  uint64
	tick time.Time
}

func newFeed(c *Case) (*feed, error) {
	run, err := simulator.New(c.base, &c.scenario, c.seed)
	if err != nil {
		return nil, err
	}
	return &feed{c: c, run: run}, nil
}

// next moves the run on by one sample and hands over the entries it makes, oldest
// first; false when the run is over or give says so.
func (f *feed) next(truth *simulator.Truth, give func(*ingest.Entry) bool) bool {
	var s ingest.Sample
	if !f.run.Next(&s, truth) {
		return false
	}
	if f.seq == 0 {
		f.tick = s.Time.Add(tickEvery)
		if !f.give(ingest.Entry{Received: s.Time, Kind: ingest.EntrySession, Session: f.session()}, give) {
			return false
		}
	}
	for ; f.tick.Before(s.Time); f.tick = f.tick.Add(tickEvery) {
		if !f.give(ingest.Entry{Received: f.tick, Kind: ingest.EntryTick}, give) {
			return false
		}
	}
	return f.give(ingest.Entry{Received: s.Time, Kind: ingest.EntrySample, Sample: s}, give)
}

func (f *feed) give(e ingest.Entry, give func(*ingest.Entry) bool) bool {
	f.seq++
	e.Seq, e.Rig = f.seq, f.c.Rig
	return give(&e)
}

func (f *feed) session() *ingest.Session {
	s := &ingest.Session{Software: "trial", RigFile: string(f.c.text)}
	for _, c := range f.c.scenario.Channels {
		s.Channels = append(s.Channels, c.String())
	}
	return s
}

// moment is one sample: what is so, and what the monitor made of it.
type moment struct {
	at     float64 // s since the start
	truth  *simulator.Truth
	est    *detect.Estimate // the newest; nil before the first
	fresh  bool             // est is of this sample
	events []alarms.Event   // since the sample before
	sample *ingest.Sample   // what the instruments say
	run    *simulator.Run
}

// judge scores one aspect of one case. Judges do not change what they see.
type judge interface {
	see(m *moment)
	end(t *tally, fail func(row, what string, at float64))
}

// decider is a judge for which what comes after some moment is of no account.
type decider interface {
	decided(at float64) bool
}

// play plays a case under its judges, to its end, or until nothing that may come
// changes what any of them found.
func play(c *Case, monitor Monitor, judges []judge) error {
	f, err := newFeed(c)
	if err != nil {
		return err
	}
	var truth simulator.Truth
	var est detect.Estimate
	var sample ingest.Sample
	m := moment{truth: &truth, sample: &sample, run: f.run}
	var failed error
	for {
		m.events, m.fresh = m.events[:0], false
		more := f.next(&truth, func(e *ingest.Entry) bool {
			out, err := monitor.Apply(e)
			if err != nil {
				failed = err
				return false
			}
			if m.events = append(m.events, out.Events...); e.Kind == ingest.EntrySample {
				sample = e.Sample
			}
			if out.Estimate != nil {
				est = *out.Estimate
				m.est, m.fresh = &est, true
			}
			return true
		})
		if !more {
			return failed
		}
		m.at = truth.Time
		for _, j := range judges {
			j.see(&m)
		}
		if c.contact() && (truth.Event == simulator.CrownContact || truth.Event == simulator.FloorContact) {
			return nil
		}
		if allDecided(judges, m.at) {
			return nil
		}
	}
}

func allDecided(judges []judge, at float64) bool {
	for _, j := range judges {
		if d, ok := j.(decider); !ok || !d.decided(at) {
			return false
		}
	}
	return true
}

// standing follows which alarms stand, by name and channel.
type standing map[[2]string]float64 // since, s

func (s standing) take(events []alarms.Event, at float64) {
	for i := range events {
		k := [2]string{events[i].Alarm, events[i].Channel}
		switch events[i].Event {
		case alarms.EventRaised:
			s[k] = at
		case alarms.EventCleared:
			delete(s, k)
		}
	}
}
