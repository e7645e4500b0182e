package whatif

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"hoistward/detect"
)

// RigBound says how far the bounds of the rest points move on a rig: m, the height
// under the change less the height as recorded.
type RigBound struct {
	Rig  string `json:"rig"`
	Up   Spread `json:"rest_up_bound"`
	Down Spread `json:"rest_down_bound"`
}

// Spread is how a difference is distributed over the frames that have it.
type Spread struct {
	Frames  int       `json:"frames"`
	Median  float64   `json:"median_m"`
	Largest float64   `json:"largest_m"` // by size, with its sign
	At      time.Time `json:"largest_at"`
}

// Differences are counted in steps of a millimetre up to 30 m, so that the median
// of a recording of any length costs the same memory; further ones count at the end.
const (
	step  = 0.001
	steps = 30000
)

type spread struct {
	Spread
	counts map[int32]int
}

type spreads struct{ up, down spread }

func (s *spreads) add(was, would *detect.Estimate) {
	s.up.add(would.RestUpBound-was.RestUpBound, was.Time)
	s.down.add(would.RestDownBound-was.RestDownBound, was.Time)
}

// add counts the difference d, unless one side does not know it or has no rest
// point.
func (s *spread) add(d float64, at time.Time) {
	if math.IsNaN(d) || math.IsInf(d, 0) {
		return
	}
	if s.counts == nil {
		s.counts = map[int32]int{}
	}
	s.counts[int32(math.Round(max(-steps, min(steps, d/step))))]++
	if s.Frames++; math.Abs(d) > math.Abs(s.Largest) || s.Frames == 1 {
		s.Largest, s.At = d, at
	}
}

func (s *spread) result() Spread {
	keys := make([]int32, 0, len(s.counts))
	for k := range s.counts {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	below := 0
	for _, k := range keys {
		if below += s.counts[k]; 2*below >= s.Frames {
			s.Median = float64(k) * step
			break
		}
	}
	return s.Spread
}

func bounds(m map[string]*spreads) []RigBound {
	out := []RigBound{}
	for rig, s := range m {
		out = append(out, RigBound{rig, s.up.result(), s.down.result()})
	}
	slices.SortFunc(out, func(a, b RigBound) int { return strings.Compare(a.Rig, b.Rig) })
	return out
}

// sortShifts puts alarms in order of the time at which either side first has them.
func sortShifts(s []Shift) {
	slices.SortFunc(s, func(a, b Shift) int {
		return cmp.Or(a.first().Compare(b.first()), strings.Compare(a.Rig, b.Rig),
			strings.Compare(a.Alarm, b.Alarm), strings.Compare(a.Channel, b.Channel))
	})
}

func (s *Shift) first() time.Time {
	switch {
	case s.Recorded == nil:
		return *s.Changed
	case s.Changed == nil || s.Recorded.Before(*s.Changed):
		return *s.Recorded
	}
	return *s.Changed
}
