package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"

	"github.com/schollz/progressbar/v3"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/alarms/whatif"
	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/ingest/fieldcsv"
	"hoistward/ingest/record"
)

type replayCmd struct {
	Files     []string `arg:"" name:"file" type:"existingpath" help:"Recordings, data folders, or one field CSV."`
	Rig       string   `placeholder:"RIG.YAML" help:"Use this rig file instead of the one recorded; a field CSV needs it."`
	Only      string   `placeholder:"RIG" help:"Replay this rig alone."`
	Journal   string   `type:"path" placeholder:"OUT.JSONL" help:"Write the journal here."`
	Estimates string   `type:"path" placeholder:"OUT.CSV" help:"Write the estimates here, a row a frame."`
	Set       []string `sep:"none" placeholder:"KEY=VALUE" help:"What if: a key of the rig file with another value, as in drawworks.drive.release=0.6s; repeatable. One of them may be a sweep, FROM:TO:STEP, as in brakes.service.friction=0.30:0.45:0.05."`
	Compare   bool     `help:"With --set or --rig: say which alarms come, go or move against the rig file as recorded, and how far the bounds move."`
	Alarm     string   `default:"overhoist" placeholder:"NAME" help:"The alarm whose lead time a sweep draws (${default})."`
	From      string   `placeholder:"TIME" help:"Show from this time on (RFC 3339, UTC where no offset stands); what comes before is played, unseen."`
	To        string   `placeholder:"TIME" help:"Stop at this time."`
	JSON      bool     `help:"With --compare or a sweep: one JSON object."`
	Quiet     bool     `help:"Print no events and no summary."`
	Show      bool     `help:"Open the replay page for these files on this machine, and print its address."`
	Listen    string   `default:"127.0.0.1:0" placeholder:"ADDRESS" help:"With --show: of the page (${default})."`
	Truth     string   `type:"existingfile" placeholder:"TRUTH.CSV" help:"With --show: what really happened, as simulate --truth wrote it."`
	fieldOptions
}

func (c *replayCmd) Run(s *streams) (err error) {
	if c.Show {
		return c.show(s)
	}
	if c.Truth != "" {
		return usagef("--truth: got it without --show, want it with the page that draws it")
	}
	if c.Compare && len(c.Set) == 0 && c.Rig == "" {
		return usagef("--compare: got no --set or --rig, want something to compare")
	}
	window, err := parseWindow(c.From, c.To)
	if err != nil {
		return err
	}
	sweep, err := c.sweep()
	if err != nil {
		return err
	}
	if c.JSON && !c.Compare && sweep == nil {
		return usagef("--json: got neither --compare nor a sweep, want one of them; the journal is JSON Lines already")
	}
	entries, done, err := c.entries(s)
	if err != nil {
		return err
	}
	defer done()
	if sweep != nil {
		return c.runSweep(s, sweep, entries, window)
	}
	p := &player{fleet: watch.NewFleet(openRig), change: c.change, tally: newTally(), window: window, json: c.JSON}
	if !c.Quiet {
		p.events = s.out
	}
	var u []func() error
	defer func() {
		for _, f := range u {
			err = errors.Join(err, f())
		}
	}()
	if p.journal, u, err = output(c.Journal, u); err != nil {
		return err
	}
	if p.estimates, u, err = output(c.Estimates, u); err != nil {
		return err
	}
	if c.Compare {
		p.whatIf = whatif.Compare(openRig, c.change)
		p.fleet = p.whatIf.Fleet()
	}
	if err := c.play(s, window, entries, p.entry); err != nil {
		return err
	}
	return p.finish(s.out, c.Quiet)
}

// output opens a file for writing and adds its closing to u; no path, no writer.
func output(path string, u []func() error) (*bufio.Writer, []func() error, error) {
	if path == "" {
		return nil, u, nil
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, u, err
	}
	w := bufio.NewWriterSize(f, 1<<16)
	return w, append(u, w.Flush, f.Close), nil
}

// entries returns what is to be replayed.
func (c *replayCmd) entries(s *streams) (iter.Seq2[ingest.Entry, error], func(), error) {
	fields := 0
	for _, f := range c.Files {
		if isField(f) {
			fields++
		}
	}
	switch {
	case fields == 0:
		return record.Read(recordingPaths(c.Files)...), func() {}, nil
	case len(c.Files) > 1:
		return nil, nil, usagef("got %d files with a field CSV among them, want one field CSV alone, or recordings", len(c.Files))
	}
	var r *fieldcsv.Reader
	r, entries, err := fieldEntries(c.Files[0], c.fieldOptions, c.Rig)
	if err != nil {
		return nil, nil, err
	}
	return entries, func() { reportField(s.err, c.Files[0], r); r.Close() }, nil
}

// change returns the rig file text that is to be in force.
func (c *replayCmd) change(recorded []byte) ([]byte, error) {
	text := recorded
	if c.Rig != "" {
		_, t, err := configs.LoadRig(c.Rig)
		if err != nil {
			return nil, configError(err)
		}
		text = t
	}
	return setAll(text, c.Set)
}

// setAll returns a rig file with settings made in it, in order.
func setAll(text []byte, settings []string) ([]byte, error) {
	for _, set := range settings {
		key, value, ok := cutSetting(set)
		if !ok {
			return nil, usagef("--set: got %q, want KEY=VALUE, such as drawworks.drive.release=0.6s", set)
		}
		t, err := configs.Set(text, key, value)
		if err != nil {
			return nil, usageError{fmt.Errorf("--set %s: %w", set, err)}
		}
		text = t
	}
	return text, nil
}

func cutSetting(s string) (key, value string, ok bool) {
	for i := range s {
		if s[i] == '=' {
			return s[:i], s[i+1:], i > 0 && i+1 < len(s)
		}
	}
	return "", "", false
}

// play hands each entry that concerns it to take, until the window ends.
func (c *replayCmd) play(s *streams, w window, entries iter.Seq2[ingest.Entry, error], take func(*ingest.Entry) error) error {
	var bar *progressbar.ProgressBar
	if s.errTerm {
		bar = progressbar.NewOptions(-1, progressbar.OptionSetWriter(s.err), progressbar.OptionSetDescription("replaying"),
			progressbar.OptionShowIts(), progressbar.OptionSetItsString("entries"), progressbar.OptionThrottle(barEvery), progressbar.OptionClearOnFinish())
		defer func() { _ = bar.Finish() }()
	}
	n := 0
	for e, err := range ahead(entries) {
		if err != nil {
			return err
		}
		if c.Only != "" && e.Rig != c.Only {
			continue
		}
		if w.after(e.Received) {
			break
		}
		if err := take(&e); err != nil {
			return err
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
	if n == 0 {
		return errors.New("got no entries, want a recording")
	}
	return nil
}

// player applies entries and writes what they lead to.
type player struct {
	fleet     *watch.Fleet
	change    func([]byte) ([]byte, error)
	whatIf    *whatif.Comparison // for --compare; else nil
	window    window
	json      bool
	journal   *bufio.Writer
	estimates *bufio.Writer
	events    io.Writer
	rig       string // whose estimates are written
	line      []byte
	tally     *tally
}

func (p *player) entry(e *ingest.Entry) error {
	shown := p.window.holds(e.Received)
	out, err := p.apply(e, shown)
	if err != nil || !shown {
		return err
	}
	p.tally.add(e, &out, p.fleet.Rig(e.Rig))
	for i := range out.Events {
		if err := p.event(&out.Events[i]); err != nil {
			return err
		}
	}
	if out.Estimate != nil {
		return p.estimate(e.Rig, out.Estimate)
	}
	return nil
}

func (p *player) apply(e *ingest.Entry, shown bool) (watch.Outcome, error) {
	if p.whatIf != nil {
		return p.whatIf.Apply(e, shown)
	}
	if e.Kind == ingest.EntrySession {
		text, err := p.change([]byte(e.Session.RigFile))
		if err != nil {
			return watch.Outcome{}, err
		}
		changed := *e.Session
		changed.RigFile = string(text)
		e.Session = &changed
	}
	return p.fleet.Apply(e)
}

func (p *player) event(e *alarms.Event) error {
	if p.whatIf == nil && p.events != nil {
		if _, err := fmt.Fprintln(p.events, eventLine(e)); err != nil {
			return err
		}
	}
	if p.journal == nil {
		return nil
	}
	p.line = append(alarms.AppendJSON(p.line[:0], e), '\n')
	_, err := p.journal.Write(p.line)
	return err
}

func (p *player) estimate(rig string, e *detect.Estimate) error {
	if p.estimates == nil {
		return nil
	}
	if p.rig == "" {
		p.rig = rig
		if _, err := p.estimates.WriteString(detect.CSVHeader + "\n"); err != nil {
			return err
		}
	}
	if p.rig != rig {
		return usagef("--estimates: got recordings of %s and %s, want --only with one of them", p.rig, rig)
	}
	p.line = append(detect.AppendCSV(p.line[:0], e), '\n')
	_, err := p.estimates.Write(p.line)
	return err
}

func (p *player) finish(w io.Writer, quiet bool) error {
	switch {
	case p.whatIf != nil && p.json:
		return writeJSON(w, p.whatIf.Result())
	case p.whatIf != nil:
		return writeComparison(w, p.whatIf.Result())
	case quiet:
		return nil
	}
	return p.tally.write(w)
}
