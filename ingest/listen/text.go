package listen

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
)

// Write writes reports for a person.
func Write(w io.Writer, reports []Report) error {
	for i := range reports {
		if err := write(w, &reports[i]); err != nil {
			return err
		}
	}
	return nil
}

func write(w io.Writer, r *Report) error {
	fmt.Fprintf(w, "source %s: %s", r.Source, r.State)
	if r.Detail != "" {
		fmt.Fprintf(w, " (%s)", printable(r.Detail))
	}
	fmt.Fprintf(w, ", %d messages%s\n", r.Messages, perS(r.PerS))
	if c := r.Clock; c != nil {
		fmt.Fprintf(w, "  its clock: %s, newest stamps from %s to %s\n", offset(c.Median), offset(c.Least), offset(c.Most))
	}
	for i := range r.Rigs {
		if err := writeRig(w, &r.Rigs[i]); err != nil {
			return err
		}
	}
	if len(r.Rejects) > 0 {
		fmt.Fprintln(w, "  not used as it came")
		t := table(w)
		for _, c := range r.Rejects {
			fmt.Fprintf(t, "    %s\t%d\t%s\n", c.Reason, c.N, c.Example)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	if len(r.Unmapped) > 0 {
		var names []string
		for _, f := range r.Unmapped {
			names = append(names, f.Field)
		}
		fmt.Fprintf(w, "  fields that no channel is read from: %s\n", strings.Join(names, ", "))
	}
	if len(r.Unread) > 0 {
		fmt.Fprintln(w, "  topics that no channel is read from")
		for _, u := range r.Unread {
			fmt.Fprintf(w, "    %s  %d  %s\n      %s\n", u.Topic, u.N, u.Example, u.Hint)
		}
	}
	return nil
}

func writeRig(w io.Writer, r *RigReport) error {
	fmt.Fprintf(w, "  rig %s", r.Rig)
	if !r.Known {
		fmt.Fprintf(w, ": no rig file has this name, so its %d samples are not used", r.Samples)
	}
	if r.OffsetS != nil {
		fmt.Fprintf(w, ", its clock %s", offset(*r.OffsetS))
	}
	fmt.Fprintln(w)
	t := table(w)
	for _, c := range r.Channels {
		value := "no value"
		if c.Value != nil {
			value = fmt.Sprintf("%.6g %s", *c.Value, c.Unit)
		}
		notes := c.Reason
		if c.Bad > 0 {
			notes += fmt.Sprintf(" (%d of %d without a value)", c.Bad, c.N)
		}
		fmt.Fprintf(t, "    %s\t%s\t%.1f s old\t%s\t%s\n", c.Channel, strings.TrimSpace(value), c.AgeS, strings.TrimPrefix(perS(c.PerS), ", "), strings.TrimSpace(notes))
	}
	for _, m := range r.Missing {
		fmt.Fprintf(t, "    %s\tnever came\t%s\n", m.Channel, sought(m))
	}
	return t.Flush()
}

func sought(m Missing) string {
	switch {
	case m.Topic == "":
		return fmt.Sprintf("sought as %q", m.Field)
	case m.Field == "":
		return "sought on " + m.Topic
	}
	return fmt.Sprintf("sought on %s as %q", m.Topic, m.Field)
}

// offset says how far a stamp lies from its receipt.
func offset(s float64) string {
	switch {
	case math.Abs(s) < 1:
		return fmt.Sprintf("%+.0f ms from receipt", 1000*s)
	case s > 0:
		return fmt.Sprintf("%.1f s ahead of receipt", s)
	}
	return fmt.Sprintf("%.1f s behind receipt", -s)
}

func perS(rate float64) string {
	if rate == 0 {
		return ""
	}
	return fmt.Sprintf(", %.3g a second", rate)
}

func table(w io.Writer) *tabwriter.Writer { return tabwriter.NewWriter(w, 0, 8, 2, ' ', 0) }
