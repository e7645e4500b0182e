package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // a report in a rig's local time must not depend on the machine

	"github.com/schollz/progressbar/v3"

	"hoistward/dashboard/report"
	"hoistward/ingest/record"
)

type reportCmd struct {
	Incident reportIncidentCmd `cmd:"" help:"What happened about one moment, second by second, and what if."`
	Tour     reportTourCmd     `cmd:"" help:"Alarms, heat, friction, work and outages of a tour."`
}

type reportOptions struct {
	Files []string `arg:"" name:"recording" type:"existingpath" help:"Recordings, folders of them, or data folders."`
	Rig   string   `required:"" placeholder:"NAME" help:"The rig that the report is of."`
	Zone  string   `default:"UTC" placeholder:"ZONE" help:"Show times in this zone, such as Europe/Oslo (${default}); the data stay in UTC."`
	Out   string   `type:"path" placeholder:"FILE" help:"Where the report goes; report.html where nothing is said, with --json the standard output."`
	JSON  bool     `help:"The report's data as one JSON object."`
}

type reportIncidentCmd struct {
	reportOptions
	At     string        `required:"" placeholder:"TIME" help:"Of the incident (RFC 3339, UTC where no offset stands)."`
	Before time.Duration `default:"2m" help:"So long before it (${default})."`
	After  time.Duration `default:"1m" help:"So long after it (${default})."`
	Set    []string      `sep:"none" placeholder:"KEY=VALUE" help:"What if: a key of the rig file with another value; repeatable. One of them may be a sweep, FROM:TO:STEP. Where none stands, a small set that an engineer would ask for."`
	Alarm  string        `default:"overhoist" placeholder:"NAME" help:"The alarm that a sweep looks at (${default})."`
	WhatIf bool          `default:"true" negatable:"" help:"The what-if tables; each change costs two replays."`
}

type reportTourCmd struct {
	reportOptions
	From string `required:"" placeholder:"TIME" help:"Start of the tour (RFC 3339, UTC where no offset stands)."`
	To   string `required:"" placeholder:"TIME" help:"End of the tour."`
}

func (c *reportIncidentCmd) Run(s *streams) error {
	at, err := parseInstant(c.At)
	if err != nil {
		return usagef("--at: got %q, want a time such as 2026-11-24T12:00:00Z", c.At)
	}
	if c.Before < 0 || c.After < 0 || c.Before+c.After <= 0 {
		return usagef("--before, --after: got %s and %s, want a window about the incident", c.Before, c.After)
	}
	o := report.Options{At: at, From: at.Add(-c.Before), To: at.Add(c.After)}
	if c.WhatIf {
		if o.Changes, o.Sweep, err = reportChanges(c.Set, c.Alarm); err != nil {
			return err
		}
	} else if len(c.Set) > 0 {
		return usagef("--set: got it with --no-what-if, want one of them")
	}
	return c.write(s, o)
}

func (c *reportTourCmd) Run(s *streams) error {
	w, err := parseWindow(c.From, c.To)
	if err != nil {
		return err
	}
	return c.write(s, report.Options{From: w.from, To: w.to})
}

// write makes the report and puts it where it is wanted.
func (c *reportOptions) write(s *streams, o report.Options) error {
	zone, err := time.LoadLocation(c.Zone)
	if err != nil || c.Zone == "Local" {
		return usagef("--zone: got %q, want a name of the time zone database, such as Europe/Oslo or UTC", c.Zone)
	}
	r, err := c.make(s, o, zone)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if c.JSON {
		err = writeJSON(&b, r)
	} else {
		err = report.WriteHTML(&b, r, zone)
	}
	if err != nil {
		return err
	}
	return c.put(s, r, b.Bytes())
}

// make plays what the report is of.
func (c *reportOptions) make(s *streams, o report.Options, zone *time.Location) (*report.Report, error) {
	files, problems, err := c.recordings(&o)
	if err != nil {
		return nil, err
	}
	o.Rig, o.Zone, o.Software = c.Rig, zone, version
	m := report.New(o, openRig)
	for _, p := range problems {
		m.Problem(p)
	}
	if err := c.play(s, m, files); err != nil {
		return nil, err
	}
	return m.Report(), nil
}

func (c *reportOptions) put(s *streams, r *report.Report, text []byte) error {
	out := c.Out
	switch {
	case out == "" && c.JSON:
		_, err := s.out.Write(text)
		return err
	case out == "":
		out = "report.html"
	}
	if err := os.WriteFile(out, text, 0o644); err != nil {
		return err
	}
	if r.Empty != "" {
		fmt.Fprintln(s.err, "note:", r.Empty)
	}
	for _, p := range r.Problems {
		fmt.Fprintln(s.err, "note:", p)
	}
	if r.Incident != nil {
		for _, w := range r.Incident.WhatIfs {
			if w.Failed != "" {
				fmt.Fprintf(s.err, "note: %s: %s\n", w.Words, w.Failed)
			}
		}
	}
	_, err := fmt.Fprintf(s.out, "%s: %d entries of %s in the window, %d alarms raised\n", filepath.Base(out), r.Entries.InWindow, r.Rig, len(r.Alarms)+r.Omitted.Alarms)
	return err
}

// recordings finds those of the rig that begin before the window ends, with their
// digests.
func (c *reportOptions) recordings(o *report.Options) (files, problems []string, err error) {
	all, err := record.Files(recordingPaths(c.Files)...)
	if err != nil {
		return nil, nil, err
	}
	var others []string
	for _, path := range all {
		rig, err := record.RigOf(path)
		switch {
		case err != nil:
			problems = append(problems, named(path, err))
			continue
		case rig != c.Rig:
			others = append(others, rig)
			continue
		}
		contents, err := record.Digest(path)
		if err != nil {
			problems = append(problems, named(path, err))
			continue
		}
		if contents.Entries > 0 && contents.First.After(o.To) {
			continue
		}
		files = append(files, path)
		o.Sources = append(o.Sources, report.Recording(contents))
	}
	if len(files) == 0 && len(problems) == 0 {
		slices.Sort(others)
		return nil, nil, fmt.Errorf("got no recording of %s up to %s, want one; other rigs here: %s", c.Rig, clockText(o.To), strings.Join(slices.Compact(others), ", "))
	}
	return files, problems, nil
}

// named is an error of a file without the folders, which a report need not know.
func named(path string, err error) string {
	text := strings.ReplaceAll(err.Error(), path, filepath.Base(path))
	if abs, e := filepath.Abs(path); e == nil {
		text = strings.ReplaceAll(text, abs, filepath.Base(path))
	}
	return text
}

func (c *reportOptions) play(s *streams, m *report.Maker, files []string) error {
	if len(files) == 0 {
		return nil
	}
	var bar *progressbar.ProgressBar
	if s.errTerm {
		bar = progressbar.NewOptions(-1, progressbar.OptionSetWriter(s.err), progressbar.OptionSetDescription("replaying"),
			progressbar.OptionShowIts(), progressbar.OptionSetItsString("entries"), progressbar.OptionThrottle(barEvery), progressbar.OptionClearOnFinish())
		defer func() { _ = bar.Finish() }()
	}
	n := 0
	for e, err := range record.Read(files...) {
		if err != nil {
			m.Problem(withoutFolders(files, err))
			continue
		}
		if !m.Apply(&e) {
			break
		}
		if n++; n%1024 == 0 {
			if bar != nil {
				_ = bar.Add(1024)
			}
			if err := s.ctx.Err(); err != nil {
				return fmt.Errorf("stopped after %d entries: %w", n, err)
			}
		}
	}
	return c.beside(s.ctx, m, files)
}

func withoutFolders(files []string, err error) string {
	text := err.Error()
	for _, f := range files {
		text = strings.ReplaceAll(text, f, filepath.Base(f))
	}
	return text
}

// beside takes what the recordings hold beside their entries. Damage is already told.
func (c *reportOptions) beside(ctx context.Context, m *report.Maker, files []string) error {
	for r, err := range record.Rejects(files...) {
		if err == nil && r.Rig == c.Rig {
			m.Message(report.Message{Received: r.Received, Source: r.Source, Reason: r.Reason, Detail: r.Detail, Count: r.Count})
		}
	}
	for n, err := range record.Notes(files...) {
		if err == nil && n.Rig == c.Rig {
			m.Recorded(n.Received, n.Text)
		}
	}
	return ctx.Err()
}
