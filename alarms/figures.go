package alarms

import (
	"cmp"
	"iter"
	"slices"
	"time"
)

// The figures' bounds. Source: ISA-18.2 and EEMUA 191 as cited by secondary sources
// (flood above 10 in 10 min, chattering 3 in 1 min, stale above 24 h, split 80/15/5);
// the end of a flood, below 5 in 10 min, is from memory, not confirmed.
const (
	FloodWindow   = 10 * time.Minute
	FloodStarts   = 10 // above
	FloodEnds     = 5  // below
	ChatterWindow = time.Minute
	ChatterCount  = 3 // or more
	StaleAfter    = 24 * time.Hour
	mostFrequent  = 10
)

// TargetSplit is the recommended share of low, medium and high with emergency.
var TargetSplit = [3]float64{0.80, 0.15, 0.05}

// Figures are what a journal says of the alarms themselves. "Raised" counts new
// occurrences that a person was shown: not those under a shelf or a suppression. A
// window ends at an event and does not include its own beginning.
type Figures struct {
	From        time.Time       `json:"from"`
	To          time.Time       `json:"to"`
	Raised      int             `json:"raised"`
	PerHour     float64         `json:"per_hour"`     // mean
	PerTenMin   float64         `json:"per_10_min"`   // mean
	PeakHour    int             `json:"peak_hour"`    // most in any hour
	PeakTenMin  int             `json:"peak_10_min"`  // most in any 10 min
	Floods      []Flood         `json:"floods"`       // in order
	FloodShare  float64         `json:"flood_share"`  // of the time, 0 to 1
	Chattering  []Frequency     `json:"chattering"`   // N = most in any minute
	Stale       []Stale         `json:"stale"`        // oldest first
	Priorities  []PriorityCount `json:"priorities"`   // least urgent first
	Frequent    []Frequency     `json:"frequent"`     // ten at most, most frequent first
	Acknowledge Acknowledging   `json:"acknowledged"` // time from raised or worsened
}

// Flood is a time with more alarms than a person can follow. From is the alarm that
// began it; To is when the last ten minutes held too few, or zero while it lasts.
type Flood struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to,omitzero"`
	Raised int       `json:"raised"`
}

// Frequency is how often one alarm was raised.
type Frequency struct {
	Rig     string  `json:"rig"`
	Alarm   string  `json:"alarm"`
	Channel string  `json:"channel,omitempty"`
	N       int     `json:"n"`
	Share   float64 `json:"share"` // of all raised, 0 to 1
}

// Stale is an alarm whose condition stood for more than StaleAfter. To is zero while
// it stands.
type Stale struct {
	Rig     string    `json:"rig"`
	Alarm   string    `json:"alarm"`
	Channel string    `json:"channel,omitempty"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to,omitzero"`
}

// PriorityCount is one priority's part of what was raised.
type PriorityCount struct {
	Priority Priority `json:"priority"`
	N        int      `json:"n"`
	Share    float64  `json:"share"` // 0 to 1
}

// Acknowledging is how long alarms waited for a person. Seconds; with N 0 they mean
// nothing.
type Acknowledging struct {
	N       int     `json:"n"`
	Median  float64 `json:"median_s"`
	Ninety  float64 `json:"p90_s"` // nine in ten were faster or equal
	Longest float64 `json:"longest_s"`
	Waiting int     `json:"waiting"` // not acknowledged at the end
}

// place is one alarm on one rig.
type place struct{ rig, alarm, channel string }

func (p place) compare(q place) int {
	return cmp.Or(cmp.Compare(p.rig, q.rig), cmp.Compare(p.alarm, q.alarm), cmp.Compare(p.channel, q.channel))
}

// Measure works out the figures of the time from (included) to to (not included).
// Events may begin earlier, so that what stood or waited at from is known; they are
// taken in order of time. For one operator position give it that position's events.
func Measure(events iter.Seq[Event], from, to time.Time) Figures {
	all := slices.SortedStableFunc(events, func(a, b Event) int { return a.Time.Compare(b.Time) })
	end, _ := slices.BinarySearchFunc(all, to, func(e Event, t time.Time) int { return e.Time.Compare(t) })
	all = all[:end]
	f := Figures{From: from, To: to}
	var before, within []time.Time
	raised := map[place][]time.Time{}
	priorities := [numPriorities]int{}
	for _, e := range all {
		switch {
		case e.Event != EventRaised || e.State != Unacknowledged:
		case e.Time.Before(from):
			before = append(before, e.Time)
		default:
			within = append(within, e.Time)
			priorities[min(e.Priority, Emergency)]++
			p := place{e.Rig, e.Alarm, e.Channel}
			raised[p] = append(raised[p], e.Time)
		}
	}
	f.Raised = len(within)
	f.PeakHour, f.PeakTenMin = peak(within, time.Hour), peak(within, FloodWindow)
	if d := to.Sub(from); d > 0 {
		f.PerHour = float64(f.Raised) / d.Hours()
		f.PerTenMin = f.PerHour / 6
		f.Floods = floods(append(before, within...), from, to)
		f.FloodShare = float64(inFlood(f.Floods, from, to)) / float64(d)
	}
	f.count(raised, priorities)
	f.Stale = stale(all, from, to)
	f.Acknowledge = acknowledging(all, from)
	return f
}

// peak returns the most times in any window.
func peak(times []time.Time, window time.Duration) int {
	most, first := 0, 0
	for i, t := range times {
		for t.Sub(times[first]) >= window {
			first++
		}
		most = max(most, i-first+1)
	}
	return most
}

// floods returns the floods that reach past from.
func floods(times []time.Time, from, to time.Time) []Flood {
	var all []Flood
	first, on := 0, false
	for i, t := range times {
		for t.Sub(times[first]) >= FloodWindow {
			first++
		}
		if !on && i-first+1 > FloodStarts {
			on = true
			all = append(all, Flood{From: t})
		}
		if !on {
			continue
		}
		f := &all[len(all)-1]
		f.Raised++
		// Without a further alarm the window holds too few once this one has left it.
		ends := times[max(i-FloodEnds+1, 0)].Add(FloodWindow)
		if i+1 < len(times) && !ends.Before(times[i+1]) || !ends.Before(to) {
			continue
		}
		f.To, on = ends, false
	}
	return slices.DeleteFunc(all, func(f Flood) bool { return !f.To.IsZero() && !f.To.After(from) })
}

func inFlood(floods []Flood, from, to time.Time) time.Duration {
	var sum time.Duration
	for _, f := range floods {
		start, end := f.From, f.To
		if start.Before(from) {
			start = from
		}
		if end.IsZero() {
			end = to
		}
		sum += end.Sub(start)
	}
	return sum
}

// count fills what is counted for each alarm and for each priority.
func (f *Figures) count(raised map[place][]time.Time, priorities [numPriorities]int) {
	share := func(n int) float64 { return float64(n) / float64(max(f.Raised, 1)) }
	for p, times := range raised {
		q := Frequency{p.rig, p.alarm, p.channel, len(times), share(len(times))}
		f.Frequent = append(f.Frequent, q)
		if q.N = peak(times, ChatterWindow); q.N >= ChatterCount {
			f.Chattering = append(f.Chattering, q)
		}
	}
	order := func(a, b Frequency) int {
		return cmp.Or(cmp.Compare(b.N, a.N), place{a.Rig, a.Alarm, a.Channel}.compare(place{b.Rig, b.Alarm, b.Channel}))
	}
	slices.SortFunc(f.Frequent, order)
	slices.SortFunc(f.Chattering, order)
	f.Frequent = f.Frequent[:min(len(f.Frequent), mostFrequent)]
	for p := Low; p <= Emergency; p++ {
		f.Priorities = append(f.Priorities, PriorityCount{p, priorities[p], share(priorities[p])})
	}
}
