package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"hoistward/ingest/mqtt/broker"
)

// pairKills is how often a member of the pair is killed in a test: once, or as
// often as the environment says. The hundred:
//
//	HOISTWARD_PAIR_KILLS=100 go test ./cmd/hoistward -run TestAPairUnderKills -timeout 2h
const pairKills = "HOISTWARD_PAIR_KILLS"

// pairMember is one monitor of a pair, a process of its own.
type pairMember struct {
	t       *testing.T
	name    string
	dir     string
	site    string
	cmd     *exec.Cmd
	out     *syncBuffer
	address string
}

// newPairMember writes a member's site file. more is added at its end.
func newPairMember(t *testing.T, name, broker, more string) *pairMember {
	t.Helper()
	m := &pairMember{t: t, name: name, dir: t.TempDir()}
	text := fmt.Sprintf(`site: test
listen: 127.0.0.1:0
data: data
rigs:
  - file: R1
sources:
  - name: field
    kind: mqtt
    broker: %s
    topic: hoist/{rig}/readings
    quiet_after: 3 s
    channels:
      hook_load: {unit: kN}
      block_height: {unit: m}
      drum_speed: {unit: rpm}
      drum_counts: {}
      brake_pressure: {unit: MPa}
pair: {member: %s}
`, broker, name) + more
	m.site = filepath.Join(m.dir, "site.yaml")
	if err := os.WriteFile(filepath.Join(m.dir, "secret"), []byte("an invented secret of this test"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(m.site, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return m
}

// change replaces a text of the site file, which must be there.
func (m *pairMember) change(old, with string) {
	m.t.Helper()
	text := readFile(m.t, m.site)
	if !strings.Contains(text, old) {
		m.t.Fatalf("got no %q in the site file", old)
	}
	if err := os.WriteFile(m.site, []byte(strings.Replace(text, old, with, 1)), 0o644); err != nil {
		m.t.Fatal(err)
	}
}

func (m *pairMember) begin() {
	m.t.Helper()
	m.out = &syncBuffer{}
	m.cmd = exec.Command(os.Args[0], "monitor", "--config", m.site)
	m.cmd.Env = append(os.Environ(), asProgram+"=1")
	m.cmd.Stdout, m.cmd.Stderr = m.out, m.out
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
}

var monitorAddress = regexp.MustCompile(`hoistward monitor: (http://\S+)`)

func (m *pairMember) start() {
	m.t.Helper()
	m.begin()
	m.t.Cleanup(m.kill)
	until(m.t, "member "+m.name, func() bool {
		found := monitorAddress.FindStringSubmatch(m.out.String())
		if found != nil {
			m.address = found[1]
		}
		return found != nil
	})
}

func (m *pairMember) kill() {
	if m.cmd != nil {
		_ = m.cmd.Process.Kill() // SIGKILL
		_ = m.cmd.Wait()
		m.cmd = nil
	}
}

func (m *pairMember) role() string {
	r, err := http.Get(m.address + "/healthz")
	if err != nil {
		return ""
	}
	defer r.Body.Close()
	var h struct{ Pair pairHealth }
	_ = json.NewDecoder(r.Body).Decode(&h)
	return h.Pair.Role
}

func (m *pairMember) journal() string {
	b, _ := os.ReadFile(filepath.Join(m.dir, "data", journalFile))
	return string(b)
}

// audience hears what goes out, on MQTT and at a webhook, as a receiver that drops what
// it had by its id.
type audience struct {
	mu     sync.Mutex
	ids    map[string]bool
	events []outward
	twice  int  // came again under an id that was had
	shut   bool // nothing is taken
}

func (a *audience) refuse(shut bool) {
	a.mu.Lock()
	a.shut = shut
	a.mu.Unlock()
}

type outward struct {
	Time, Alarm, Channel, Event, State, ID, Member, Person string
	came                                                   time.Time
}

func (a *audience) take(text []byte) {
	var e outward
	if json.Unmarshal(text, &e) != nil {
		return
	}
	e.came = time.Now()
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.ids[e.ID] {
		a.twice++
		return
	}
	a.ids[e.ID] = true
	a.events = append(a.events, e)
}

func (a *audience) of(alarm, channel string) (out []outward) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, e := range a.events {
		if e.Alarm == alarm && e.Channel == channel {
			out = append(out, e)
		}
	}
	return out
}

// from counts what a member told.
func (a *audience) from(member, alarm, channel, event string) (n int) {
	for _, e := range a.of(alarm, channel) {
		if e.Member == member && e.Event == event {
			n++
		}
	}
	return n
}

func (a *audience) count(alarm, channel, event string) (n int) {
	for _, e := range a.of(alarm, channel) {
		if e.Event == event {
			n++
		}
	}
	return n
}

func hearOut(t *testing.T, url string) (onMQTT, onWebhook *audience, hook string) {
	t.Helper()
	onMQTT, onWebhook = &audience{ids: map[string]bool{}}, &audience{ids: map[string]bool{}}
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("audience").SetOrderMatters(true))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	tok := c.Subscribe("hoist/+/alarms/events", 1, func(_ paho.Client, m paho.Message) { onMQTT.take(m.Payload()) })
	if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		onWebhook.mu.Lock()
		shut := onWebhook.shut
		onWebhook.mu.Unlock()
		if shut {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		var body struct{ Events []json.RawMessage }
		text, _ := io.ReadAll(r.Body)
		_ = json.Unmarshal(text, &body)
		for _, e := range body.Events {
			onWebhook.take(e)
		}
	}))
	t.Cleanup(server.Close)
	return onMQTT, onWebhook, fmt.Sprintf("notify:\n  webhooks:\n    - {name: shore, url: '%s/alarms', secret_file: secret}\n", server.URL)
}

// hookLoad sends readings at 10 Hz, with the hook load beyond what can be measured while it
// is told so: each time is one alarm.
type hookLoad struct {
	mu  sync.Mutex
	bad bool
}

func startHookLoad(t *testing.T, url string) *hookLoad {
	t.Helper()
	f, s := &hookLoad{}, newSender(t, url)
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-t.Context().Done():
				return
			case <-tick.C:
			}
			f.mu.Lock()
			load := 300.0
			if f.bad {
				load = 90000
			}
			f.mu.Unlock()
			s.c.Publish("hoist/R1/readings", 1, false, fmt.Sprintf(`{"t":%q,"hook_load":%g,"block_height":20,"drum_speed":0,"drum_counts":4096,"brake_pressure":7}`, stamp(0), load))
		}
	}()
	t.Cleanup(func() { <-done })
	return f
}

func (f *hookLoad) set(bad bool) {
	f.mu.Lock()
	f.bad = bad
	f.mu.Unlock()
}

const badLoad, badChannel = "reading_out_of_range", "hook_load"

// cycle makes one alarm come and go, and returns when both were heard on all ways, or
// fails.
func cycle(t *testing.T, f *hookLoad, n int, ways ...*audience) {
	t.Helper()
	f.set(true)
	for i, a := range ways {
		until(t, fmt.Sprintf("alarm %d raised on way %d", n, i), func() bool { return a.count(badLoad, badChannel, "raised") >= n })
	}
	f.set(false)
	for i, a := range ways {
		until(t, fmt.Sprintf("alarm %d cleared on way %d", n, i), func() bool { return a.count(badLoad, badChannel, "cleared") >= n })
	}
}

// alternates fails where an alarm was raised or cleared twice in a row.
func alternates(t *testing.T, name string, events []outward) {
	t.Helper()
	last := "cleared"
	for _, e := range events {
		if e.Event != "raised" && e.Event != "cleared" {
			continue
		}
		if e.Event == last {
			t.Errorf("%s: %s twice in a row: %+v", name, last, events)
			return
		}
		last = e.Event
	}
}

// Either member is killed again and again, at any moment of an alarm's life, with a real
// broker and processes of their own: every alarm goes out once on MQTT and, by its id,
// once to the webhook; and never later than the take-over takes.
func TestAPairUnderKills(t *testing.T) {
	kills := 1
	if text := os.Getenv(pairKills); text != "" {
		var err error
		if kills, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	for _, tc := range []struct {
		name string
		url  func(t *testing.T) string
	}{
		{"mosquitto", func(t *testing.T) string { return fmt.Sprintf("tcp://127.0.0.1:%d", startMosquitto(t)) }},
		{"embedded", func(t *testing.T) string {
			b := startBroker(t, t.TempDir())
			t.Cleanup(func() { _ = b.Stop(t.Context()) })
			return b.URL()
		}},
	} {
		t.Run(tc.name, func(t *testing.T) { killOften(t, tc.url(t), kills) })
	}
}

func killOften(t *testing.T, url string, kills int) {
	onMQTT, onHook, hook := hearOut(t, url)
	f := startHookLoad(t, url)
	members := []*pairMember{newPairMember(t, "a", url, hook), newPairMember(t, "b", url, hook)}
	t.Cleanup(func() {
		if !t.Failed() {
			return
		}
		for _, e := range onMQTT.of(badLoad, badChannel) {
			t.Logf("on MQTT: %s %s of %s, %s", e.Time, e.Event, e.Member, e.ID)
		}
		for _, m := range members {
			t.Logf("member %s:\n%s\n%s", m.name, m.out, m.journal())
		}
	})
	for _, m := range members {
		m.start()
	}
	roles := func() []string { return []string{members[0].role(), members[1].role()} }
	until(t, "one to speak and one to stand by", func() bool { return slices.Equal(roles(), []string{"speaking", "standby"}) })
	cycle(t, f, 1, onMQTT, onHook)
	slowest := time.Duration(0)
	for n := range kills {
		speaks := slices.Index(roles(), "speaking")
		victim := members[rand.N(2)]
		if n%2 == 0 && speaks >= 0 {
			victim = members[speaks] // half of the time the one that speaks for certain
		}
		killed := make(chan time.Time, 1)
		go func() {
			onHook.refuse(n%3 == 0)             // what is told on the broker is not at the webhook when its teller dies
			time.Sleep(rand.N(5 * time.Second)) // a moment in the alarm's life
			victim.kill()
			killed <- time.Now()
			onHook.refuse(false)
		}()
		began := time.Now()
		cycle(t, f, n+2, onMQTT, onHook)
		<-killed
		raised := onMQTT.of(badLoad, badChannel)
		for _, e := range raised[len(raised)-2:] {
			if e.Event == "raised" {
				slowest = max(slowest, e.came.Sub(began))
			}
		}
		victim.start()
		until(t, "the pair to be whole", func() bool {
			now := roles()
			slices.Sort(now)
			return slices.Equal(now, []string{"speaking", "standby"})
		})
	}
	for name, a := range map[string]*audience{"MQTT": onMQTT, "webhook": onHook} {
		alternates(t, name, a.of(badLoad, badChannel))
		for _, event := range []string{"raised", "cleared"} {
			if got := a.count(badLoad, badChannel, event); got != kills+1 {
				t.Errorf("%s: %d times %s, want %d: %+v", name, got, event, kills+1, a.of(badLoad, badChannel))
			}
		}
	}
	t.Logf("%d kills; the latest alarm went out %v after its cause; %d events came to the webhook again under their id, %d on MQTT",
		kills, slowest.Round(time.Millisecond), onHook.twice, onMQTT.twice)
}

// An acknowledgement that is made at one member is in both journals and goes out once;
// it stands when the member at which it was made is killed, and the one that was killed
// before it was made takes it when it is back.
func TestAPairCarriesActs(t *testing.T) {
	url := fmt.Sprintf("tcp://127.0.0.1:%d", startMosquitto(t))
	onMQTT, _, hook := hearOut(t, url)
	f := startHookLoad(t, url)
	a, b := newPairMember(t, "a", url, hook), newPairMember(t, "b", url, hook)
	a.start()
	b.start()
	until(t, "a to speak and b to stand by", func() bool { return a.role() == "speaking" && b.role() == "standby" })
	f.set(true)
	until(t, "the alarm", func() bool { return onMQTT.count(badLoad, badChannel, "raised") == 1 })
	at := &liveRun{t: t, st: &station{address: b.address}, dir: filepath.Join(b.dir, "data")}
	acknowledge := func(l *liveRun) { l.acknowledge(badLoad) }
	acknowledge(at) // at the one that stands by
	acked := func(m *pairMember) bool {
		return strings.Contains(m.journal(), `"alarm":"reading_out_of_range","channel":"hook_load","event":"acknowledged"`)
	}
	until(t, "the act in both journals", func() bool { return acked(a) && acked(b) })
	until(t, "the act to go out", func() bool { return onMQTT.count(badLoad, badChannel, "acknowledged") == 1 })
	a.kill()
	until(t, "b to speak", func() bool { return b.role() == "speaking" })
	if body := at.get("/api/rigs/R1"); !strings.Contains(body, `"acknowledged_by":"A. Tester"`) {
		t.Errorf("the acknowledgement is gone with the other member: %s", body)
	}
	// While a is away the alarm goes, comes again, and is acknowledged at b.
	f.set(false)
	until(t, "the alarm to clear", func() bool { return onMQTT.count(badLoad, badChannel, "cleared") == 1 })
	f.set(true)
	until(t, "the second alarm", func() bool { return onMQTT.count(badLoad, badChannel, "raised") == 2 })
	a.start()
	until(t, "a to stand by", func() bool { return a.role() == "standby" })
	acknowledge(at)
	until(t, "the act at a", func() bool { return strings.Count(a.journal(), `"event":"acknowledged"`) >= 2 })
	until(t, "the second act to go out", func() bool { return onMQTT.count(badLoad, badChannel, "acknowledged") == 2 })
	alternates(t, "MQTT", onMQTT.of(badLoad, badChannel))
}

// A member that may not be of the pair ends with the reason, and the pair goes on.
func TestAPairRefusesWhoDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	b := startBroker(t, dir, broker.Port(freePort(t)))
	t.Cleanup(func() { _ = b.Stop(t.Context()) })
	a := newPairMember(t, "a", b.URL(), "")
	a.start()
	until(t, "a to speak", func() bool { return a.role() == "speaking" })
	twin := newPairMember(t, "a", b.URL(), "")
	other := newPairMember(t, "b", b.URL(), "")
	other.change("file: R1", "file: R3")
	for _, tc := range []struct {
		m    *pairMember
		want string
	}{{twin, `another monitor is the member "a" already`}, {other, "member a has other rig files"}} {
		tc.m.begin()
		err := tc.m.cmd.Wait()
		tc.m.cmd = nil
		if code := exitOf(err); code != exitUsage || !strings.Contains(tc.m.out.String(), tc.want) {
			t.Errorf("exit %d, want %d with %q: %s", code, exitUsage, tc.want, tc.m.out)
		}
	}
	if role := a.role(); role != "speaking" {
		t.Errorf("a is %s after a stranger came", role)
	}
}

func exitOf(err error) int {
	if exit, ok := err.(*exec.ExitError); ok {
		return exit.ExitCode()
	}
	if err != nil {
		return -1
	}
	return 0
}

// acknowledge acknowledges an alarm of R1 as a page would, when it stands.
func (l *liveRun) acknowledge(alarm string) {
	l.t.Helper()
	until(l.t, "an acknowledgement of "+alarm, func() bool {
		time.Sleep(300 * time.Millisecond) // a page may not ask more often
		var page struct {
			Alarms []struct {
				Alarm, Channel      string
				Occurrence, Version uint64
				CanAck              bool `json:"can_ack"`
			}
		}
		if json.Unmarshal([]byte(l.get("/api/rigs/R1")), &page) != nil {
			return false
		}
		for _, a := range page.Alarms {
			if a.Alarm == alarm && a.CanAck {
				code, _ := l.post("/api/rigs/R1/acts", fmt.Sprintf(`{"do":"acknowledge","alarm":%q,"channel":%q,"occurrence":%d,"version":%d,"person":"A. Tester"}`, alarm, a.Channel, a.Occurrence, a.Version))
				return code == http.StatusOK
			}
		}
		return false
	})
}
