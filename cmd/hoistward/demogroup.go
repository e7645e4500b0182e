package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"hoistward/configs"
	"hoistward/ingest/jetstream/servers"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

// attached is of a program that another started, and that ends with it.
type attached struct {
	Attached bool `hidden:"" help:"Stop at the end of standard input: with the program that started this one."`
}

// follow ends s with standard input, where that is asked for. What it returns undoes it.
func (a attached) follow(s *streams) func() {
	if !a.Attached {
		return func() {}
	}
	signal.Ignore(os.Interrupt) // a terminal's goes to all; the program that started this one ends it in order
	ctx, cancel := context.WithCancel(s.ctx)
	s.ctx = ctx
	go func() {
		_, _ = io.Copy(io.Discard, s.in)
		cancel()
	}()
	return cancel
}

// demoServers is how many servers keep what the demo's members share.
const demoServers = 3

// demoSizes are of the demo's group: an hour of fifty rigs.
const demoSizes = "  keep: 1 h\n  log_megabytes: 1024\n  journal_megabytes: 64\n"

// runGroup is the demo with several members: servers and monitors are processes, which a
// person may end to see the others take over; the simulated rigs are in this one.
func (c *demoCmd) runGroup(s *streams, scenario *simulator.Scenario, dir string) (err error) {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	nodes, err := servers.Write(dir, demoServers)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	var u undo
	var keepers, members processes
	defer func() { err = errors.Join(err, u.stop(), members.stop(), keepers.stop()) }()
	printer := newPrinter(s, "")
	defer printer.end()
	for i, n := range nodes {
		p, err := startProcess(self, func(line string) { printer.note(line) }, func() {}, "server", "--attached", n.File)
		if err != nil {
			return err
		}
		name := fmt.Sprintf("server %d", i+1)
		keepers = append(keepers, p)
		printer.note(fmt.Sprintf("%s: process %d, %s", name, p.pid(), n.MQTT))
	}
	for _, n := range nodes {
		if err := reach(ctx, n.MQTT); err != nil {
			return err
		}
	}
	site, err := c.startMembers(ctx, self, dir, nodes, scenario, printer, &members)
	if err != nil || ctx.Err() != nil {
		return err
	}
	o := publish.Options{Broker: nodes[0].MQTT, ClientID: "hoistward-demo-rigs", Now: monotone(time.Now(), 1), Window: 10000}
	for _, n := range nodes[1:] {
		o.Others = append(o.Others, n.MQTT)
	}
	rigs, err := c.playBy(ctx, scenario, site, o, dir, printer)
	switch {
	case ctx.Err() != nil:
		return nil
	case err != nil:
		return err
	}
	u.add("rigs", func(stop context.Context) error { cancel(); return rigs.wait(stop) })
	c.wait(ctx, rigs)
	return rigs.failure()
}

// startMembers starts the monitors and waits for their pages. The site that it returns is
// the first one's.
func (c *demoCmd) startMembers(ctx context.Context, self, dir string, nodes []servers.Node, scenario *simulator.Scenario, printer *printer, members *processes) (*configs.Site, error) {
	rigs, err := c.rigFiles(dir, scenario)
	if err != nil {
		return nil, err
	}
	var first *configs.Site
	come := make(chan string, 2*c.Members)
	for i := range c.Members {
		name := fmt.Sprintf("m%d", i+1)
		site, path, err := c.memberSite(dir, name, i == 0, nodes, rigs, scenario)
		if err != nil {
			return nil, err
		}
		if first == nil {
			first = site
		}
		told := ""
		p, err := startProcess(self, func(line string) {
			printer.note(name + ": " + line)
			if told == "" && strings.HasPrefix(line, "hoistward monitor: ") {
				told = line
				come <- ""
			}
		}, func() { come <- name + " has ended" }, "monitor", "--attached", "--proven", "--config", path)
		if err != nil {
			return nil, err
		}
		*members = append(*members, p)
		printer.note(fmt.Sprintf("%s: process %d", name, p.pid()))
	}
	for range c.Members {
		select {
		case ended := <-come:
			if ended != "" {
				return nil, errors.New(ended)
			}
		case <-ctx.Done():
			return nil, nil
		}
	}
	printer.note("hoistward demo: " + first.Sources[0].Name + " " + nodes[0].MQTT)
	return first, nil
}

// memberSite writes the site file of one member. They differ in name and address alone.
func (c *demoCmd) memberSite(dir, name string, first bool, nodes []servers.Node, rigs string, scenario *simulator.Scenario) (*configs.Site, string, error) {
	listen := "127.0.0.1:0"
	if first {
		var err error
		if listen, err = c.listen(); err != nil {
			return nil, "", err
		}
	}
	var urls []string
	for _, n := range nodes {
		urls = append(urls, strconv.Quote(n.URL))
	}
	text := fmt.Sprintf("site: demo\nlisten: %s\ndata: ./%s\ngroup:\n  member: %s\n  servers: [%s]\n", listen, name, name, strings.Join(urls, ", ")) +
		demoSizes + rigs + sourceText(nodes[0].MQTT, scenario)
	path := filepath.Join(dir, "site-"+name+".yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		return nil, "", err
	}
	site, err := configs.LoadSite(path)
	return site, path, err
}

// process is another process of this program.
type process struct {
	cmd  *exec.Cmd
	in   io.Closer
	done chan error
}

// startProcess starts this program with other arguments; take gets its lines, ended
// is called after the last.
func startProcess(self string, take func(line string), ended func(), args ...string) (*process, error) {
	cmd := exec.Command(self, args...)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	c := &process{cmd: cmd, in: in, done: make(chan error, 1)}
	go func() {
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			take(lines.Text())
		}
		c.done <- cmd.Wait()
		ended()
	}()
	return c, nil
}

func (c *process) pid() int { return c.cmd.Process.Pid }

// stop ends the process in order. That somebody has killed it is no failure here: the demo
// is there to be played with.
func (c *process) stop(ctx context.Context) error {
	_ = c.in.Close()
	select {
	case err := <-c.done:
		var exit *exec.ExitError
		if errors.As(err, &exit) && exit.ExitCode() < 0 {
			return nil
		}
		return err
	case <-ctx.Done():
		return errors.Join(ctx.Err(), c.cmd.Process.Kill())
	}
}

// processes are ended together.
type processes []*process

// endTime is how long processes may take to end: a member keeps all its rigs first.
const endTime = 10 * time.Second

func (all processes) stop() (err error) {
	ctx, cancel := context.WithTimeout(context.Background(), endTime)
	defer cancel()
	for _, p := range all {
		_ = p.in.Close()
	}
	for _, p := range all {
		err = errors.Join(err, p.stop(ctx))
	}
	return err
}

// reach waits until something listens at a broker's address.
func reach(ctx context.Context, broker string) error {
	u, err := url.Parse(broker)
	if err != nil {
		return err
	}
	const limit = 30 * time.Second
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	var d net.Dialer
	for {
		conn, err := d.DialContext(ctx, "tcp", u.Host)
		if err == nil {
			return conn.Close()
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s: not reached within %s: %w", broker, limit, err)
		case <-time.After(50 * time.Millisecond):
		}
	}
}
