package main

import (
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/whatif"
	"hoistward/configs"
	"hoistward/ingest"
)

// window is the time that a replay shows. Zero times are open ends.
type window struct{ from, to time.Time }

func parseWindow(from, to string) (window, error) {
	var w window
	for _, f := range []struct {
		flag, text string
		at         *time.Time
	}{{"--from", from, &w.from}, {"--to", to, &w.to}} {
		if f.text == "" {
			continue
		}
		t, err := parseInstant(f.text)
		if err != nil {
			return w, usagef("%s: got %q, want a time such as 2026-11-24T12:00:00Z", f.flag, f.text)
		}
		*f.at = t
	}
	if !w.from.IsZero() && !w.to.IsZero() && !w.from.Before(w.to) {
		return w, usagef("--to: got %s, want a time after --from %s", to, from)
	}
	return w, nil
}

// parseInstant reads RFC 3339, and the same without an offset as UTC.
func parseInstant(text string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		t, err = time.Parse("2006-01-02T15:04:05.999999999", text)
	}
	return t.UTC(), err
}

func (w window) holds(t time.Time) bool { return !t.Before(w.from) && !w.after(t) }

func (w window) after(t time.Time) bool { return !w.to.IsZero() && t.After(w.to) }

func clockText(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// writeComparison says of each alarm what becomes of it, and of each rig how far the
// bounds move.
func writeComparison(w io.Writer, r whatif.Result) error {
	for _, s := range r.Alarms {
		name := s.Rig + " " + s.Alarm
		if s.Channel != "" {
			name += " " + s.Channel
		}
		var err error
		switch s.Fate {
		case whatif.Comes:
			_, err = fmt.Fprintf(w, "%s: comes at %s\n", name, clockText(*s.Changed))
		case whatif.Goes:
			_, err = fmt.Fprintf(w, "%s: goes, was at %s\n", name, clockText(*s.Recorded))
		case whatif.Stays:
			_, err = fmt.Fprintf(w, "%s: stays at %s\n", name, clockText(*s.Changed))
		default:
			_, err = fmt.Fprintf(w, "%s: %+.2f s, from %s to %s\n", name, *s.Seconds, clockText(*s.Recorded), clockText(*s.Changed))
		}
		if err != nil {
			return err
		}
	}
	if len(r.Alarms) == 0 {
		fmt.Fprintln(w, "no alarm on either side")
	}
	for _, b := range r.Bounds {
		if err := writeSpread(w, b.Rig+" rest point bound raising", b.Up); err != nil {
			return err
		}
		if err := writeSpread(w, b.Rig+" rest point bound lowering", b.Down); err != nil {
			return err
		}
	}
	return nil
}

func writeSpread(w io.Writer, name string, s whatif.Spread) error {
	if s.Frames == 0 {
		_, err := fmt.Fprintf(w, "%s: not known on both sides in any frame\n", name)
		return err
	}
	_, err := fmt.Fprintf(w, "%s: moves by %+.3f m in the middle of %d frames, at most %+.3f m at %s\n", name, s.Median, s.Frames, s.Largest, clockText(s.At))
	return err
}

// sweepPlan is the setting that goes through values, and the others.
type sweepPlan struct {
	key    string
	values []string
	fixed  []string
}

// sweep returns the plan where one of the settings is a sweep, else nil.
func (c *replayCmd) sweep() (*sweepPlan, error) {
	var plan *sweepPlan
	var fixed []string
	for _, set := range c.Set {
		key, value, _ := cutSetting(set)
		values, is, err := whatif.Values(value)
		switch {
		case err != nil:
			return nil, usagef("--set %s: %w", key, err)
		case !is:
			fixed = append(fixed, set)
		case plan != nil:
			return nil, usagef("--set %s: got a second sweep beside %s, want one", key, plan.key)
		default:
			plan = &sweepPlan{key: key, values: values}
		}
	}
	if plan == nil {
		return nil, nil
	}
	plan.fixed = fixed
	if c.Compare || c.Journal != "" || c.Estimates != "" {
		return nil, usagef("--set %s: got a sweep with --compare, --journal or --estimates, want it alone", plan.key)
	}
	if _, ok := alarms.Lookup(c.Alarm); !ok {
		return nil, usagef("--alarm: got %q, want an alarm of the catalogue (hoistward check --alarms)", c.Alarm)
	}
	return plan, nil
}

func (c *replayCmd) runSweep(s *streams, plan *sweepPlan, entries iter.Seq2[ingest.Entry, error], w window) error {
	var lanes []whatif.Lane
	for _, value := range plan.values {
		settings := append(slices.Clone(plan.fixed), plan.key+"="+value)
		lanes = append(lanes, whatif.Lane{Value: value, Change: func(recorded []byte) ([]byte, error) {
			base := *c
			base.Set = settings
			text, err := base.change(recorded)
			if err != nil {
				return nil, err
			}
			if _, err := configs.OpenRig(text); err != nil {
				return nil, configError(err)
			}
			return text, nil
		}})
	}
	sweep := whatif.NewSweep(openRig, c.Alarm, lanes)
	if err := c.play(s, w, entries, func(e *ingest.Entry) error { return sweep.Apply(e, w.holds(e.Received)) }); err != nil {
		return err
	}
	rigs := sweep.Rigs()
	slices.Sort(rigs)
	points := sweep.Points(rigs)
	if c.JSON {
		return writeJSON(s.out, struct {
			Key    string         `json:"key"`
			Points []whatif.Point `json:"points"`
		}{plan.key, points})
	}
	return drawSweep(s.out, plan.key, points)
}

// barWidth is how many characters the longest bar of a drawn sweep has.
const barWidth = 40

// drawSweep draws the lead time against the value, a line a value.
func drawSweep(w io.Writer, key string, points []whatif.Point) error {
	longest, rig := 0.0, ""
	for _, p := range points {
		if p.Lead != nil {
			longest = max(longest, *p.Lead)
		}
	}
	for _, p := range points {
		if p.Rig != rig {
			rig = p.Rig
			before := "before the block, as recorded, passed the limit"
			if !p.Passed {
				before = "before the block, as recorded, came nearest to the limit, which it did not pass"
			}
			fmt.Fprintf(w, "%s: %s raised, seconds %s, against %s\n", p.Rig, p.Alarm, before, key)
		}
		line := "not raised"
		switch {
		case p.Raised != nil && p.Lead == nil:
			line = "raised at " + clockText(*p.Raised) + "; no height to set it against"
		case p.Lead != nil:
			line = fmt.Sprintf("%8.2f  ", *p.Lead)
			if *p.Lead > 0 && longest > 0 {
				line += strings.Repeat("=", max(1, int(*p.Lead/longest*barWidth+0.5)))
			}
		}
		if _, err := fmt.Fprintf(w, "  %10s  %s\n", p.Value, line); err != nil {
			return err
		}
	}
	return nil
}
