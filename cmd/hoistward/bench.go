package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// benchCmd measures the monitor on the machine it stands on. Each figure stands beside
// what it is to be compared with, measured in the same run.
type benchCmd struct {
	Rigs int           `default:"1000" help:"Rigs that send at 10 Hz (${default})."`
	For  time.Duration `default:"20s" help:"Length of each measurement (${default})."`
	Only []string      `placeholder:"PART" help:"These parts alone: floor, latency, step, replay, growth, pages, start."`
	JSON bool          `help:"One JSON object."`

	Role string `hidden:"" help:"What a process of the measurement is."`
	At   string `hidden:"" help:"Address or folder of the role."`
}

// The parts, in their order.
var benchParts = []string{"floor", "latency", "step", "replay", "growth", "pages", "start"}

// benchLine is one figure.
type benchLine struct {
	Part  string   `json:"part"`
	Name  string   `json:"name"`
	Value *float64 `json:"value"` // null = not measured here
	Unit  string   `json:"unit"`
	Goal  string   `json:"goal,omitempty"`
	Met   *bool    `json:"met,omitempty"`
	Note  string   `json:"note,omitempty"`
}

type benchReport struct {
	Version    string      `json:"version"`
	System     string      `json:"system"`
	Processors int         `json:"processors"`
	Broker     string      `json:"broker"`
	Rigs       int         `json:"rigs"`
	Seconds    float64     `json:"seconds"`
	Lines      []benchLine `json:"lines"`
}

// bench is a run of the measurements.
type bench struct {
	c      *benchCmd
	s      *streams
	dir    string
	self   string
	url    string // of the broker
	report benchReport
}

func (c *benchCmd) Run(s *streams) (err error) {
	switch c.Role {
	case "counter":
		return countOnly(s, c.At)
	case "broker":
		return brokerOnly(s, c.At)
	}
	for _, p := range c.Only {
		if !slices.Contains(benchParts, p) {
			return usagef("--only: got %q, want one of %s", p, strings.Join(benchParts, ", "))
		}
	}
	if c.Rigs < 1 || c.Rigs > 5000 || c.For < time.Second {
		return usagef("got %d rigs for %v, want 1 to 5000 for 1s or longer", c.Rigs, c.For)
	}
	b := &bench{c: c, s: s, report: benchReport{Version: version, System: runtime.GOOS + "/" + runtime.GOARCH,
		Processors: runtime.GOMAXPROCS(0), Rigs: c.Rigs, Seconds: c.For.Seconds()}}
	if b.self, err = exec.LookPath(os.Args[0]); err != nil {
		return err
	}
	if b.dir, err = os.MkdirTemp("", "hoistward-bench-"); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(b.dir)) }()
	if err := b.run(); err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(s.out, b.report)
	}
	return b.print(s.out)
}

func (b *bench) wants(part string) bool {
	return len(b.c.Only) == 0 || slices.Contains(b.c.Only, part)
}

func (b *bench) run() error {
	parts := map[string]func() error{
		"floor": b.floor, "latency": b.latency, "step": b.step, "replay": b.replay, "growth": b.growth, "pages": b.pages, "start": b.start,
	}
	if slices.ContainsFunc([]string{"floor", "latency", "growth", "pages", "start"}, b.wants) {
		broker, err := b.startBroker()
		if err != nil {
			return err
		}
		defer broker.end()
	}
	for _, p := range benchParts {
		if !b.wants(p) {
			continue
		}
		if b.s.errTerm {
			fmt.Fprintf(b.s.err, "measuring: %s\n", p)
		}
		if err := parts[p](); err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
		if err := b.s.ctx.Err(); err != nil {
			return err
		}
	}
	return nil
}

// figure adds a figure without a goal; NaN means that it was not measured.
func (b *bench) figure(part, name string, value float64, unit string) *benchLine {
	l := benchLine{Part: part, Name: name, Unit: unit}
	if !math.IsNaN(value) && !math.IsInf(value, 0) {
		l.Value = &value
	}
	b.report.Lines = append(b.report.Lines, l)
	return &b.report.Lines[len(b.report.Lines)-1]
}

// most adds a figure that is to be limit at most; least, one that is to be that at
// least.
func (b *bench) most(part, name string, value float64, unit string, limit float64) *benchLine {
	return b.figure(part, name, value, unit).goal("at most", limit, value <= limit)
}

func (b *bench) least(part, name string, value float64, unit string, limit float64) *benchLine {
	return b.figure(part, name, value, unit).goal("at least", limit, value >= limit)
}

func (l *benchLine) goal(words string, limit float64, met bool) *benchLine {
	l.Goal = strings.TrimSpace(fmt.Sprintf("%s %s %s", words, figureText(limit), l.Unit))
	if l.Value != nil {
		l.Met = &met
	}
	return l
}

func (l *benchLine) note(format string, a ...any) { l.Note = fmt.Sprintf(format, a...) }

func figureText(x float64) string {
	if x == math.Trunc(x) && math.Abs(x) < 1e9 {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.3g", x)
}

func (b *bench) print(w io.Writer) error {
	r := &b.report
	fmt.Fprintf(w, "hoistward %s on %s, %d processors; broker %s; %d rigs at 10 Hz, %s each\n\n", r.Version, r.System, r.Processors, r.Broker, r.Rigs, b.c.For)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "part\tfigure\tvalue\tgoal\tmet\tnote")
	for i := range r.Lines {
		l := &r.Lines[i]
		value, met := "not measured", ""
		if l.Value != nil {
			value = strings.TrimSpace(figureText(*l.Value) + " " + l.Unit)
		}
		if l.Met != nil {
			met = map[bool]string{true: "yes", false: "NO"}[*l.Met]
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", l.Part, l.Name, value, l.Goal, met, l.Note)
	}
	return t.Flush()
}

// folder makes a new folder for one measurement.
func (b *bench) folder(name string) (string, error) {
	return os.MkdirTemp(b.dir, strings.ReplaceAll(name, string(filepath.Separator), "-")+"-")
}
