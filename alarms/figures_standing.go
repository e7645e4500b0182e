package alarms

import (
	"math"
	"slices"
	"time"
)

// stale returns the conditions that stood for more than StaleAfter and were there
// after from.
func stale(events []Event, from, to time.Time) []Stale {
	since := map[place]time.Time{}
	var all []Stale
	add := func(p place, start, end time.Time, over bool) {
		if end.Sub(start) <= StaleAfter || !end.After(from) {
			return
		}
		s := Stale{Rig: p.rig, Alarm: p.alarm, Channel: p.channel, From: start}
		if over {
			s.To = end
		}
		all = append(all, s)
	}
	for _, e := range events {
		p := place{e.Rig, e.Alarm, e.Channel}
		switch start, stands := since[p]; {
		case e.Event == EventRaised && !stands:
			since[p] = e.Time
		case e.Event == EventCleared && stands:
			delete(since, p)
			add(p, start, e.Time, true)
		}
	}
	for p, start := range since {
		add(p, start, to, false)
	}
	slices.SortFunc(all, func(a, b Stale) int {
		if c := a.From.Compare(b.From); c != 0 {
			return c
		}
		return place{a.Rig, a.Alarm, a.Channel}.compare(place{b.Rig, b.Alarm, b.Channel})
	})
	return all
}

// acknowledging measures from what called a person to what that person did. An alarm
// that was reset, or raised again, before anyone acknowledged it is waiting until it
// is acknowledged; its time counts from the newest call.
func acknowledging(events []Event, from time.Time) Acknowledging {
	called := map[place]time.Time{}
	var waits []float64
	for _, e := range events {
		p := place{e.Rig, e.Alarm, e.Channel}
		switch e.Event {
		case EventRaised, EventWorsened:
			if e.State == Unacknowledged {
				called[p] = e.Time
			}
		case EventAcknowledged:
			start, waited := called[p]
			if waited && !e.Time.Before(from) {
				waits = append(waits, e.Time.Sub(start).Seconds())
			}
			delete(called, p)
		}
	}
	a := Acknowledging{N: len(waits), Waiting: len(called)}
	if a.N > 0 {
		slices.Sort(waits)
		a.Median, a.Ninety, a.Longest = rank(waits, 0.5), rank(waits, 0.9), waits[a.N-1]
	}
	return a
}

// rank returns the smallest of the sorted values that a share q of them does not
// exceed (the nearest-rank percentile).
func rank(sorted []float64, q float64) float64 {
	return sorted[max(int(math.Ceil(q*float64(len(sorted))))-1, 0)]
}

// Recent keeps the live rates of one operator position: what was raised in the last
// hour, and whether it is a flood. The zero value is ready. It holds at most
// maxRecent times, the newest; with more than that in an hour it counts too few
// there, and is deep in a flood.
type Recent struct {
	times []time.Time
	flood bool
}

const maxRecent = 4096

// Note takes an event of the position's journal.
func (r *Recent) Note(e *Event) {
	if e.Event != EventRaised || e.State != Unacknowledged {
		return
	}
	if len(r.times) >= maxRecent {
		r.times = slices.Delete(r.times, 0, maxRecent/4)
	}
	r.times = append(r.times, e.Time)
	r.At(e.Time)
}

// At returns how many were raised in the hour and in the ten minutes up to now, and
// whether a flood is on. Call it at least each minute while one is.
func (r *Recent) At(now time.Time) (hour, tenMin int, flood bool) {
	r.times = slices.DeleteFunc(r.times, func(t time.Time) bool { return now.Sub(t) >= time.Hour })
	for _, t := range r.times {
		if now.Sub(t) < FloodWindow {
			tenMin++
		}
	}
	switch {
	case tenMin > FloodStarts:
		r.flood = true
	case tenMin < FloodEnds:
		r.flood = false
	}
	return len(r.times), tenMin, r.flood
}
