package broker

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
)

func TestStopsWithinThreeSecondsAndFreesThePort(t *testing.T) {
	b, err := Start(t.Context(), t.TempDir(), zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(b.URL(), "tcp://127.0.0.1:") || strings.HasSuffix(b.URL(), ":0") {
		t.Errorf("address %s, want a port on loopback", b.URL())
	}
	conn, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	began := time.Now()
	if err := b.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("stop took %v, want at most 3 s", took)
	}
	l, err := net.Listen("tcp", b.Addr())
	if err != nil {
		t.Fatalf("port not free after stop: %v", err)
	}
	l.Close()
}

func TestPortInUseIsAnErrorNotAnExit(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	b, err := Start(t.Context(), t.TempDir(), zap.NewNop(), Port(l.Addr().(*net.TCPAddr).Port))
	if err == nil {
		b.Stop(context.Background())
		t.Fatal("started on a port in use")
	}
	if !strings.Contains(err.Error(), "address already in use") {
		t.Errorf("got %q, want it to say that the address is in use", err)
	}
}

func TestTwoBrokersSideBySide(t *testing.T) {
	var urls []string
	for range 2 {
		b, err := Start(t.Context(), t.TempDir(), zap.NewNop())
		if err != nil {
			t.Fatal(err)
		}
		defer b.Stop(context.Background())
		urls = append(urls, b.URL())
	}
	if urls[0] == urls[1] {
		t.Errorf("both at %s", urls[0])
	}
}

func link(t *testing.T, b *Broker, id string) paho.Client {
	c := paho.NewClient(paho.NewClientOptions().AddBroker(b.URL()).SetClientID(id).SetAutoReconnect(false))
	done(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

func done(t *testing.T, k paho.Token) {
	t.Helper()
	if !k.WaitTimeout(10*time.Second) || k.Error() != nil {
		t.Fatalf("not done: %v", k.Error())
	}
}

func size(t *testing.T, dir string) (n int64) {
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		i, err := d.Info()
		n += i.Size()
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestOneRetainedMessageATopicSurvivesARestart(t *testing.T) {
	dir := t.TempDir()
	b, err := Start(t.Context(), dir, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	c := link(t, b, "writer")
	// 9.6 MB of updates; the server clears old ones away 4 MB at a time.
	pad := strings.Repeat(" ", 32<<10)
	for i := range 300 {
		done(t, c.Publish("hoist/A7/alarms", 1, true, fmt.Sprint(i, pad)))
	}
	if n := size(t, dir); n > 5<<20 {
		t.Errorf("the store holds %d bytes for one topic, want the old updates gone", n)
	}
	if err := b.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	b, err = Start(t.Context(), dir, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop(context.Background())
	got := make(chan string, 10)
	c = link(t, b, "reader")
	// The server reads its retained messages back after it takes the first link, so
	// a first subscription can be too early for them.
	for deadline := time.Now().Add(10 * time.Second); len(got) == 0; {
		if time.Now().After(deadline) {
			t.Fatal("no retained message after the restart")
		}
		done(t, c.Subscribe("hoist/+/alarms", 1, func(_ paho.Client, m paho.Message) { got <- strings.TrimSpace(string(m.Payload())) }))
		done(t, c.Publish("hoist/A7/other", 1, false, "")) // a round trip later
	}
	done(t, c.Unsubscribe("hoist/+/alarms"))
	for len(got) > 0 {
		if m := <-got; m != "299" {
			t.Errorf("got %q, want the newest", m)
		}
	}
}

func TestWritesAreSyncedAndNothingButMQTTListens(t *testing.T) {
	var o *server.Options
	b, err := Start(t.Context(), t.TempDir(), zap.NewNop(), func(p *server.Options) { o = p })
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop(context.Background())
	if !o.SyncAlways || !o.NoSigs || !o.DontListen || o.MQTT.Host != "127.0.0.1" || o.HTTPPort != 0 {
		t.Errorf("sync %v, no signals %v, no other listener %v, host %q, monitor port %d", o.SyncAlways, o.NoSigs, o.DontListen, o.MQTT.Host, o.HTTPPort)
	}
}

func TestReaderThatDoesNotKeepUpIsCounted(t *testing.T) {
	b, err := Start(t.Context(), t.TempDir(), zap.NewNop(), func(o *server.Options) {
		o.MaxPayload, o.MaxPending, o.WriteDeadline = 16<<10, 64<<10, 500*time.Millisecond
	})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop(context.Background())
	release := make(chan struct{})
	defer close(release)
	slow, fast, got := link(t, b, "slow"), link(t, b, "fast"), make(chan struct{}, 20000)
	done(t, slow.Subscribe("hoist/+/readings", 0, func(paho.Client, paho.Message) { <-release }))
	done(t, fast.Subscribe("hoist/+/readings", 0, func(paho.Client, paho.Message) { got <- struct{}{} }))
	w, text := link(t, b, "writer"), strings.Repeat("x", 8<<10)
	n := 0
	for deadline := time.Now().Add(20 * time.Second); b.SlowReaders() == 0; n++ {
		if time.Now().After(deadline) || n == cap(got) {
			t.Fatalf("no slow reader counted after %d messages", n)
		}
		done(t, w.Publish("hoist/A7/readings", 1, false, text))
	}
	for i := range n {
		select {
		case <-got:
		case <-time.After(10 * time.Second):
			t.Fatalf("the fast reader got %d of %d", i, n)
		}
	}
}

func TestTroubleOfTheServerReachesTheLog(t *testing.T) {
	core, logs := observer.New(zapcore.WarnLevel)
	b, err := Start(t.Context(), t.TempDir(), zap.New(core))
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop(context.Background())
	if n := logs.Len(); n > 0 {
		t.Errorf("%d lines at a good start: %v", n, logs.All())
	}
	conn, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprint(conn, "GET / HTTP/1.1\r\n\r\n")
	// The server closes the link after it has written the line.
	conn.SetReadDeadline(time.Now().Add(10 * time.Second))
	if _, err := io.ReadAll(conn); err != nil && !errors.Is(err, syscall.ECONNRESET) {
		t.Fatal(err)
	}
	if n := logs.FilterMessageSnippet("MQTT").Len(); n == 0 {
		t.Errorf("no line on a peer that does not speak MQTT: %v", logs.All())
	}
}

// What is queued, QoS 1, for a reader that is away comes exactly once after the broker
// was restarted, and all of it is acknowledged: a second visit brings nothing.
func TestQueuedForAnAbsentReaderOutlivesARestart(t *testing.T) {
	const n = 100
	dir := t.TempDir()
	start := func() *Broker {
		b, err := Start(t.Context(), dir, zap.NewNop())
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	var mu sync.Mutex
	got := map[string]int{}
	visit := func(b *Broker) paho.Client {
		c := paho.NewClient(paho.NewClientOptions().AddBroker(b.URL()).SetClientID("kept").SetCleanSession(false).SetAutoReconnect(false).
			SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
				mu.Lock()
				defer mu.Unlock()
				got[string(m.Payload())]++
			}))
		done(t, c.Connect())
		return c
	}
	count := func() (different, all int) {
		mu.Lock()
		defer mu.Unlock()
		for _, k := range got {
			all += k
		}
		return len(got), all
	}
	b := start()
	c := visit(b)
	done(t, c.Subscribe("hoist/+/readings", 1, nil))
	c.Disconnect(100)
	sender := link(t, b, "sender")
	for i := range n {
		done(t, sender.Publish("hoist/A7/readings", 1, false, fmt.Sprint(i)))
	}
	if err := b.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	b = start()
	defer b.Stop(context.Background())
	c = visit(b)
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(5 * time.Millisecond) {
		if different, _ := count(); different == n {
			break
		}
		if time.Now().After(deadline) {
			different, _ := count()
			t.Fatalf("%d of %d came after the restart", different, n)
		}
	}
	c.Disconnect(500) // acknowledges what came
	c = visit(b)
	defer c.Disconnect(50)
	done(t, link(t, b, "later").Publish("hoist/A7/readings", 1, false, "last"))
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(5 * time.Millisecond) {
		mu.Lock()
		last := got["last"]
		mu.Unlock()
		if last == 1 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("nothing comes on the second visit")
		}
	}
	if different, all := count(); different != n+1 || all != n+1 {
		t.Errorf("%d messages, %d different, want %d and each once", all, different, n+1)
	}
}
