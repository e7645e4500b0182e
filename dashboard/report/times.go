package report

import (
	"fmt"
	"time"
)

// times writes instants for a person: in the report's zone, with the day and the offset
// wherever leaving them out could mislead.
type times struct {
	zone *time.Location
	long bool // the window spans two days or two offsets
	from time.Time
}

func newTimes(r *Report, zone *time.Location) times {
	a, b := r.From.In(zone), r.To.In(zone)
	_, x := a.Zone()
	_, y := b.Zone()
	return times{zone: zone, long: a.Format(time.DateOnly) != b.Format(time.DateOnly) || x != y, from: a}
}

// clock is for instants of the window.
func (t times) clock(at time.Time) string {
	if at.IsZero() {
		return ""
	}
	if t.long {
		return at.In(t.zone).Format("01-02 15:04:05.000 -07:00")
	}
	return at.In(t.zone).Format("15:04:05.000")
}

// full is for any instant.
func (t times) full(at time.Time) string {
	if at.IsZero() {
		return "none"
	}
	return at.In(t.zone).Format("2006-01-02 15:04:05.000 -07:00")
}

// words say how the page shows times.
func (t times) words(r *Report) string {
	_, x := r.From.In(t.zone).Zone()
	_, y := r.To.In(t.zone).Zone()
	w := "Times are those of receipt, by the clock of the machine that recorded, "
	switch {
	case t.zone == time.UTC:
		return w + "in UTC."
	case x != y:
		return w + fmt.Sprintf("shown in %s. The offset from UTC changes in this window from %s to %s: each time carries its own.",
			t.zone, r.From.In(t.zone).Format("-07:00"), r.To.In(t.zone).Format("-07:00"))
	}
	return w + fmt.Sprintf("shown in %s, UTC%s.", t.zone, r.From.In(t.zone).Format("-07:00"))
}

// axis marks times: the step is one of clocks.
var clockSteps = []time.Duration{time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 15 * time.Second, 30 * time.Second,
	time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour}

type timeMark struct {
	t    float64 // s since from
	text string
}

func (t times) marks(from, to time.Time, most int) []timeMark {
	step := clockSteps[len(clockSteps)-1]
	for _, s := range clockSteps {
		if to.Sub(from) <= s*time.Duration(most) {
			step = s
			break
		}
	}
	layout := "15:04"
	if step < time.Minute {
		layout = "15:04:05"
	}
	var out []timeMark
	for at := from.Truncate(step); !at.After(to) && len(out) <= 10*most; at = at.Add(step) {
		if at.Before(from) {
			continue
		}
		local := at.In(t.zone)
		text := local.Format(layout)
		if local.Hour() == 0 && local.Minute() == 0 && local.Second() == 0 && t.long {
			text = local.Format("02 Jan")
		}
		out = append(out, timeMark{at.Sub(from).Seconds(), text})
	}
	return out
}
