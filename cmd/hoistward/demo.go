package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/mqtt/broker"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

type demoCmd struct {
	Scenario string        `default:"tripping" help:"What happens on the rigs (simulate --list names them)."`
	For      time.Duration `help:"Stop after this long, in the rigs' own time; 0 = until Ctrl-C."`
	Rigs     int           `default:"1" help:"Number of rigs, R1 and up."`
	Speed    float64       `default:"1" help:"So many times as fast as real time."`
	Listen   string        `help:"Address of the page, on this machine; default 127.0.0.1:8077, or a free port where that is taken."`
	Data     string        `type:"path" help:"Keep journal, recordings and the simulators' truth here; default a folder that is removed at the end."`
	Seed     uint64        `default:"1" help:"Of the simulation."`
	Members  int           `default:"1" help:"Monitors that share the rigs, each a process of its own, with three servers between them."`
	Rate     float64       `default:"0" help:"Readings a second of each rig; 0 = as the scenario has it."`
}

// demoRig is the example that the demo's rigs are.
const demoRig = "R1"

func (c *demoCmd) Run(s *streams) (err error) {
	scenario, err := c.check()
	if err != nil {
		return err
	}
	dir, remove, err := c.folder()
	if err != nil {
		return err
	}
	defer remove()
	if c.Members > 1 {
		return c.runGroup(s, scenario, dir)
	}
	log, err := newLog(zap.ErrorLevel)
	if err != nil {
		return err
	}
	defer func() { _ = log.Sync() }()
	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	var u undo
	defer func() { err = errors.Join(err, u.stop()) }()

	b, err := broker.Start(ctx, filepath.Join(dir, "broker"), log)
	if err != nil {
		return err
	}
	u.add("broker", b.Stop)
	site, err := c.site(dir, b.URL(), scenario)
	if err != nil {
		return err
	}
	clock := monotone(time.Now(), c.Speed)
	st := &station{site: site, clock: clock, log: log, proven: true}
	printer := newPrinter(s, "")
	st.onEvent = printer.entry
	if err := st.start(&u); err != nil {
		return err
	}
	printer.note("hoistward demo: " + st.address + "/cabin/" + site.Rigs[0].Rig.Name)
	rigs, err := c.play(ctx, scenario, site, b.URL(), clock, dir, printer)
	switch {
	case ctx.Err() != nil: // told to stop before it was under way
		printer.end()
		return nil
	case err != nil:
		return err
	}
	u.add("rigs", func(stop context.Context) error { cancel(); return rigs.wait(stop) })
	c.wait(ctx, rigs)
	printer.end()
	return rigs.failure()
}

// check finds what cannot work before anything is started.
func (c *demoCmd) check() (*simulator.Scenario, error) {
	scenario, err := simulator.LoadScenario(c.Scenario)
	switch {
	case err != nil:
		return nil, usageError{err}
	case c.Rigs < 1 || c.Rigs > 200:
		return nil, usagef("--rigs: got %d, want 1 to 200", c.Rigs)
	case !(c.Speed > 0 && c.Speed <= 100):
		return nil, usagef("--speed: got %v, want above 0 and up to 100", c.Speed)
	case c.Members < 1 || c.Members > 16:
		return nil, usagef("--members: got %d, want 1 to 16", c.Members)
	case c.Members > 1 && c.Speed != 1:
		return nil, usagef("--speed: got %v with --members, want 1: the servers' clocks are real", c.Speed)
	case !(c.Rate >= 0 && c.Rate <= 100):
		return nil, usagef("--rate: got %v, want up to 100 readings a second", c.Rate)
	case c.For < 0:
		return nil, usagef("--for: got %v, want a time that is not negative", c.For)
	}
	if c.Rate > 0 {
		scenario.Rate = c.Rate
	}
	return scenario, nil
}

func (c *demoCmd) folder() (dir string, remove func(), err error) {
	if c.Data != "" {
		return c.Data, func() {}, os.MkdirAll(c.Data, 0o755)
	}
	dir, err = os.MkdirTemp("", "hoistward-demo-")
	return dir, func() { os.RemoveAll(dir) }, err
}

// site writes the demo's site and rig files into its data folder and reads them
// back as any site's.
func (c *demoCmd) site(dir, brokerURL string, scenario *simulator.Scenario) (*configs.Site, error) {
	rigs, err := c.rigFiles(dir, scenario)
	if err != nil {
		return nil, err
	}
	listen, err := c.listen()
	if err != nil {
		return nil, err
	}
	text := fmt.Sprintf("site: demo\nlisten: %s\ndata: .\n", listen) + rigs + sourceText(brokerURL, scenario)
	path := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		return nil, err
	}
	return configs.LoadSite(path)
}

// rigFiles writes the rig files and returns the list of them for a site file.
func (c *demoCmd) rigFiles(dir string, scenario *simulator.Scenario) (string, error) {
	rig, text, err := configs.LoadRig(demoRig)
	if err != nil {
		return "", err
	}
	text = toldRig(rig, text, scenario)
	var y strings.Builder
	y.WriteString("rigs:\n")
	for n := range c.Rigs {
		name := "R" + strconv.Itoa(n+1)
		rig, err := configs.Set(text, "rig", name)
		if err != nil {
			return "", err
		}
		if err := os.WriteFile(filepath.Join(dir, name+".yaml"), rig, 0o644); err != nil {
			return "", err
		}
		fmt.Fprintf(&y, "  - file: ./%s.yaml\n", name)
	}
	return y.String(), nil
}

func sourceText(brokerURL string, scenario *simulator.Scenario) string {
	var y strings.Builder
	fmt.Fprintf(&y, demoSource, brokerURL)
	for _, ch := range scenario.Channels {
		if unit := publish.Unit(ch); unit != "" {
			fmt.Fprintf(&y, "      %s: {unit: %s}\n", ch, unit)
		} else {
			fmt.Fprintf(&y, "      %s: {}\n", ch)
		}
	}
	return y.String()
}

// demoSource is what the simulated rigs send (package publish).
const demoSource = `sources:
  - name: demo-broker
    kind: mqtt
    broker: %s
    topic: hoist/{rig}/readings
    qos: 1
    channels:
`

func (c *demoCmd) listen() (string, error) {
	if c.Listen != "" {
		return c.Listen, nil
	}
	ln, err := net.Listen("tcp", configs.StandardListen)
	if err != nil {
		return "127.0.0.1:0", nil
	}
	return configs.StandardListen, ln.Close()
}

// syncedRigs is how many rigs at 10 Hz may use QoS 1, for which the broker syncs each
// message to disk; more would wait for the disk (about 90 fill it).
const syncedRigs = 20

// players are the simulated rigs at work.
type players struct {
	group  sync.WaitGroup
	all    chan struct{}
	client *publish.Client
	mu     sync.Mutex
	err    error
}

// play starts one simulated rig for each rig of the site.
func (c *demoCmd) play(ctx context.Context, scenario *simulator.Scenario, site *configs.Site, url string, clock func() time.Time, dir string, printer *printer) (*players, error) {
	return c.playBy(ctx, scenario, site, publish.Options{Broker: url, ClientID: "hoistward-demo-rigs", Now: clock, Speed: c.Speed, Window: 1000,
		AtMostOnce: float64(c.Rigs)*c.Speed > syncedRigs}, dir, printer)
}

func (c *demoCmd) playBy(ctx context.Context, scenario *simulator.Scenario, site *configs.Site, o publish.Options, dir string, printer *printer) (*players, error) {
	client, err := publish.New(o)
	if err != nil {
		return nil, err
	}
	p := &players{all: make(chan struct{}), client: client}
	if err := client.WaitConnected(ctx); err != nil {
		return nil, errors.Join(err, client.Close(0))
	}
	for n, r := range site.Rigs {
		run, err := simulator.New(r.Rig, scenario, c.Seed+uint64(n))
		if err != nil {
			return nil, err
		}
		truth, err := newTruthFile(filepath.Join(dir, truthDir, r.Rig.Name+".csv"))
		if err != nil {
			return nil, err
		}
		p.group.Go(func() { p.run(ctx, r.Rig.Name, run, truth, printer) })
	}
	go func() { p.group.Wait(); close(p.all) }()
	return p, nil
}

func (p *players) run(ctx context.Context, rig string, run *simulator.Run, truth *truthFile, printer *printer) {
	err := p.client.Play(ctx, rig, run, func(s *ingest.Sample, t *simulator.Truth) error {
		if t.Event != simulator.NoEvent {
			printer.note(fmt.Sprintf("%s %s simulated  %s at %.2f m/s", s.Time.Format("15:04:05.000Z"), rig, t.Event, t.ImpactSpeed))
		}
		return truth.Write(t)
	})
	if ctx.Err() != nil {
		err = nil // it was told to stop
	}
	err = errors.Join(err, truth.close())
	p.mu.Lock()
	p.err = errors.Join(p.err, err)
	p.mu.Unlock()
}

func (p *players) failure() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

func (p *players) wait(stop context.Context) error {
	if err := waitFor(stop, p.all); err != nil {
		return err
	}
	return p.client.Close(time.Second)
}

// wait returns when the time is over, the program is to stop, or the rigs failed.
func (c *demoCmd) wait(ctx context.Context, p *players) {
	var over <-chan time.Time
	if c.For > 0 {
		t := time.NewTimer(time.Duration(float64(c.For) / c.Speed))
		defer t.Stop()
		over = t.C
	}
	failed := p.all
	for {
		select {
		case <-ctx.Done():
			return
		case <-over:
			return
		case <-failed:
			if p.failure() != nil || c.For == 0 {
				return
			}
			failed = nil // the scenario is over: the monitor sees silence until the time is
		}
	}
}
