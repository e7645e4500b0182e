package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/schollz/progressbar/v3"

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/simulator"
	"hoistward/simulator/trial"
)

type trialCmd struct {
	Count   int    `required:"" help:"Cases to draw and play."`
	Seed    uint64 `required:"" help:"Same seed and count, same scores."`
	JSON    bool   `name:"json" help:"Write the scores as one JSON object."`
	Out     string `type:"path" placeholder:"FOLDER" help:"A folder for every case with a failure: its recording, which replay opens, what was so, and what was wrong."`
	Only    string `placeholder:"KIND" help:"Play the cases of one kind only: stop, contact, stands, fade, auxiliary, sensor or heat. The others are left out, so that each case stays what it is without this."`
	Workers int    `help:"Cases played at the same time; 0 = one a processor."`
}

func (c *trialCmd) Run(s *streams) error {
	switch {
	case c.Count < 1:
		return usagef("--count: got %d, want at least 1", c.Count)
	case c.Workers < 0:
		return usagef("--workers: got %d, want at least 1, or 0 for one a processor", c.Workers)
	}
	if c.Out != "" { // found out before an hour of work, not after it
		if err := os.MkdirAll(c.Out, 0o755); err != nil {
			return usageError{fmt.Errorf("--out: %w", err)}
		}
	}
	options := trial.Options{Seed: c.Seed, Count: c.Count, Workers: c.Workers, Open: openRig, Set: configs.Set}
	for _, name := range configs.Names() {
		_, text, err := configs.LoadRig(name)
		if err != nil {
			return err
		}
		options.Rigs = append(options.Rigs, trial.Example{Name: name, Text: text})
	}
	if c.Only != "" {
		kind, ok := trial.ParseKind(c.Only)
		if !ok {
			return usagef("--only: got %q, want stop, contact, stands, fade, auxiliary, sensor or heat", c.Only)
		}
		options.Only = func(k trial.Kind) bool { return k == kind }
	}
	report, err := c.play(s, options)
	if err != nil {
		return err
	}
	if err := c.failures(s, options, report.Failures); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(&report.Scores)
	}
	if err := report.Scores.WriteTable(s.out); err != nil {
		return err
	}
	return trial.WriteFailures(s.out, report.Failures, failuresShown)
}

// failuresShown is how many failures of a row are shown; --out has them all.
const failuresShown = 3

func (c *trialCmd) play(s *streams, options trial.Options) (*trial.Report, error) {
	if s.errTerm {
		bar := progressbar.NewOptions(c.Count, progressbar.OptionSetWriter(s.err), progressbar.OptionSetDescription("trial"),
			progressbar.OptionShowCount(), progressbar.OptionShowIts(), progressbar.OptionSetItsString("cases"),
			progressbar.OptionThrottle(barEvery), progressbar.OptionClearOnFinish())
		defer func() { _ = bar.Finish() }()
		var mu sync.Mutex
		options.Progress = func() {
			mu.Lock()
			defer mu.Unlock()
			_ = bar.Add(1)
		}
	}
	return trial.Run(s.ctx, options)
}

// failures writes a folder for each case in which something was not good enough.
func (c *trialCmd) failures(s *streams, options trial.Options, all []trial.Failure) error {
	if c.Out == "" {
		return nil
	}
	folders := 0
	for len(all) > 0 {
		n := slices.IndexFunc(all, func(f trial.Failure) bool { return f.Case != all[0].Case })
		if n < 0 {
			n = len(all)
		}
		if err := c.failure(s, options, all[:n]); err != nil {
			return err
		}
		all = all[n:]
		folders++
	}
	if !c.JSON {
		fmt.Fprintf(s.out, "%d cases with a failure in %s\n", folders, c.Out)
	}
	return nil
}

func (c *trialCmd) failure(s *streams, options trial.Options, of []trial.Failure) (err error) {
	dir := filepath.Join(c.Out, fmt.Sprintf("%d-%06d-%v", c.Seed, of[0].Case, of[0].Kind))
	if _, err := os.Stat(dir); err == nil {
		return usagef("--out: %s is there already, want a folder without it", dir)
	}
	truth, err := newTruthFile(filepath.Join(dir, "truth.csv"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, truth.close()) }()
	entries := trial.Entries(options, of[0].Case, func(x *simulator.Truth) error { return errors.Join(s.ctx.Err(), truth.Write(x)) })
	named := func(yield func(ingest.Entry, error) bool) {
		for e, err := range entries {
			if e.Session != nil {
				e.Session.Software = "hoistward " + version
			}
			if !yield(e, err) {
				return
			}
		}
	}
	if _, err := intoRecording(s.ctx, dir, named); err != nil {
		return err
	}
	var text strings.Builder
	for _, f := range of {
		fmt.Fprintln(&text, f)
	}
	return os.WriteFile(filepath.Join(dir, "failure.txt"), []byte(text.String()), 0o644)
}
