package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"hoistward/ingest/mqtt/broker"
)

// freePort returns a loopback port that nothing listens on.
func freePort(t testing.TB) int {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().(*net.TCPAddr).Port
}

// startMosquitto runs Debian's broker on a loopback port, with more lines for its
// configuration.
func startMosquitto(t *testing.T, more ...string) int {
	t.Helper()
	exe := needTool(t, "mosquitto", "/usr/sbin/mosquitto")
	port := freePort(t)
	dir := t.TempDir()
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\n", port) + strings.Join(more, "\n")
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
	})
	until(t, "mosquitto to accept connections", func() bool {
		c, err := net.DialTimeout("tcp", fmt.Sprintf("127.0.0.1:%d", port), time.Second)
		if err != nil {
			return false
		}
		return c.Close() == nil
	})
	return port
}

// siteFile writes a site file for a broker's port and returns its path.
func siteFile(t *testing.T, dir string, port int) string {
	t.Helper()
	text := fmt.Sprintf(`site: test
listen: 127.0.0.1:0
data: %s
rigs:
  - file: R1
sources:
  - name: field
    kind: mqtt
    broker: tcp://127.0.0.1:%d
    topic: hoist/{rig}/readings
    quiet_after: 2 s
    channels:
      hook_load: {unit: klbf}
      block_height: {unit: ft}
      drum_speed: {unit: rpm}
      brake_pressure: {unit: psi}
`, filepath.Join(dir, "data"), port)
	path := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// output collects what a command prints; it is safe to read while it runs.
type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// runMonitor starts `hoistward monitor` in this process and returns its page's
// address and a function that stops it and returns the exit code.
func runMonitor(t *testing.T, site string) (address string, out *syncBuffer, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out = &syncBuffer{}
	code := make(chan int, 1)
	go func() {
		code <- run([]string{"monitor", "--config", site}, &streams{ctx: ctx, out: out, err: out})
	}()
	// Alarms are printed too, and may come first.
	said := regexp.MustCompile(`(?m)^hoistward monitor: (http://\S+)$`)
	until(t, "the monitor's address", func() bool { return said.MatchString(out.String()) })
	return said.FindStringSubmatch(out.String())[1], out, func() int { cancel(); return <-code }
}

// A broker and a publisher that are not ours: mosquitto and mosquitto_pub, in the
// units that the site file states.
func TestMonitorOnMosquitto(t *testing.T) {
	pub := needTool(t, "mosquitto_pub")
	port := startMosquitto(t)
	dir := t.TempDir()
	address, out, stop := runMonitor(t, siteFile(t, dir, port))
	l := &liveRun{t: t, st: &station{address: address}, dir: filepath.Join(dir, "data")}
	until(t, "the subscription", func() bool { return strings.Contains(l.get("/healthz"), `"subscribed"`) })

	// The block at 134 ft (40.84 m) rising at 1.2 m/s: beyond the crown limit of 41.0 m.
	feed := exec.Command(pub, "-h", "127.0.0.1", "-p", fmt.Sprint(port), "-q", "1", "-t", "hoist/R1/readings", "-l")
	in, err := feed.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := feed.Start(); err != nil {
		t.Fatal(err)
	}
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for i := range 100 {
		<-tick.C
		h := 30.0 + 0.12*float64(i)
		fmt.Fprintf(in, `{"t":%q,"hook_load":66.1,"block_height":%.3f,"drum_speed":240,"brake_pressure":0}`+"\n", stamp(0), h/0.3048)
		if strings.Contains(out.String(), "overhoist raised") {
			break
		}
	}
	in.Close()
	if err := feed.Wait(); err != nil {
		t.Fatal(err)
	}
	until(t, "the overhoist alarm", func() bool { return strings.Contains(l.journal(), `"alarm":"overhoist","event":"raised"`) })
	if body := l.get("/api/rigs/R1"); !strings.Contains(body, `"hook_load_kN":294.0`) {
		t.Errorf("hook load of 66.1 klbf is not 294.0 kN on the page: %s", body)
	}
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
}

// A broker that is absent at the start is tried until it is there; one that is lost
// is an alarm, and readings flow again when it is back.
func TestBrokerAbsentThenThereThenLost(t *testing.T) {
	port, dir := freePort(t), t.TempDir()
	address, out, stop := runMonitor(t, siteFile(t, dir, port))
	l := &liveRun{t: t, st: &station{address: address}, dir: filepath.Join(dir, "data")}
	if h := l.get("/healthz"); !strings.Contains(h, `"never connected"`) {
		t.Errorf("healthz without a broker: %s", h)
	}
	until(t, "the alarm broker lost", func() bool { return strings.Contains(l.journal(), `"alarm":"broker_lost","event":"raised"`) })

	b := startBroker(t, dir, broker.Port(port))
	reading := `{"t":%q,"hook_load":66.1,"block_height":65.6,"drum_speed":0,"brake_pressure":1000}`
	flowing := func() bool {
		s := newSender(t, b.URL())
		defer s.c.Disconnect(0)
		s.send("R1", fmt.Sprintf(reading, stamp(0)))
		return strings.Contains(l.get("/api/rigs/R1"), `"height_m":19.99`)
	}
	until(t, "readings to flow", flowing)
	until(t, "broker lost to clear", func() bool { return strings.Contains(l.journal(), `"alarm":"broker_lost","event":"cleared"`) })

	if err := b.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	until(t, "broker lost again", func() bool { return strings.Count(l.journal(), `"alarm":"broker_lost","event":"raised"`) == 2 })
	b = startBroker(t, dir, broker.Port(port))
	until(t, "readings to flow again", flowing)
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
	if err := b.Stop(context.Background()); err != nil {
		t.Error(err)
	}
}

// Ctrl-C stops in order within 5 s with exit code 0; a second one ends at once.
func TestInterrupt(t *testing.T) {
	for _, tc := range []struct {
		name    string
		signals int
	}{{"once", 1}, {"twice", 2}} {
		t.Run(tc.name, func(t *testing.T) {
			out := &syncBuffer{}
			cmd := exec.Command(os.Args[0], "demo", "--data", filepath.Join(t.TempDir(), "d"), "--listen", "127.0.0.1:0")
			cmd.Env = append(os.Environ(), asProgram+"=1")
			cmd.Stdout, cmd.Stderr = out, out
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			done := make(chan error, 1)
			go func() { done <- cmd.Wait() }()
			until(t, "the demo's address", func() bool { return strings.Contains(out.String(), "hoistward demo: http://") })
			for range tc.signals {
				_ = cmd.Process.Signal(os.Interrupt)
				if tc.signals > 1 { // two signals at once may be merged into one
					select {
					case <-done:
						return
					case <-time.After(100 * time.Millisecond):
					}
				}
			}
			select {
			case err := <-done:
				if tc.signals == 1 && err != nil {
					t.Errorf("%v: %s", err, out)
				}
			case <-time.After(5 * time.Second):
				_ = cmd.Process.Kill()
				t.Errorf("still running 5 s after Ctrl-C: %s", out)
			}
		})
	}
}
