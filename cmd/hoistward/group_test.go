package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"

	"hoistward/alarms/group"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
	"hoistward/ingest/jetstream/servers"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

// groupRun is servers and monitors as processes on loopback addresses.
type groupRun struct {
	t       testing.TB
	dir     string
	nodes   []servers.Node
	servers []*proc
	members []*proc
	sites   []string
	site    *configs.Site
	rigs    []string
}

// proc is this test binary as the program.
type proc struct {
	cmd  *exec.Cmd
	out  *syncBuffer
	done chan error
}

func (g *groupRun) start(env []string, args ...string) *proc {
	g.t.Helper()
	p := &proc{cmd: exec.Command(os.Args[0], args...), out: &syncBuffer{}, done: make(chan error, 1)}
	p.cmd.Env = append(append(os.Environ(), asProgram+"=1"), env...)
	p.cmd.Stdout, p.cmd.Stderr = p.out, p.out
	if err := p.cmd.Start(); err != nil {
		g.t.Fatal(err)
	}
	go func() { p.done <- p.cmd.Wait() }()
	g.t.Cleanup(p.kill)
	return p
}

func (p *proc) kill() {
	_ = p.cmd.Process.Kill()
	err := <-p.done
	p.done <- err
}

// ended waits for the process and returns its exit code.
func (p *proc) ended(t testing.TB) int {
	t.Helper()
	select {
	case err := <-p.done:
		p.done <- err
		return p.cmd.ProcessState.ExitCode()
	case <-time.After(30 * time.Second):
		t.Fatalf("the process has not ended; it says\n%s", p.out)
		return 0
	}
}

func startGroup(t testing.TB, rigs, members int) *groupRun {
	t.Helper()
	g := &groupRun{t: t, dir: t.TempDir()}
	var err error
	if g.nodes, err = servers.Write(g.dir, 3); err != nil {
		t.Fatal(err)
	}
	for _, n := range g.nodes {
		g.servers = append(g.servers, g.start(nil, "server", n.File))
	}
	for _, n := range g.nodes {
		if err := reach(t.Context(), n.MQTT); err != nil {
			t.Fatal(err)
		}
	}
	cmd := demoCmd{Rigs: rigs, Listen: "127.0.0.1:0"}
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	list, err := cmd.rigFiles(g.dir, sc)
	if err != nil {
		t.Fatal(err)
	}
	for i := range members {
		site, path, err := cmd.memberSite(g.dir, fmt.Sprintf("m%d", i+1), false, g.nodes, list, sc)
		if err != nil {
			t.Fatal(err)
		}
		g.site, g.sites = site, append(g.sites, path)
		g.members = append(g.members, g.start(nil, "monitor", "--proven", "--config", path))
	}
	g.rigs = rigNames(g.site)
	g.watched("at the start")
	return g
}

var addressForm = regexp.MustCompile(`hoistward monitor: (http://\S+)`)

func (p *proc) address() string {
	if m := addressForm.FindStringSubmatch(p.out.String()); m != nil {
		return m[1]
	}
	return ""
}

func (p *proc) get(path string, into any) bool {
	a := p.address()
	if a == "" {
		return false
	}
	c := http.Client{Timeout: time.Second}
	r, err := c.Get(a + path)
	if err != nil {
		return false
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	return err == nil && json.Unmarshal(text, into) == nil
}

// held returns the partitions that a member says it watches.
func (p *proc) held() []int {
	var h groupHealth
	if !p.get("/healthz", &h) {
		return nil
	}
	return h.Held
}

// watched waits until every partition is watched by exactly one of the members, and
// returns how long that took.
func (g *groupRun) watched(when string, but ...int) time.Duration {
	g.t.Helper()
	begin := time.Now()
	within(g.t, 2*time.Minute, "all rigs are watched once, "+when, func() bool {
		var all []int
		for i, m := range g.members {
			if !slices.Contains(but, i) {
				all = append(all, m.held()...)
			}
		}
		slices.Sort(all)
		return len(all) == jetstream.Partitions && len(slices.Compact(all)) == jetstream.Partitions
	})
	return time.Since(begin)
}

func (g *groupRun) store() (*jetstream.Store, *nats.Conn) {
	g.t.Helper()
	m := &member{site: g.site, wall: time.Now}
	o, err := m.dialOptions()
	if err != nil {
		g.t.Fatal(err)
	}
	nc, err := nats.Connect(strings.Join(g.site.Group.Servers, ","), o[:4]...)
	if err != nil {
		g.t.Fatal(err)
	}
	g.t.Cleanup(nc.Close)
	var s *jetstream.Store
	within(g.t, time.Minute, "the store", func() bool {
		ctx, cancel := context.WithTimeout(g.t.Context(), 3*time.Second)
		defer cancel()
		s, err = jetstream.Open(ctx, nc, jetstream.Options{Replicas: 3, MaxAge: time.Hour, MaxBytes: 1024 << 20, JournalBytes: 64 << 20})
		return err == nil
	})
	return s, nc
}

// field sends simulated readings of all rigs by MQTT and keeps which were answered.
type field struct {
	client paho.Client
	mu     sync.Mutex
	sent   []sentReading
	wait   sync.WaitGroup
	stop   chan struct{}
}

type sentReading struct {
	rig, text string
	tok       paho.Token
}

// play sends the scenario again and again, to all rigs alike, at its pace.
func (g *groupRun) play(scenario string, rate float64) *field {
	g.t.Helper()
	o := paho.NewClientOptions().SetClientID("field").SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).
		SetMaxReconnectInterval(200 * time.Millisecond).SetCleanSession(false).SetKeepAlive(2 * time.Second).SetPingTimeout(time.Second)
	for _, n := range g.nodes {
		o.AddBroker(n.MQTT)
	}
	f := &field{client: paho.NewClient(o), stop: make(chan struct{})}
	if tok := f.client.Connect(); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		g.t.Fatal("MQTT: ", tok.Error())
	}
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		g.t.Fatal(err)
	}
	sc, err := simulator.LoadScenario(scenario)
	if err != nil {
		g.t.Fatal(err)
	}
	sc.Rate = rate
	f.wait.Go(func() {
		for seed := uint64(1); ; seed++ {
			run, err := simulator.New(rig, sc, seed)
			if err != nil {
				g.t.Error(err)
				return
			}
			run.Start(time.Now())
			var sample ingest.Sample
			var truth simulator.Truth
			for run.Next(&sample, &truth) {
				select {
				case <-f.stop:
					return
				case <-time.After(time.Until(sample.Time)):
				}
				text := publish.Append(nil, &sample)
				for _, name := range g.rigs {
					tok := f.client.Publish("hoist/"+name+"/readings", 1, false, text)
					f.mu.Lock()
					f.sent = append(f.sent, sentReading{name, string(text), tok})
					f.mu.Unlock()
				}
			}
		}
	})
	return f
}

// end stops sending and returns the readings that were answered.
func (f *field) end(t testing.TB) (answered []sentReading) {
	t.Helper()
	close(f.stop)
	f.wait.Wait()
	for _, s := range f.sent {
		if s.tok.WaitTimeout(20*time.Second) && s.tok.Error() == nil {
			answered = append(answered, s)
		}
	}
	f.client.Disconnect(250)
	return answered
}

// proof holds what the servers kept: every answered reading is in the log, and each
// partition's journal is, byte for byte, that of one member that watched all along.
func (g *groupRun) proof(answered []sentReading) (lines string) {
	g.t.Helper()
	s, _ := g.store()
	ctx, cancel := context.WithTimeout(g.t.Context(), 2*time.Minute)
	defer cancel()
	settings, err := (&member{site: g.site, proven: true}).settings()
	if err != nil {
		g.t.Fatal(err)
	}
	inLog := map[string]bool{}
	for n := range jetstream.Partitions {
		var got []byte
		if err := s.Lines(ctx, n, func(b []byte) error { got = append(got, b...); return nil }); err != nil {
			g.t.Fatal(err)
		}
		j, err := s.Claim(ctx, n)
		if err != nil {
			g.t.Fatal(err)
		}
		want, err := group.Replay(ctx, s, &settings, n, j.Written())
		if err != nil {
			g.t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			g.t.Errorf("partition %d: the journal has\n%s\nan uninterrupted replay of the log gives\n%s", n, got, want)
		}
		lines += string(got)
		_, last, err := s.State(ctx)
		if err != nil {
			g.t.Fatal(err)
		}
		s.Beat(n) // something to end at
		if err := s.Follow(ctx, n, 0, func(r jetstream.Record, _ int) error {
			if r.Kind == jetstream.Readings {
				inLog[r.Rig+string(r.Payload)] = true
			}
			if r.Seq > last {
				return io.EOF
			}
			return nil
		}); err != io.EOF {
			g.t.Fatal(err)
		}
	}
	lost := 0
	for _, a := range answered {
		if !inLog[a.rig+a.text] {
			lost++
		}
	}
	if lost > 0 || len(answered) == 0 {
		g.t.Errorf("%d of %d answered readings are not in the log", lost, len(answered))
	}
	g.t.Logf("%d readings answered, all in the log; %d lines in the journal", len(answered), strings.Count(lines, "\n"))
	return lines
}

// within is until with a limit of its own.
func within(t testing.TB, limit time.Duration, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !holds(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited %s for: %s", limit, what)
		}
	}
}

// takenOver is far above the 5 s within which rigs are watched again on a machine that has
// nothing else to do: the figure itself is logged.
const takenOver = 30 * time.Second

// Members are killed, paused and started again, and a server is killed, while an
// overhoist goes on: rigs are watched on, no answered reading is lost, and the journal is
// that of a monitor that nothing happened to.
func TestAGroupSurvivesWhatDies(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	g := startGroup(t, 12, 3)
	f := g.play("overhoist", 5)
	within(t, time.Minute, "readings are watched", func() bool { return g.newest(0) > 0 })

	g.members[0].kill()
	if took := g.watched("after a member was killed", 0); took > takenOver {
		t.Errorf("rigs were watched again after %s", took)
	} else {
		t.Logf("a member killed: all rigs watched again after %s", took.Round(10*time.Millisecond))
	}
	g.members[0] = g.start(nil, "monitor", "--proven", "--config", g.sites[0])
	g.watched("after it came back")

	killed := time.Now()
	g.servers[1].kill()
	within(t, time.Minute, "readings come on", func() bool { return g.newest(2) > killed.UnixMilli()+100 })
	g.watched("after a server was killed")
	t.Logf("a server killed: readings come on and all rigs are watched by one member each after %s", time.Since(killed).Round(10*time.Millisecond))
	g.servers[1] = g.start(nil, "server", g.nodes[1].File)

	if err := g.members[1].cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	t.Logf("a member paused: all rigs watched again after %s", g.watched("after a member was paused", 1).Round(10*time.Millisecond))
	if err := g.members[1].cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	g.watched("after it went on")

	s, _ := g.store()
	within(t, 2*time.Minute, "an overhoist is in the journal of a rig", func() bool { return strings.Contains(g.journal(s, g.rigs[0]), `"overhoist","event":"raised"`) })
	g.members[2].kill()
	g.watched("after another was killed", 2)
	answered := f.end(t)
	for _, i := range []int{0, 1} {
		_ = g.members[i].cmd.Process.Signal(syscall.SIGTERM)
		if code := g.members[i].ended(t); code != exitGood {
			t.Errorf("m%d ended with %d:\n%s", i+1, code, g.members[i].out)
		}
	}
	lines := g.proof(answered)
	for _, rig := range g.rigs {
		if !strings.Contains(lines, fmt.Sprintf(`"rig":%q,"alarm":"overhoist","event":"raised"`, rig)) {
			t.Errorf("rig %s has no overhoist in the journal", rig)
		}
	}
}

// newest returns the receipt of the newest reading of the first rig, as a member lists it.
func (g *groupRun) newest(member int) int64 { return g.members[member].newestOf(g.rigs[0]) }

func (g *groupRun) journal(s *jetstream.Store, rig string) string {
	var lines []byte
	ctx, cancel := context.WithTimeout(g.t.Context(), 5*time.Second)
	defer cancel()
	_ = s.Lines(ctx, jetstream.PartitionOf(rig), func(b []byte) error { lines = append(lines, b...); return nil })
	return string(group.LinesOf(rig, lines))
}

// Any member shows every rig and takes acts for it; of two acts on one version of an
// alarm one is refused, whichever members they come by. Members of another version of the
// program and with another rig file are refused in words and change nothing.
func TestAnyMemberShowsAndActs(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	g := startGroup(t, 4, 2)
	f := g.play("overhoist", 5)
	rig := g.rigs[0]
	type shown struct {
		Alarms []struct {
			Alarm      string `json:"alarm"`
			Occurrence uint64 `json:"occurrence"`
			Version    uint64 `json:"version"`
			CanAck     bool   `json:"can_ack"`
		} `json:"alarms"`
	}
	act := func(member int, seen *shown) int {
		a := seen.Alarms[0]
		body := fmt.Sprintf(`{"do":"acknowledge","rig":%q,"alarm":%q,"occurrence":%d,"version":%d,"person":"A. Tester"}`, rig, a.Alarm, a.Occurrence, a.Version)
		r, err := http.Post(g.members[member].address()+"/api/rigs/"+rig+"/acts", "application/json", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		return r.StatusCode
	}
	within(t, 2*time.Minute, "the one who does not watch the rig shows an alarm, and one of two acts on it is taken", func() bool {
		other := 0 // who does not watch it
		if slices.Contains(g.members[0].held(), jetstream.PartitionOf(rig)) {
			other = 1
		}
		var seen shown
		if !g.members[other].get("/api/rigs/"+rig, &seen) || len(seen.Alarms) == 0 || !seen.Alarms[0].CanAck {
			return false
		}
		codes := make(chan int, 2)
		for i := range 2 {
			go func() { codes <- act(i, &seen) }()
		}
		got := []int{<-codes, <-codes}
		slices.Sort(got)
		if got[1] == http.StatusOK {
			t.Fatalf("both acts on one version of %s were taken", seen.Alarms[0].Alarm)
		}
		return got[0] == http.StatusOK && got[1] == http.StatusConflict // else it had changed since it was shown
	})
	s, _ := g.store()
	within(t, time.Minute, "both are in the journal", func() bool {
		lines := g.journal(s, rig)
		return strings.Contains(lines, `"event":"acknowledged"`) && strings.Contains(lines, `"event":"refused"`)
	})

	held := len(g.members[0].held()) + len(g.members[1].held())
	stranger := g.start([]string{asVersion + "=0.0.9-test"}, "monitor", "--proven", "--config", g.sites[0])
	if code := stranger.ended(t); code != exitUsage || !strings.Contains(stranger.out.String(), "software: got hoistward 0.0.9-test") {
		t.Errorf("another version ended with %d: %s", code, stranger.out)
	}
	text, err := os.ReadFile(filepath.Join(g.dir, rig+".yaml"))
	if err != nil {
		t.Fatal(err)
	}
	moved := strings.Replace(string(text), "crown_limit: 41.0 m", "crown_limit: 40.5 m", 1)
	if moved == string(text) {
		t.Fatal("no crown limit to change")
	}
	if err := os.WriteFile(filepath.Join(g.dir, rig+".yaml"), []byte(moved), 0o644); err != nil {
		t.Fatal(err)
	}
	stranger = g.start(nil, "monitor", "--proven", "--config", g.sites[0])
	if code := stranger.ended(t); code != exitUsage || !strings.Contains(stranger.out.String(), "rig file of "+rig) {
		t.Errorf("another rig file ended with %d: %s", code, stranger.out)
	}
	if err := os.WriteFile(filepath.Join(g.dir, rig+".yaml"), text, 0o644); err != nil {
		t.Fatal(err)
	}
	if now := len(g.members[0].held()) + len(g.members[1].held()); now != held {
		t.Errorf("%d partitions held, %d before the strangers", now, held)
	}
	answered := f.end(t)
	for _, m := range g.members {
		_ = m.cmd.Process.Signal(syscall.SIGTERM)
		m.ended(t)
	}
	g.proof(answered)
}
