package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"hoistward/ingest"
	"hoistward/ingest/record"
	"hoistward/simulator"
)

// realPart is a program beside the monitor, a server of another maker, that can be
// ended, stopped and let go on.
type realPart struct {
	t     testing.TB
	path  string
	args  []string
	port  int
	ready func() bool
	cmd   *exec.Cmd
	out   syncBuffer
}

func (p *realPart) start() {
	p.t.Helper()
	p.cmd = exec.Command(p.path, p.args...)
	p.cmd.Stdout, p.cmd.Stderr = &p.out, &p.out
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	within(p.t, time.Minute, p.path+" answers", p.ready)
}

func (p *realPart) kill() {
	if p.cmd != nil {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
		p.cmd = nil
	}
}

// end stops it as its keeper would.
func (p *realPart) end() {
	p.t.Helper()
	p.signal(os.Interrupt)
	_ = p.cmd.Wait()
	p.cmd = nil
}

func (p *realPart) signal(s os.Signal) {
	p.t.Helper()
	if err := p.cmd.Process.Signal(s); err != nil {
		p.t.Fatal(err)
	}
}

func (p *realPart) freeze() { p.t.Helper(); p.signal(syscall.SIGSTOP) }
func (p *realPart) thaw()   { p.t.Helper(); p.signal(syscall.SIGCONT) }

func (p *realPart) address() string { return fmt.Sprintf("127.0.0.1:%d", p.port) }

// newBroker is Debian's mosquitto, started; lines are added to its configuration.
func newBroker(t testing.TB, lines ...string) *realPart {
	t.Helper()
	p := &realPart{t: t, path: needTool(t, "mosquitto", "/usr/sbin/mosquitto"), port: freePort(t)}
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\n", p.port) + strings.Join(lines, "\n") + "\n"
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	p.args = []string{"-c", conf}
	p.ready = func() bool { return answers(p.address()) }
	p.start()
	t.Cleanup(p.kill)
	return p
}

func (p *realPart) mqtt() string { return "tcp://" + p.address() }

func answers(address string) bool {
	c, err := net.DialTimeout("tcp", address, time.Second)
	return err == nil && c.Close() == nil
}

// newVictoria is VictoriaMetrics, started, which keeps line protocol.
func newVictoria(t testing.TB) *realPart {
	t.Helper()
	cache, err := exec.Command("go", "env", "GOCACHE").Output()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(filepath.Dir(strings.TrimSpace(string(cache))), "hoistward-servers", "victoria-metrics")
	p := &realPart{t: t, path: needTool(t, path), port: freePort(t)}
	p.args = []string{"-storageDataPath=" + t.TempDir(), "-httpListenAddr=" + p.address(), "-retentionPeriod=100y",
		"-dedup.minScrapeInterval=1ms", "-memory.allowedBytes=100MB", "-loggerLevel=ERROR"}
	p.ready = func() bool {
		r, err := http.Get("http://" + p.address() + "/health")
		return err == nil && r.Body.Close() == nil && r.StatusCode == http.StatusOK
	}
	p.start()
	t.Cleanup(p.kill)
	return p
}

// rigSite writes a site of so many rigs into dir and returns its path. broker is the
// address that its source asks, data where it keeps; more stands at its end.
func rigSite(t testing.TB, dir string, rigs int, broker, data, more string) string {
	t.Helper()
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	list, err := (&demoCmd{Rigs: rigs}).rigFiles(dir, sc)
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf(`site: test
listen: 127.0.0.1:0
data: %s
sources:
  - name: field
    kind: mqtt
    broker: %s
    topic: hoist/{rig}/readings
    quiet_after: 2 s
    channels:
      hook_load: {unit: kN}
      block_height: {unit: m}
      drum_speed: {unit: rpm}
      brake_pressure: {unit: MPa}
`, data, broker) + list + more
	path := filepath.Join(dir, "site-"+filepath.Base(data)+".yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// deviceReading is one reading that a rig sent; Got tells that the broker confirmed it.
type deviceReading struct {
	rig string
	at  time.Time // its stamp
	got bool
}

// rigsThatSend is devices of their own at a broker: each sends a reading with each tick,
// and one that the broker did not confirm is not sent again, as of a device without a
// store.
type rigsThatSend struct {
	t       testing.TB
	url     string
	rigs    []string
	every   time.Duration
	stop    chan struct{}
	done    chan struct{}
	mu      sync.Mutex
	sent    []deviceReading
	flood   map[string]int // readings with each tick, of rigs that send too many
	stepped time.Duration  // of the devices' clocks
	qos     byte
}

func startRigs(t testing.TB, url string, every time.Duration, rigs ...string) *rigsThatSend {
	t.Helper()
	r := &rigsThatSend{t: t, url: url, rigs: rigs, every: every, stop: make(chan struct{}), done: make(chan struct{}), flood: map[string]int{}, qos: 1}
	go r.run()
	t.Cleanup(r.end)
	return r
}

func (r *rigsThatSend) end() {
	r.mu.Lock()
	select {
	case <-r.stop:
	default:
		close(r.stop)
	}
	r.mu.Unlock()
	<-r.done
}

func (r *rigsThatSend) run() {
	defer close(r.done)
	tick := time.NewTicker(r.every)
	defer tick.Stop()
	var c paho.Client
	for {
		select {
		case <-r.stop:
			if c != nil {
				c.Disconnect(100)
			}
			return
		case <-tick.C:
		}
		if c == nil || !c.IsConnectionOpen() {
			c = paho.NewClient(paho.NewClientOptions().AddBroker(r.url).SetClientID(fmt.Sprintf("device-%d", time.Now().UnixNano())).
				SetAutoReconnect(false).SetConnectTimeout(2 * time.Second).SetWriteTimeout(2 * time.Second))
			if tok := c.Connect(); !tok.WaitTimeout(3*time.Second) || tok.Error() != nil {
				c.Disconnect(0)
				c = nil
				continue
			}
		}
		if !r.round(c) {
			c.Disconnect(0)
			c = nil
		}
	}
}

// round sends a reading of each rig and waits until the broker has them.
func (r *rigsThatSend) round(c paho.Client) bool {
	r.mu.Lock()
	step, many := r.stepped, map[string]int{}
	for rig, n := range r.flood {
		many[rig] = n
	}
	r.mu.Unlock()
	var some []deviceReading
	var tokens []paho.Token
	for _, rig := range r.rigs {
		for range max(1, many[rig]) {
			at := time.Now().UTC().Add(step).Round(0)
			payload := fmt.Sprintf(`{"t":%q,"hook_load":300,"block_height":20,"drum_speed":0,"brake_pressure":7}`, at.Format(time.RFC3339Nano))
			tokens = append(tokens, c.Publish("hoist/"+rig+"/readings", r.qos, false, payload))
			some = append(some, deviceReading{rig: rig, at: at})
		}
	}
	good, end := true, time.Now().Add(2*time.Second)
	for i, tok := range tokens {
		some[i].got = tok.WaitTimeout(max(time.Until(end), time.Millisecond)) && tok.Error() == nil
		good = good && some[i].got
	}
	r.mu.Lock()
	r.sent = append(r.sent, some...)
	r.mu.Unlock()
	return good
}

func (r *rigsThatSend) set(change func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change()
}

// confirmed returns what the broker has confirmed.
func (r *rigsThatSend) confirmed() (out []deviceReading) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.sent {
		if s.got {
			out = append(out, s)
		}
	}
	return out
}

// recorded counts the readings of a data folder by rig and stamp.
func recorded(t testing.TB, data string) map[deviceReading]int {
	t.Helper()
	all := map[deviceReading]int{}
	for e, err := range record.Read(filepath.Join(data, recordingsDir)) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Kind == ingest.EntrySample {
			all[deviceReading{rig: e.Rig, at: e.Sample.Time.UTC(), got: true}]++
		}
	}
	return all
}

// span is a time in which something may be lost.
type span struct{ from, to time.Time }

func (s span) holds(at time.Time) bool { return !at.Before(s.from) && !at.After(s.to) }

// account compares what was confirmed with what is recorded: how many are missing within
// the spans, how many outside of them, and how many are there twice.
func account(sent []deviceReading, all map[deviceReading]int, spans ...span) (within, outside, twice int) {
next:
	for _, s := range sent {
		n := all[s]
		if n > 1 {
			twice++
		}
		if n > 0 {
			continue
		}
		for _, sp := range spans {
			if sp.holds(s.at) {
				within++
				continue next
			}
		}
		outside++
	}
	return within, outside, twice
}

func askProbe(path string) (p probed, err error) {
	c, err := net.DialTimeout("unix", path, 10*time.Second)
	if err != nil {
		return p, err
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(30 * time.Second))
	return p, json.NewDecoder(c).Decode(&p)
}

// handles counts the open files of a process.
func handles(pid int) int {
	all, _ := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	return len(all)
}

// residentKB is the memory of a process.
func residentKB(pid int) (kb int) {
	text, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if _, rest, ok := bytes.Cut(text, []byte("VmRSS:")); ok {
		_, _ = fmt.Sscan(string(rest), &kb)
	}
	return kb
}

// sizes adds up the files of a folder: all, and write-ahead logs.
func sizes(dir string) (all, wal int64) {
	_ = filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err == nil && !info.IsDir() {
			all += info.Size()
			if strings.HasSuffix(path, "-wal") {
				wal += info.Size()
			}
		}
		return nil
	})
	return all, wal
}

// smallDisk mounts a file system in memory of so many bytes and returns its folder and
// how to take it away. Where the machine does not permit it the test is skipped.
func smallDisk(t testing.TB, bytes int64, options string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, cmp.Or(options, fmt.Sprintf("size=%d", bytes))); err != nil {
		t.Skipf("a disk of its own cannot be mounted here, so this fault is not provoked: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_FORCE); err != nil {
			_ = syscall.Unmount(dir, mntDetach)
		}
	})
	return dir
}

const mntDetach = 2 // MNT_DETACH of mount(2)

// fill takes all room of a disk but a little, and returns how to give it back.
func fill(t testing.TB, dir string) (free func()) {
	t.Helper()
	path := filepath.Join(dir, "ballast")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 4096)
	for {
		if _, err := f.Write(b); err != nil {
			break
		}
	}
	f.Close()
	return func() {
		if err := os.Remove(path); err != nil {
			t.Error(err)
		}
	}
}
