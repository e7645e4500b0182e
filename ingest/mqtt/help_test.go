package mqtt

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

	"hoistward/ingest/mqtt/broker"
)

// within polls cond until it holds.
func within(t testing.TB, limit time.Duration, what string, cond func() bool) {
	t.Helper()
	deadline := time.NewTimer(limit)
	defer deadline.Stop()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for !cond() {
		select {
		case <-deadline.C:
			t.Fatalf("not within %v: %s", limit, what)
		case <-tick.C:
		}
	}
}

// aBroker is a broker that can be stopped and started again on its port.
type aBroker struct {
	name  string
	port  int
	stop  func()
	start func()
}

func (b *aBroker) url() string { return fmt.Sprintf("tcp://127.0.0.1:%d", b.port) }

func embedded(t testing.TB) *aBroker {
	dir := t.TempDir()
	a := &aBroker{name: "embedded", port: -1, stop: func() {}}
	a.start = func() {
		b, err := broker.Start(context.Background(), dir, zap.NewNop(), broker.Port(a.port))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Sscanf(b.URL(), "tcp://127.0.0.1:%d", &a.port)
		a.stop = sync.OnceFunc(func() {
			if err := b.Stop(context.Background()); err != nil {
				t.Error(err)
			}
		})
	}
	a.start()
	t.Cleanup(func() { a.stop() })
	return a
}

// tool finds a program of the distribution, and skips the test without it.
func tool(t testing.TB, name string) string {
	for _, dir := range append(filepath.SplitList(os.Getenv("PATH")), "/usr/sbin") {
		if p, err := exec.LookPath(filepath.Join(dir, name)); err == nil {
			return p
		}
	}
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

func freePort(t testing.TB) int {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// mosquitto runs Debian's broker with the given lines added to its configuration.
func mosquitto(t testing.TB, lines ...string) *aBroker {
	path, dir := tool(t, "mosquitto"), t.TempDir()
	a := &aBroker{name: "mosquitto", port: freePort(t), stop: func() {}}
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nset_tcp_nodelay true\n", a.port)
	if !strings.Contains(strings.Join(lines, "\n"), "allow_anonymous") {
		text += "allow_anonymous true\n"
	}
	if err := os.WriteFile(conf, []byte(text+strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	a.start = func() {
		cmd := exec.Command(path, "-c", conf)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		a.stop = sync.OnceFunc(func() {
			cmd.Process.Kill()
			cmd.Wait()
		})
		within(t, 10*time.Second, "mosquitto listens", func() bool {
			c, err := net.Dial("tcp", a.url()[len("tcp://"):])
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

// brokers runs f against each broker.
func brokers(t *testing.T, f func(t *testing.T, b *aBroker)) {
	t.Run("embedded", func(t *testing.T) { f(t, embedded(t)) })
	t.Run("mosquitto", func(t *testing.T) { f(t, mosquitto(t)) })
}

// watched is a client with the record of its states.
type watched struct {
	*Client
	mu  sync.Mutex
	all []Status
}

func open(t testing.TB, url string, change func(*Options)) *watched {
	w := &watched{}
	o := Options{
		Name: "test", Broker: url, Topics: Topics("hoist/{rig}/readings"), QoS: 1,
		RetryMin: 20 * time.Millisecond, RetryMax: 200 * time.Millisecond,
		OnStatus: func(s Status) {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.all = append(w.all, s)
		},
	}
	if change != nil {
		change(&o)
	}
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	w.Client = c
	t.Cleanup(func() { w.end(t) })
	c.Start()
	return w
}

func (w *watched) end(t testing.TB) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := w.Close(ctx); err != nil {
		t.Error(err)
	}
}

func (w *watched) states() []Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]Status(nil), w.all...)
}

func (w *watched) count(s State) (n int) {
	for _, st := range w.states() {
		if st.State == s {
			n++
		}
	}
	return n
}

func (w *watched) reaches(t testing.TB, s State) {
	t.Helper()
	within(t, 10*time.Second, fmt.Sprintf("state %v; now %v", s, w.Status()), func() bool { return w.Status().State == s })
}

// take returns the next message.
func (w *watched) take(t testing.TB) Message {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	m, err := w.Next(ctx)
	if err != nil {
		t.Fatalf("no message: %v; %v", err, w.Status())
	}
	return m
}

// sender is a plain paho client, as a device would be.
func sender(t testing.TB, url string) func(topic string, qos byte, retained bool, payload string) {
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("sender" + fmt.Sprint(time.Now().UnixNano())).SetAutoReconnect(false))
	done := func(k paho.Token) {
		t.Helper()
		if !k.WaitTimeout(5*time.Second) || k.Error() != nil {
			t.Fatalf("sender: %v", k.Error())
		}
	}
	done(c.Connect())
	t.Cleanup(func() { c.Disconnect(50) })
	return func(topic string, qos byte, retained bool, payload string) {
		t.Helper()
		done(c.Publish(topic, qos, retained, payload))
	}
}

func pub(t testing.TB, b *aBroker, topic, payload string) {
	t.Helper()
	cmd := exec.Command(tool(t, "mosquitto_pub"), "-h", "127.0.0.1", "-p", fmt.Sprint(b.port), "-q", "1", "-t", topic, "-m", payload)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}
