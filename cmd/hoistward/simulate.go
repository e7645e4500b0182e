package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"hoistward/configs"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/fieldcsv"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

type simulateCmd struct {
	Scenario string        `arg:"" optional:"" help:"The scenario, by name or file."`
	List     bool          `help:"List the scenarios that come with the program."`
	Rig      string        `default:"R1" placeholder:"RIG.YAML" help:"The rig file, or the name of an example."`
	Seed     uint64        `default:"1" help:"Same seed, same bytes."`
	For      time.Duration `help:"Stop after this long, in the rig's own time; 0 = when the scenario is over."`
	Out      string        `type:"path" placeholder:"FOLDER" help:"Record into this data folder, as fast as it goes."`
	Start    time.Time     `placeholder:"RFC3339" help:"With --out: time of the first reading, default 2026-01-01T00:00:00Z."`
	Broker   string        `placeholder:"URL" help:"Publish to this broker, such as tcp://127.0.0.1:1883, in real time."`
	Speed    float64       `default:"1" help:"With --broker: so many times as fast as real time."`
	Truth    string        `type:"path" placeholder:"TRUTH.CSV" help:"Write what really happened."`
}

func (c *simulateCmd) Run(s *streams) error {
	if c.List {
		return c.list(s)
	}
	switch {
	case c.Scenario == "":
		return usagef("simulate: got no scenario, want one of simulate --list")
	case (c.Out == "") == (c.Broker == ""):
		return usagef("simulate: got --out %q and --broker %q, want one of the two", c.Out, c.Broker)
	}
	scenario, err := simulator.LoadScenario(c.Scenario)
	if err != nil {
		return usageError{err}
	}
	if scenario.Duration == 0 && c.For == 0 && c.Out != "" {
		return usagef("simulate: the scenario %s has no end, want --for", scenario.Name)
	}
	rig, text, err := configs.LoadRig(c.Rig)
	if err != nil {
		return configError(err)
	}
	text = toldRig(rig, text, scenario)
	run, err := simulator.New(rig, scenario, c.Seed)
	if err != nil {
		return usageError{err}
	}
	var truth *truthFile
	if c.Truth != "" {
		if truth, err = newTruthFile(c.Truth); err != nil {
			return err
		}
	}
	if c.Out != "" {
		err = c.record(s, run, rig.Name, string(text), truth)
	} else {
		err = c.publish(s, run, rig.Name, truth)
	}
	return errors.Join(err, truth.close())
}

// toldRig is the rig file that the monitor is given: the rig's own, or where the
// scenario fits the rig otherwise, that of the fitted rig. A scenario whose story is
// that nobody was told of the lines strung keeps the old number.
func toldRig(rig *hoist.Rig, text []byte, sc *simulator.Scenario) []byte {
	fitted := sc.Fit(rig)
	if sc.Rig.LinesUnknown {
		fitted.Reeving.Lines = rig.Reeving.Lines
	}
	told := configs.Text(fitted)
	if bytes.Equal(told, configs.Text(rig)) {
		return text
	}
	return told
}

func (c *simulateCmd) list(s *streams) error {
	for _, name := range simulator.Scenarios() {
		sc, err := simulator.LoadScenario(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(s.out, "%-26s %s\n", name, sc.Title)
	}
	return nil
}

func (c *simulateCmd) record(s *streams, run *simulator.Run, rig, text string, truth *truthFile) error {
	if !c.Start.IsZero() {
		run.Start(c.Start)
	}
	var channels []string
	for _, ch := range run.Scenario().Channels {
		channels = append(channels, ch.String())
	}
	n, err := intoRecording(s.ctx, c.Out, fieldcsv.Entries(c.samples(s.ctx, run, truth), fieldcsv.EntryOptions{
		Rig:     rig,
		Session: ingest.Session{Software: "hoistward " + version, RigFile: text, Channels: channels},
	}))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%d entries of %s in %s\n", n, rig, c.Out)
	return err
}

// samples plays the run, without the readings that its outages hold back.
func (c *simulateCmd) samples(ctx context.Context, run *simulator.Run, truth *truthFile) iter.Seq2[ingest.Sample, error] {
	return func(yield func(ingest.Sample, error) bool) {
		var sample ingest.Sample
		var t simulator.Truth
		for run.Next(&sample, &t) && (c.For == 0 || run.Elapsed() <= c.For) {
			err := errors.Join(ctx.Err(), truth.Write(&t))
			if run.Outage() && err == nil {
				continue
			}
			if !yield(sample, err) || err != nil {
				return
			}
		}
	}
}

func (c *simulateCmd) publish(s *streams, run *simulator.Run, rig string, truth *truthFile) error {
	if !(c.Speed > 0 && c.Speed <= 100) {
		return usagef("--speed: got %v, want above 0 and up to 100", c.Speed)
	}
	client, err := publish.New(publish.Options{
		Broker: c.Broker, ClientID: "hoistward-simulate-" + rig, Now: monotone(time.Now(), c.Speed), Speed: c.Speed,
	})
	if err != nil {
		return usageError{err}
	}
	if err := client.WaitConnected(s.ctx); err != nil {
		return err
	}
	over := errors.New("the time is over")
	err = client.Play(s.ctx, rig, run, func(_ *ingest.Sample, t *simulator.Truth) error {
		if c.For > 0 && run.Elapsed() > c.For {
			return over
		}
		return truth.Write(t)
	})
	if errors.Is(err, over) || errors.Is(err, context.Canceled) {
		err = nil
	}
	err = errors.Join(err, client.Close(time.Second))
	stats := client.Stats()
	fmt.Fprintf(s.out, "%d readings of %s published, %d dropped\n", stats.Published, rig, stats.Dropped)
	return err
}
