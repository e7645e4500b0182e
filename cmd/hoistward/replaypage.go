package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/dashboard/replay"
	"hoistward/dashboard/report"
	"hoistward/ingest/record"
)

// replayDesk plays the recordings of a library for pages. truth opens what a simulator
// wrote beside them; nil = there is none.
func replayDesk(library *replay.Library, truth func(rig string) (io.ReadCloser, error)) *replay.Desk {
	return replay.New(replay.Options{Library: library, Open: openRig, Set: setAll, Report: incidentPage, Truth: truth,
		Keys: func(text []byte) any { return configs.Keys(text) }})
}

// truthBeside opens the truth that a demo keeps in its data folder.
func truthBeside(data string) func(rig string) (io.ReadCloser, error) {
	return func(rig string) (io.ReadCloser, error) {
		f, err := os.Open(filepath.Join(data, truthDir, rig+".csv"))
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil
		}
		return f, err
	}
}

// truthDir is where a demo keeps what really happened, in its data folder.
const truthDir = "truth"

// incidentPage is the report incident of a page.
func incidentPage(ctx context.Context, r replay.ReportOf) ([]byte, []string, error) {
	changes, sweep, err := reportChanges(r.Set, r.Alarm)
	if err != nil {
		return nil, nil, err
	}
	c := reportOptions{Files: r.Files, Rig: r.Rig}
	o := report.Options{At: r.At, From: r.At.Add(-r.Before), To: r.At.Add(r.After), Changes: changes, Sweep: sweep}
	made, err := c.make(&streams{ctx: ctx, out: io.Discard, err: io.Discard}, o, time.UTC)
	if err != nil {
		return nil, nil, err
	}
	var b bytes.Buffer
	if err := report.WriteHTML(&b, made, time.UTC); err != nil {
		return nil, nil, err
	}
	return b.Bytes(), made.Problems, nil
}

// show serves the replay page of the files until the program is to stop.
func (c *replayCmd) show(s *streams) (err error) {
	if c.Compare || c.Journal != "" || c.Estimates != "" || len(c.Set) > 0 || c.JSON {
		return usagef("--show: got it with --set, --compare, --journal, --estimates or --json, want it alone: the page asks for what it needs")
	}
	files, remove, err := c.shown(s)
	if err != nil {
		return err
	}
	defer remove()
	log, err := newLog(zap.ErrorLevel)
	if err != nil {
		return err
	}
	defer func() { _ = log.Sync() }()
	var truth func(string) (io.ReadCloser, error)
	if c.Truth != "" {
		truth = func(string) (io.ReadCloser, error) { return os.Open(c.Truth) }
	}
	ln, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("page: %w", err)
	}
	desk := replayDesk(replay.NewLibrary("", files...), truth)
	page := dashboard.New(dashboard.Options{Log: log, Version: version, Replay: desk.Handler()})
	if _, err := fmt.Fprintf(s.out, "hoistward replay: http://%s/replay\n", ln.Addr()); err != nil {
		return errors.Join(err, ln.Close())
	}
	err = page.Serve(s.ctx, ln)
	stop, cancel := context.WithTimeout(context.Background(), stopLimit)
	defer cancel()
	return errors.Join(err, desk.Close(stop))
}

// shown returns the recordings to show; a field CSV is made into one first.
func (c *replayCmd) shown(s *streams) (files []string, remove func(), err error) {
	if len(c.Files) == 1 && isField(c.Files[0]) {
		return c.shownField(s)
	}
	files, err = filesOf(c.Files)
	return files, func() {}, err
}

func (c *replayCmd) shownField(s *streams) (files []string, remove func(), err error) {
	entries, done, err := c.entries(s)
	if err != nil {
		return nil, nil, err
	}
	defer done()
	dir, err := os.MkdirTemp("", "hoistward-replay-")
	if err != nil {
		return nil, nil, err
	}
	remove = func() { os.RemoveAll(dir) }
	if _, err = intoRecording(s.ctx, dir, entries); err == nil {
		files, err = filesOf([]string{dir})
	}
	if err != nil {
		remove()
	}
	return files, remove, err
}

// filesOf returns the recordings that paths lead to.
func filesOf(paths []string) ([]string, error) { return record.Files(recordingPaths(paths)...) }
