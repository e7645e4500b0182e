package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/zap"

	"hoistward/ingest/mqtt/broker"
)

// Each process of a measurement has a processor time of its own; the publisher is this
// one.

// countOnly is the least that a program can do with a flow of messages by the same
// client library: its callback counts. It prints how many came, ten times a second.
func countOnly(s *streams, url string) error {
	var n atomic.Int64
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("hoistward-bench-counter"))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		return fmt.Errorf("counter: %w", tok.Error())
	}
	defer c.Disconnect(100)
	if tok := c.Subscribe("hoist/+/readings", 0, func(paho.Client, paho.Message) { n.Add(1) }); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		return fmt.Errorf("counter: %w", tok.Error())
	}
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		fmt.Fprintln(s.out, "counted", n.Load())
		select {
		case <-s.ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// brokerOnly is the embedded broker alone.
func brokerOnly(s *streams, dir string) error {
	b, err := broker.Start(s.ctx, dir, zap.NewNop())
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out, "broker", b.URL())
	<-s.ctx.Done()
	return b.Stop(context.Background())
}

// beside is a process that was started beside this one.
type beside struct {
	cmd  *exec.Cmd
	done chan struct{}
	mu   sync.Mutex
	text bytes.Buffer
}

func (p *beside) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.Write(b)
}

func (p *beside) output() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.String()
}

func startBeside(name string, args ...string) (*beside, error) {
	p := &beside{cmd: exec.Command(name, args...), done: make(chan struct{})}
	p.cmd.Stdout, p.cmd.Stderr = p, p
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	go func() { defer close(p.done); _ = p.cmd.Wait() }()
	return p, nil
}

// end asks it to stop, and after five seconds makes it.
func (p *beside) end() {
	if p == nil {
		return
	}
	_ = p.cmd.Process.Signal(os.Interrupt)
	select {
	case <-p.done:
	case <-time.After(5 * time.Second):
		_ = p.cmd.Process.Kill()
		<-p.done
	}
}

// tick is the unit of proc(5)'s processor times on Linux, whatever its clock runs at.
const procTick = 10 * time.Millisecond

// processorTime returns what it has used so far: user and system (proc(5), stat, fields
// 14 and 15); NaN where the system does not say.
func (p *beside) processorTime() float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.cmd.Process.Pid))
	if err != nil {
		return math.NaN()
	}
	f := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
	if len(f) < 13 {
		return math.NaN()
	}
	user, err := strconv.Atoi(f[11])
	system, err2 := strconv.Atoi(f[12])
	if err != nil || err2 != nil {
		return math.NaN()
	}
	return (time.Duration(user+system) * procTick).Seconds()
}

// resident returns the resident set, KiB (proc(5), status, VmRSS); NaN where the system
// does not say.
func (p *beside) resident() float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		return math.NaN()
	}
	_, rest, _ := strings.Cut(string(text), "VmRSS:")
	f := strings.Fields(rest)
	if len(f) == 0 {
		return math.NaN()
	}
	kib, err := strconv.ParseFloat(f[0], 64)
	if err != nil {
		return math.NaN()
	}
	return kib
}

// after returns what follows word in the newest line that begins with it, "" where
// there is none.
func (p *beside) after(word string) string {
	lines := strings.Split(p.output(), "\n")
	for i := len(lines) - 2; i >= 0; i-- { // the last one may be half written
		if rest, ok := strings.CutPrefix(lines[i], word); ok {
			return strings.TrimSpace(rest)
		}
	}
	return ""
}

func (p *beside) counted() float64 {
	n, err := strconv.ParseFloat(p.after("counted "), 64)
	if err != nil {
		return math.NaN()
	}
	return n
}

var errNotInTime = errors.New("not within 30 s")

// await polls until holds, half a minute at most.
func (b *bench) await(what string, p *beside, holds func() bool) error {
	deadline := time.Now().Add(30 * time.Second)
	for !holds() {
		select {
		case <-p.done:
			return fmt.Errorf("%s: the process ended: %s", what, strings.TrimSpace(p.output()))
		case <-b.s.ctx.Done():
			return b.s.ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("%s: %w: %s", what, errNotInTime, strings.TrimSpace(p.output()))
		}
	}
	return nil
}

// startBroker starts mosquitto where there is one, else the embedded broker, in a
// process of its own.
func (b *bench) startBroker() (*beside, error) {
	dir, err := b.folder("broker")
	if err != nil {
		return nil, err
	}
	if exe := findMosquitto(); exe != "" {
		b.report.Broker = "mosquitto"
		return b.startMosquitto(exe, dir)
	}
	b.report.Broker = "embedded"
	p, err := startBeside(b.self, "bench", "--role", "broker", "--at", dir)
	if err != nil {
		return nil, err
	}
	if err := b.await("the broker", p, func() bool { return p.after("broker ") != "" }); err != nil {
		p.end()
		return nil, err
	}
	b.url = p.after("broker ")
	return p, nil
}

func findMosquitto() string {
	for _, name := range []string{"mosquitto", "/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"} {
		if exe, err := exec.LookPath(name); err == nil {
			return exe
		}
	}
	return ""
}

func (b *bench) startMosquitto(exe, dir string) (*beside, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	address := ln.Addr().String()
	_, port, _ := net.SplitHostPort(address)
	if err := ln.Close(); err != nil {
		return nil, err
	}
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nset_tcp_nodelay true\n", port)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		return nil, err
	}
	p, err := startBeside(exe, "-c", conf)
	if err != nil {
		return nil, err
	}
	b.url = "tcp://" + address
	err = b.await("mosquitto", p, func() bool {
		c, err := net.Dial("tcp", address)
		return err == nil && c.Close() == nil
	})
	if err != nil {
		p.end()
		return nil, err
	}
	return p, nil
}
