package alarms

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"
)

// WriteTable prints one line a rule: what the alarm is and how it behaves.
func WriteTable(w io.Writer, rules []Rule) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "alarm\tpriority\ton delay\toff delay\tlatched\tshelvable\tone for each\thidden by")
	for i := range rules {
		r := &rules[i]
		each := "rig"
		if r.PerChannel {
			each = "channel"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.Name, r.Priority, seconds(r.OnDelay), seconds(r.OffDelay),
			yesNo(r.Latch), yesNo(r.Shelvable), each, dash(r.Parent))
	}
	return t.Flush() // a tabwriter keeps the first error
}

// WriteCards prints a card for each rule, with the texts that a driller needs, in
// lines of at most width letters (60 at least).
func WriteCards(w io.Writer, rules []Rule, width int) error {
	width = max(width, 60)
	var b strings.Builder
	for i := range rules {
		r := &rules[i]
		if i > 0 {
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "%s (%s)\n", r.Title, r.Name)
		for _, row := range [][2]string{
			{"meaning", r.Meaning}, {"likely causes", r.Causes}, {"if nothing is done", r.Consequence},
			{"what to do", r.Response}, {"time to act", r.TimeToAct}, {"priority", r.priorityText()},
			{"needs", r.Inputs}, {"deadband", r.Deadband},
			{"delays", fmt.Sprintf("on %s, off %s; gaps bridged up to %s", seconds(r.OnDelay), seconds(r.OffDelay), seconds(r.bridge()))},
			{"latched", yesNo(r.Latch)}, {"shelvable", yesNo(r.Shelvable)}, {"hidden by", dash(r.Parent)},
		} {
			wrap(&b, row[0], row[1], width)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// WriteJSON prints the rules as one JSON array, indented. Times are in seconds.
func WriteJSON(w io.Writer, rules []Rule) error {
	type row struct {
		Alarm       string   `json:"alarm"`
		Title       string   `json:"title"`
		Meaning     string   `json:"meaning"`
		Causes      string   `json:"causes"`
		Consequence string   `json:"consequence"`
		Response    string   `json:"response"`
		TimeToAct   string   `json:"time_to_act"`
		Priority    Priority `json:"priority"`
		Grades      string   `json:"grades"`
		Inputs      string   `json:"inputs"`
		Deadband    string   `json:"deadband"`
		OnDelay     float64  `json:"on_delay_s"`
		OffDelay    float64  `json:"off_delay_s"`
		Bridge      float64  `json:"bridge_s"`
		Latch       bool     `json:"latched"`
		Shelvable   bool     `json:"shelvable"`
		PerChannel  bool     `json:"per_channel"`
		Parent      string   `json:"hidden_by"`
	}
	rows := make([]row, 0, len(rules))
	for i := range rules {
		r := &rules[i]
		rows = append(rows, row{r.Name, r.Title, r.Meaning, r.Causes, r.Consequence, r.Response, r.TimeToAct, r.Priority,
			r.Grades, r.Inputs, r.Deadband, r.OnDelay.Seconds(), r.OffDelay.Seconds(), r.bridge().Seconds(),
			r.Latch, r.Shelvable, r.PerChannel, r.Parent})
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(rows)
}

func (r *Rule) priorityText() string {
	if r.Grades != "" {
		return r.Grades
	}
	return r.Priority.String()
}

func seconds(d time.Duration) string { return fmt.Sprintf("%g s", d.Seconds()) }

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// wrap writes a label and its text, broken between words.
func wrap(b *strings.Builder, label, text string, width int) {
	const indent = 22
	line := fmt.Sprintf("  %-*s", indent-2, label)
	empty := true
	for word := range strings.FieldsSeq(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > width {
			b.WriteString(line + "\n")
			line, empty = strings.Repeat(" ", indent), true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	b.WriteString(line + "\n")
}
