package trial

import (
	"fmt"
	"math"
	"sort"

	"hoistward/detect/hoist"
	"hoistward/simulator"
)

const (
	actTime = 1.5 // s, the watcher's rule: PHYSICS section 22
	warning = 1.0 // s, that an alarm must come before the last moment to act
	// looksBack bounds how many samples before a contact are kept, s.
	looksBack = 30.0
)

// Alarms that tell of the crown and of the floor.
var (
	crownAlarms = []string{"overhoist", "crown_limit_passed", "cannot_stop"}
	floorAlarms = []string{"floor_approach", "lowering_too_fast", "cannot_stop"}
)

// contacts judges a run into crown or floor. Three instants, all by the plant's own
// truth, are set against each other:
//
//	last     the last sample at which a trip would still have kept the block off
//	watcher  the first at which the true rest point, growing as it does from sample
//	         to sample, meets the crown or floor limit within 1.5 s
//	alarm    since when a stop-margin alarm of that side stands
//
// The contact was avoidable where watcher comes at least a second before last, and
// was alarmed in time where alarm does.
type contacts struct {
	rig     *hoist.Rig
	stands  standing
	kept    []instant
	contact simulator.Event
	at      float64
	alarmed float64 // s; +Inf = no alarm stands
}

// instant is one sample before a contact.
type instant struct {
	at    float64
	plant tripper
}

func newContacts(rig *hoist.Rig) *contacts {
	return &contacts{rig: rig, stands: standing{}, alarmed: math.Inf(1)}
}

func (c *contacts) see(m *moment) {
	if e := m.truth.Event; e == simulator.CrownContact || e == simulator.FloorContact {
		c.contact, c.at = e, m.at
		c.alarmed = c.since(e) // what stood when it struck; that it then stands still is no news
		return
	}
	c.stands.take(m.events, m.at)
	for len(c.kept) > 0 && c.kept[0].at < m.at-looksBack {
		c.kept = c.kept[1:]
	}
	if math.Abs(m.truth.Velocity) < 0.02 {
		c.kept = c.kept[:0]
	}
	c.kept = append(c.kept, instant{m.at, m.run.Moment()})
}

// since is when the oldest alarm of that side that still stands was raised.
func (c *contacts) since(e simulator.Event) float64 {
	names, first := crownAlarms, math.Inf(1)
	if e == simulator.FloorContact {
		names = floorAlarms
	}
	for _, n := range names {
		if at, ok := c.stands[[2]string{n, ""}]; ok {
			first = math.Min(first, at)
		}
	}
	return first
}

func (c *contacts) end(t *tally, fail func(row, what string, at float64)) {
	if c.contact == simulator.NoEvent || len(c.kept) == 0 {
		return
	}
	t.contacts++
	last, ok := c.last()
	if !ok || !(c.watcher(last) <= c.kept[last].at-warning) {
		return // no watcher could have had that second
	}
	t.avoidable++
	lead := c.kept[last].at - c.alarmed
	if lead >= warning {
		t.inTime++
		return
	}
	what := fmt.Sprintf("%v at %.1f s, last moment to act %.1f s, alarm %.2f s before that", c.contact, c.at, c.kept[last].at, lead)
	if math.IsInf(c.alarmed, 1) {
		t.silent++
		what = fmt.Sprintf("%v at %.1f s, last moment to act %.1f s, no alarm", c.contact, c.at, c.kept[last].at)
	}
	fail("contact", what, c.at)
}

// last finds the last sample at which a trip keeps the block off, by halving: once
// too late, it stays too late.
func (c *contacts) last() (int, bool) {
	late := sort.Search(len(c.kept), func(i int) bool { return c.kept[i].plant.Trip(false).Contact != simulator.NoEvent })
	return late - 1, late > 0
}

// watcher returns when the watcher's rule first holds, up to sample last.
func (c *contacts) watcher(last int) float64 {
	first := last
	for ; first > 0 && c.watcherActs(first); first-- {
		if c.kept[last].at-c.kept[first].at > actTime+1 {
			break // early enough for any judgement
		}
	}
	if !c.watcherActs(first) {
		first++
	}
	if first > last {
		return math.Inf(1)
	}
	return c.kept[first].at
}

// watcherActs tells whether at sample i the true rest point meets the limit within
// the watcher's time, going on as from the sample before.
func (c *contacts) watcherActs(i int) bool {
	before := max(i-1, 0)
	r, r0 := c.rest(i), c.rest(before)
	limit := float64(c.rig.Mast.CrownLimit)
	room, growth := limit-r, r-r0
	if c.contact == simulator.FloorContact {
		room, growth = r-float64(c.rig.Mast.FloorLimit), r0-r
	}
	if room <= 0 {
		return true
	}
	dt := c.kept[i].at - c.kept[before].at
	return dt > 0 && growth > 0 && room <= growth/dt*actTime
}

func (c *contacts) rest(i int) float64 {
	r := c.kept[i].plant.Trip(false)
	if c.contact == simulator.FloorContact {
		return r.Lowest
	}
	return r.Highest
}
