package notify

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/zap"

	"hoistward/alarms"
	"hoistward/alarms/journal"
	"hoistward/alarms/watch"
	"hoistward/detect"
	"hoistward/ingest/mqtt"
	"hoistward/ingest/mqtt/broker"
)

// until polls cond until it holds.
func until(t testing.TB, what string, cond func() bool) {
	t.Helper()
	deadline := time.NewTimer(60 * time.Second)
	defer deadline.Stop()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !cond() {
		select {
		case <-deadline.C:
			t.Fatalf("waited 60 s for: %s", what)
		case <-tick.C:
		}
	}
}

// bench is a journal with a notifier that reads it.
type bench struct {
	t       testing.TB
	dir     string
	journal *journal.Writer
	n       *Notifier
	count   int
	told    struct {
		sync.Mutex
		failing bool
		why     string
	}
}

// newBench opens the journal of dir; change says where alarms go.
func newBench(t testing.TB, dir string, change func(*Options)) *bench {
	t.Helper()
	b := &bench{t: t, dir: dir}
	path := filepath.Join(dir, "journal.jsonl")
	w, err := journal.Open(path, "northfell", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	b.journal = w
	o := Options{Site: "northfell", Software: "hoistward test", Journal: path, Length: w.Length, Dir: filepath.Join(dir, "notify"),
		Keep: 72 * time.Hour, Clock: time.Now, Log: zap.NewNop(),
		Failing: func(failing bool, why string) {
			b.told.Lock()
			defer b.told.Unlock()
			b.told.failing, b.told.why = failing, why
		}}
	change(&o)
	if b.n, err = New(o); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *bench) start() *bench {
	for _, d := range b.n.webhooks {
		d.first = 10 * time.Millisecond
	}
	b.n.Start()
	return b
}

func (b *bench) stop() {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	if err := b.n.Close(ctx); err != nil {
		b.t.Error(err)
	}
	if err := b.journal.Close(); err != nil {
		b.t.Error(err)
	}
}

// raise journals one event, as the loop does, and hands it on.
func (b *bench) raise(change func(*alarms.Event)) alarms.Event {
	b.t.Helper()
	b.count++
	e := alarms.Event{Time: time.Now(), Rig: "R1", Alarm: "brake_very_hot", Event: alarms.EventRaised, State: alarms.Unacknowledged,
		Priority: alarms.High, Reason: fmt.Sprint("number ", b.count), Value: 351, Limit: 350, Unit: "degC",
		Occurrence: uint64(b.count), Version: uint64(b.count)}
	if change != nil {
		change(&e)
	}
	if err := b.journal.Append(&e); err != nil {
		b.t.Fatal(err)
	}
	b.n.take(standingOf(&e, b.journal.Length()), []alarms.Event{e})
	return e
}

// standingOf is the state of a rig on which the event's alarm stands alone.
func standingOf(e *alarms.Event, seq int64) *snapshot {
	rule, _ := alarms.Lookup(e.Alarm)
	return &snapshot{rig: e.Rig, asOf: e.Time, seq: seq, standing: []watch.Standing{{
		Rule: &rule, Channel: e.Channel, Reason: e.Reason,
		Alarm: alarms.Alarm{State: e.State, Priority: e.Priority, Occurrence: e.Occurrence, Version: e.Version,
			Since: alarms.At(e.Time), Raised: alarms.At(e.Time)},
		Finding: detect.Finding{Condition: detect.Present, Value: e.Value, Limit: e.Limit, Unit: e.Unit},
	}}}
}

func (b *bench) status(name string) Status {
	for _, s := range b.n.Status() {
		if s.Name == name {
			return s
		}
	}
	b.t.Fatalf("no destination %s", name)
	return Status{}
}

// aBroker is a broker that can be stopped and started again on its port.
type aBroker struct {
	port        int
	start, stop func()
}

func (b *aBroker) url() string { return fmt.Sprintf("tcp://127.0.0.1:%d", b.port) }

func embedded(t testing.TB) *aBroker {
	a := &aBroker{port: -1, stop: func() {}}
	dir := t.TempDir()
	a.start = func() {
		b, err := broker.Start(context.Background(), dir, zap.NewNop(), broker.Port(a.port))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Sscanf(b.URL(), "tcp://127.0.0.1:%d", &a.port)
		a.stop = sync.OnceFunc(func() { _ = b.Stop(context.Background()) })
	}
	a.start()
	t.Cleanup(func() { a.stop() })
	return a
}

// mosquitto is Debian's broker, which keeps nothing over a restart.
func mosquitto(t testing.TB) *aBroker {
	exe := tool(t, "mosquitto")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	a := &aBroker{port: l.Addr().(*net.TCPAddr).Port, stop: func() {}}
	l.Close()
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n", a.port)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	a.start = func() {
		cmd := exec.Command(exe, "-c", conf)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		a.stop = sync.OnceFunc(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
		until(t, "mosquitto listens", func() bool {
			c, err := net.Dial("tcp", strings.TrimPrefix(a.url(), "tcp://"))
			if err == nil {
				c.Close()
			}
			return err == nil
		})
	}
	a.start()
	t.Cleanup(func() { a.stop() })
	return a
}

// tool finds a program of the distribution, and skips the test without it.
func tool(t testing.TB, name string) string {
	t.Helper()
	for _, path := range []string{name, "/usr/sbin/" + name} {
		if p, err := exec.LookPath(path); err == nil {
			return p
		}
	}
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

func brokers(t *testing.T, f func(t *testing.T, b *aBroker)) {
	t.Run("embedded", func(t *testing.T) { f(t, embedded(t)) })
	t.Run("mosquitto", func(t *testing.T) { f(t, mosquitto(t)) })
}

func to(b *aBroker) func(*Options) {
	return func(o *Options) {
		o.MQTT = []MQTT{{Name: "mqtt-field", Link: mqtt.Options{Broker: b.url(), RetryMin: 20 * time.Millisecond, RetryMax: 200 * time.Millisecond}}}
	}
}

// reader is a plain client that keeps what it gets.
type reader struct {
	c  paho.Client
	mu sync.Mutex
	m  []paho.Message
}

func read(t testing.TB, b *aBroker, filter string, each func(paho.Message)) *reader {
	t.Helper()
	r := &reader{c: paho.NewClient(paho.NewClientOptions().AddBroker(b.url()).SetClientID(fmt.Sprint("reader", time.Now().UnixNano())).SetAutoReconnect(false))}
	for _, k := range []func() paho.Token{r.c.Connect, func() paho.Token {
		return r.c.Subscribe(filter, 1, func(_ paho.Client, m paho.Message) {
			r.mu.Lock()
			r.m = append(r.m, m)
			r.mu.Unlock()
			if each != nil {
				each(m)
			}
		})
	}} {
		if k := k(); !k.WaitTimeout(20*time.Second) || k.Error() != nil {
			t.Fatal(k.Error())
		}
	}
	t.Cleanup(func() { r.c.Disconnect(0) })
	return r
}

func (r *reader) all() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []string
	for _, m := range r.m {
		out = append(out, string(m.Payload()))
	}
	return out
}

func (r *reader) last() string {
	if all := r.all(); len(all) > 0 {
		return all[len(all)-1]
	}
	return ""
}
