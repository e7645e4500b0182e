package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/zap"

	"hoistward/alarms/notify"
	"hoistward/alarms/watch"
	"hoistward/configs"
)

// supervisor is systemd's side of NOTIFY_SOCKET: a datagram socket.
type supervisor struct {
	mu   sync.Mutex
	said []string
}

func startSupervisor(t *testing.T) *supervisor {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify.sock")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("NOTIFY_SOCKET", path)
	s, done := &supervisor{}, make(chan struct{})
	go func() {
		defer close(done)
		b := make([]byte, 4096)
		for {
			n, err := c.Read(b)
			if err != nil {
				return
			}
			s.mu.Lock()
			s.said = append(s.said, string(b[:n]))
			s.mu.Unlock()
		}
	}()
	t.Cleanup(func() { c.Close(); <-done })
	return s
}

func (s *supervisor) count(word string) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, said := range s.said {
		for line := range strings.Lines(said) {
			if strings.TrimSpace(line) == word {
				n++
			}
		}
	}
	return n
}

// beats counts the heartbeats that a plain client hears.
type beats struct {
	mu  sync.Mutex
	got []notify.Beat
}

func hearBeats(t *testing.T, url, site string) *beats {
	t.Helper()
	b := &beats{}
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("plc-" + site))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	tok := c.Subscribe("hoistward/monitor/"+site+"/heartbeat", 1, func(_ paho.Client, m paho.Message) {
		var one notify.Beat
		if err := json.Unmarshal(m.Payload(), &one); err != nil || m.Retained() {
			t.Errorf("beat %s, retained %v: %v", m.Payload(), m.Retained(), err)
		}
		b.mu.Lock()
		b.got = append(b.got, one)
		b.mu.Unlock()
	})
	if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	return b
}

func (b *beats) all() []notify.Beat {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]notify.Beat(nil), b.got...)
}

func status(t *testing.T, url string) int {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	return r.StatusCode
}

// A monitor whose rig sends is ready, beats and pings the supervisor. When its loop
// stands, though everything else of it lives, all three end: no timer goes on for it.
// When the loop goes on, they come back.
func TestTheHeartbeatIsTheLoops(t *testing.T) {
	systemd := startSupervisor(t)
	dir := t.TempDir()
	b := startBroker(t, dir)
	site, err := configs.LoadSite(siteFile(t, dir, portOf(t, b.URL())))
	if err != nil {
		t.Fatal(err)
	}
	hold := make(chan chan struct{}, 1)
	st := &station{site: site, clock: monotone(time.Now(), 1), wall: wallClock, log: zap.NewNop()}
	st.onEvent = func(*watch.Rig, *watch.Outcome) {
		select {
		case release := <-hold:
			<-release
		default:
		}
	}
	var u undo
	u.add("broker", b.Stop)
	if err := st.start(&u); err != nil {
		t.Fatal(err)
	}
	stopped := false
	stop := func() {
		if !stopped {
			stopped = true
			if err := u.stop(); err != nil {
				t.Error(err)
			}
		}
	}
	t.Cleanup(stop)
	l := &liveRun{t: t, st: st}
	heard := hearBeats(t, b.URL(), "test")
	if got := status(t, st.address+"/readyz"); got != http.StatusServiceUnavailable {
		t.Errorf("readyz before any reading: %d", got)
	}
	if body := l.get("/readyz"); !strings.Contains(body, `"rig":"R1","watched":false,"missing":[`) || !strings.Contains(body, "no reading has come") {
		t.Errorf("readyz before any reading: %s", body)
	}
	until(t, "ready for the supervisor", func() bool { return systemd.count("READY=1") == 1 })

	s := newSender(t, b.URL())
	go func() {
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-t.Context().Done():
				return
			case <-tick.C:
				s.c.Publish("hoist/R1/readings", 1, false, good(20))
			}
		}
	}()
	until(t, "readyz to say that all is watched", func() bool { return status(t, st.address+"/readyz") == http.StatusOK })
	until(t, "a beat that says so", func() bool {
		all := heard.all()
		return len(all) > 0 && all[len(all)-1].Watched == 1
	})
	if systemd.count("WATCHDOG=1") == 0 {
		t.Error("the supervisor was not pinged")
	}

	release := make(chan struct{})
	hold <- release
	until(t, "readyz to say that the loop stands", func() bool { return strings.Contains(l.get("/readyz"), "the loop has not looked at it for") })
	if got := status(t, st.address+"/healthz"); got != http.StatusOK {
		t.Errorf("healthz while the loop stands: %d, want 200: the program lives", got)
	}
	nBeats, nPings := len(heard.all()), systemd.count("WATCHDOG=1")
	until(t, "five more seconds without a beat", func() bool { return strings.Contains(l.get("/readyz"), "the loop has not looked at it for 7") })
	if more := len(heard.all()) - nBeats; more > 1 { // one was on its way
		t.Errorf("%d beats while the loop stood", more)
	}
	if more := systemd.count("WATCHDOG=1") - nPings; more > 0 {
		t.Errorf("%d pings of the watchdog while the loop stood", more)
	}
	close(release)
	until(t, "beats again", func() bool { return len(heard.all()) > nBeats+2 })
	until(t, "ready again", func() bool { return status(t, st.address+"/readyz") == http.StatusOK })
	all := heard.all()
	for i := 1; i < len(all); i++ {
		if all[i].Count != all[i-1].Count+1 {
			t.Errorf("count %d after %d", all[i].Count, all[i-1].Count)
		}
	}
	if body := l.get("/api/rigs/R1"); !strings.Contains(body, `"sick":[`) {
		t.Errorf("no sick field on the page: %s", body)
	}
	stop()
	if systemd.count("STOPPING=1") != 1 || systemd.count("READY=1") != 1 {
		t.Errorf("the supervisor was told %q", systemd.said)
	}
}

// What is wrong with the monitor stands on the page in words.
func TestThePageSaysThatTheMonitorIsSick(t *testing.T) {
	dir := t.TempDir()
	address, out, stop := runMonitor(t, siteFile(t, dir, freePort(t)))
	l := &liveRun{t: t, st: &station{address: address}, dir: filepath.Join(dir, "data")}
	until(t, "the lost broker among what is wrong", func() bool {
		var page struct{ Sick []string }
		if err := json.Unmarshal([]byte(l.get("/api/rigs/R1")), &page); err != nil {
			return false // nothing has been heard of the rig yet
		}
		return strings.Contains(fmt.Sprint(page.Sick), "Connection lost: field (never connected)")
	})
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
}

func portOf(t *testing.T, url string) (port int) {
	t.Helper()
	_, text, _ := strings.Cut(strings.TrimPrefix(url, "tcp://"), ":")
	if _, err := fmt.Sscan(text, &port); err != nil {
		t.Fatal(url, err)
	}
	return port
}
