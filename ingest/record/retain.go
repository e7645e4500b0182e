package record

import (
	"cmp"
	"slices"
	"time"
)

// Rules say how long recordings are kept.
type Rules struct {
	Keep       time.Duration // whole; 0 = for good: then nothing is ever deleted
	KeepAlarms time.Duration // what is around alarms; 0 = for good
	Before     time.Duration // an alarm, that is kept with it
	After      time.Duration
}

// Stretch is a time from From up to To.
type Stretch struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Hold is a time whose recordings are not to be deleted, whatever their age.
type Hold struct {
	Rig    string    `json:"rig,omitempty"` // empty = of all rigs
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Reason string    `json:"reason"`
	Placed time.Time `json:"placed"`
}

// Day is one recording: a rig's UTC day.
type Day struct {
	Path    string
	Rig     string
	Start   time.Time   // midnight, UTC
	Size    uint64      // bytes
	Alarms  []time.Time // when alarms came
	Thinned bool
	Kept    []Stretch // of a thinned one
	Unsent  bool      // something of it is still to be forwarded
}

func (d *Day) span() Stretch { return Stretch{d.Start, d.Start.Add(24 * time.Hour)} }

// Deed is what is to be done to one recording: everything but Spare is deleted, the
// whole file where there is none.
type Deed struct {
	Day
	Spare []Stretch
	Why   string
}

// What Plan holds to, whatever the rules.
const (
	// leastWhole is how long a day stays whole when the disk runs full, so that what
	// may still be asked about is there.
	leastWhole = 7 * 24 * time.Hour
	// seenDays of the last seven must have been recorded before anything is deleted: a
	// clock that has jumped years ahead makes everything look old.
	seenDays = 3
)

// Plan says what to delete at now of the recordings days. It never touches today's
// and yesterday's nor what is held. Short is by how many bytes the free space is
// below what is wanted: then whole days are thinned before their time, the oldest
// first, none of the last week; what is around alarms stays even so. An alarm's
// surroundings count from its coming, not to its end. A day of which something is still
// to be forwarded is touched only where all else does not free enough.
func Plan(days []Day, holds []Hold, r Rules, now time.Time, short uint64) []Deed {
	today := now.UTC().Truncate(24 * time.Hour)
	if r.Keep <= 0 || recentDays(days, today) < seenDays {
		return nil
	}
	days = slices.Clone(days)
	slices.SortFunc(days, func(a, b Day) int {
		return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.Rig, b.Rig), cmp.Compare(a.Path, b.Path))
	})
	var deeds []Deed
	var freed uint64
	for pass, why := range []string{"older than what is kept", "the disk is running full",
		"the disk is running full, though the historian does not have all of it"} {
		for _, d := range days {
			age := now.Sub(d.span().To)
			over := age > r.Keep
			due := over
			switch pass { // what a pass took is not taken again
			case 1:
				due = !over && age > leastWhole && short > freed && !d.Thinned
			case 2:
				due = age > leastWhole && short > freed && (over || !d.Thinned)
			}
			if !due || d.Unsent != (pass == 2) || !d.Start.Before(today.Add(-24*time.Hour)) {
				continue
			}
			spare := spared(&d, days, holds, r, now)
			if whole(spare, d.span()) || d.Thinned && slices.EqualFunc(spare, d.Kept, Stretch.equal) {
				continue
			}
			deeds = append(deeds, Deed{d, spare, why})
			freed += d.Size
		}
	}
	return deeds
}

func recentDays(days []Day, today time.Time) int {
	seen := map[time.Time]bool{}
	for _, d := range days {
		if d.Start.Before(today) && !d.Start.Before(today.Add(-7*24*time.Hour)) {
			seen[d.Start] = true
		}
	}
	return len(seen)
}

// spared returns the times of d that are kept, in order, none touching another. An
// alarm soon after midnight spares the end of the day before.
func spared(d *Day, days []Day, holds []Hold, r Rules, now time.Time) []Stretch {
	var all []Stretch
	for _, h := range holds {
		if h.Rig == "" || h.Rig == d.Rig {
			all = append(all, Stretch{h.From, h.To})
		}
	}
	for _, o := range days {
		if o.Rig != d.Rig || o.Start.Sub(d.Start).Abs() > 24*time.Hour {
			continue
		}
		for _, at := range o.Alarms {
			if r.KeepAlarms == 0 || now.Sub(at) <= r.KeepAlarms {
				all = append(all, Stretch{at.Add(-r.Before), at.Add(r.After)})
			}
		}
	}
	return union(all, d.span())
}

// union returns what of spans is within limit, in order, without overlap.
func union(spans []Stretch, limit Stretch) []Stretch {
	var out []Stretch
	slices.SortFunc(spans, func(a, b Stretch) int { return a.From.Compare(b.From) })
	for _, s := range spans {
		if s.From.Before(limit.From) {
			s.From = limit.From
		}
		if s.To.After(limit.To) {
			s.To = limit.To
		}
		if !s.From.Before(s.To) {
			continue
		}
		if n := len(out); n > 0 && !s.From.After(out[n-1].To) {
			if s.To.After(out[n-1].To) {
				out[n-1].To = s.To
			}
			continue
		}
		out = append(out, s)
	}
	return out
}

func (s Stretch) equal(o Stretch) bool { return s.From.Equal(o.From) && s.To.Equal(o.To) }

func whole(spans []Stretch, of Stretch) bool { return len(spans) == 1 && spans[0].equal(of) }

// rest returns what of limit is outside spans, as union gives them.
func rest(spans []Stretch, limit Stretch) []Stretch {
	var out []Stretch
	from := limit.From
	for _, s := range spans {
		if from.Before(s.From) {
			out = append(out, Stretch{from, s.From})
		}
		from = s.To
	}
	if from.Before(limit.To) {
		out = append(out, Stretch{from, limit.To})
	}
	return out
}
