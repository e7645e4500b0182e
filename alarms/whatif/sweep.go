package whatif

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/detect"
	"hoistward/ingest"
)

// MaxPoints is how many values a sweep may have: each is a whole replay.
const MaxPoints = 200

// Values reads "FROM:TO:STEP" with the same unit behind each number or behind none,
// such as "0.30:0.45:0.05" or "0.4s:1.0s:0.2s", and returns the values from FROM to
// TO, both included where the step meets TO. ok is false where s is not of that form.
func Values(s string) (values []string, ok bool, err error) {
	parts := strings.Split(s, ":")
	if len(parts) != 3 {
		return nil, false, nil
	}
	var x [3]float64
	unit := ""
	for i, p := range parts {
		n := numberLength(p)
		x[i], err = strconv.ParseFloat(p[:n], 64)
		if err != nil {
			return nil, true, fmt.Errorf("got %q, want FROM:TO:STEP, such as 0.30:0.45:0.05 or 0.4s:1.0s:0.2s", s)
		}
		if u := strings.TrimSpace(p[n:]); i == 0 {
			unit = u
		} else if u != unit {
			return nil, true, fmt.Errorf("got %q, want the same unit behind each number", s)
		}
	}
	from, to, by := x[0], x[1], x[2]
	count := math.Floor((to-from)/by+1e-9) + 1
	if !(count >= 1 && count <= MaxPoints) {
		return nil, true, fmt.Errorf("got %q, want a step from FROM towards TO that makes 1 to %d values", s, MaxPoints)
	}
	digits := 0
	for _, p := range parts {
		digits = max(digits, decimals(p[:numberLength(p)]))
	}
	for i := range int(count) {
		values = append(values, strconv.FormatFloat(from+float64(i)*by, 'f', digits, 64)+unit)
	}
	return values, true, nil
}

func numberLength(s string) int {
	for i, r := range s {
		if (r < '0' || r > '9') && r != '.' && r != '-' && r != '+' {
			return i
		}
	}
	return len(s)
}

func decimals(s string) int {
	_, after, _ := strings.Cut(s, ".")
	return len(after)
}

// Lane is one value of a sweep.
type Lane struct {
	Value  string
	Change Change
}

// Sweep plays a recording under many values of one key.
type Sweep struct {
	recorded side
	lanes    []lane
	alarm    string
	reached  map[string]*reach
}

type lane struct {
	Lane
	side
	first map[string]time.Time // by rig: the alarm's first raising
}

// NewSweep returns a sweep that looks at one alarm by name: overhoist,
// crown_limit_passed, floor_approach or any other of the catalogue.
func NewSweep(open watch.Open, alarm string, lanes []Lane) *Sweep {
	s := &Sweep{recorded: newSide(open, AsRecorded), alarm: alarm, reached: map[string]*reach{}}
	for _, l := range lanes {
		s.lanes = append(s.lanes, lane{l, newSide(open, l.Change), map[string]time.Time{}})
	}
	return s
}

// Apply takes an entry in every lane; it counts where counted holds.
func (s *Sweep) Apply(e *ingest.Entry, counted bool) error {
	was, err := s.recorded.apply(e)
	if err != nil {
		return err
	}
	if counted && was.Estimate != nil {
		r := s.reached[e.Rig]
		if r == nil {
			r = &reach{}
			s.reached[e.Rig] = r
		}
		r.see(was.Estimate, e.Received, s.alarm == "floor_approach")
	}
	for i := range s.lanes {
		l := &s.lanes[i]
		out, err := l.apply(e)
		if err != nil {
			return fmt.Errorf("%s: %w", l.Value, err)
		}
		for j := range out.Events {
			v := &out.Events[j]
			if _, had := l.first[v.Rig]; counted && !had && v.Alarm == s.alarm && v.Event == alarms.EventRaised {
				l.first[v.Rig] = v.Time
			}
		}
	}
	return nil
}

// reach is when the block, as recorded, first came to a limit, or came nearest to it.
type reach struct {
	room   float64
	at     time.Time
	passed bool
}

// see takes a frame received at now. The limit stands in the estimate as the bound of
// the rest point with the room that it leaves.
func (r *reach) see(e *detect.Estimate, now time.Time, floor bool) {
	room := e.CrownRoom + e.RestUpBound - e.Height
	if floor {
		room = e.Height - (e.RestDownBound - e.FloorRoom)
	}
	if r.passed || math.IsNaN(room) || math.IsInf(room, 0) {
		return
	}
	if r.at.IsZero() || room < r.room {
		r.room, r.at = room, now
	}
	r.passed = room <= 0
}

// Point is what a value of the sweep leads to on a rig.
type Point struct {
	Rig    string     `json:"rig"`
	Value  string     `json:"value"`
	Alarm  string     `json:"alarm"`
	Raised *time.Time `json:"raised"` // nil = not raised
	// Lead is how long before the block, as recorded, passed the limit the alarm was
	// raised; where it never passed it, before it came nearest. s, negative = after.
	Lead   *float64 `json:"lead_s"`
	Passed bool     `json:"limit_passed"`
}

// Points returns the answers of each rig that was seen, value by value.
func (s *Sweep) Points(rigs []string) []Point {
	var out []Point
	for _, rig := range rigs {
		r := s.reached[rig]
		for i := range s.lanes {
			l := &s.lanes[i]
			p := Point{Rig: rig, Value: l.Value, Alarm: s.alarm, Passed: r != nil && r.passed}
			if at, ok := l.first[rig]; ok {
				p.Raised = &at
				if r != nil && !r.at.IsZero() {
					lead := r.at.Sub(at).Seconds()
					p.Lead = &lead
				}
			}
			out = append(out, p)
		}
	}
	return out
}

// Rigs returns the rigs that the sweep has seen, in no order.
func (s *Sweep) Rigs() []string {
	var out []string
	for rig := range s.reached {
		out = append(out, rig)
	}
	return out
}
