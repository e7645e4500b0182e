package publish

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/simulator"
)

// broker starts a real MQTT broker in process and returns its URL.
func broker(t *testing.T) string {
	t.Helper()
	o := &server.Options{
		ServerName: "publish-test", Host: "127.0.0.1", Port: -1, NoLog: true, NoSigs: true,
		JetStream: true, StoreDir: t.TempDir(),
		MQTT: server.MQTTOpts{Host: "127.0.0.1", Port: -1},
	}
	s, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("broker not ready in 10 s")
	}
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	return fmt.Sprintf("tcp://127.0.0.1:%d", o.MQTT.Port) // the server writes the port it got here
}

// fast is a clock that runs speed times as fast as the wall.
func fast(speed float64) func() time.Time {
	wall := time.Now()
	zero := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	return func() time.Time { return zero.Add(time.Duration(float64(time.Since(wall)) * speed)) }
}

func play(t *testing.T, name string, seconds int) *simulator.Run {
	t.Helper()
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	s, err := simulator.LoadScenario(name)
	if err != nil {
		t.Fatal(err)
	}
	s.Duration = time.Duration(seconds) * time.Second
	run, err := simulator.New(rig, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	return run
}

// subscriber gathers what arrives on a topic.
func subscriber(t *testing.T, url, topic string) (got func() []string) {
	t.Helper()
	var mu sync.Mutex
	var all []string
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("listener"))
	if k := c.Connect(); !k.WaitTimeout(5*time.Second) || k.Error() != nil {
		t.Fatalf("subscriber: %v", k.Error())
	}
	k := c.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		all = append(all, m.Topic()+" "+string(m.Payload()))
	})
	if !k.WaitTimeout(5*time.Second) || k.Error() != nil {
		t.Fatalf("subscribe: %v", k.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), all...)
	}
}

func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(15 * time.Second)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("not within 15 s: %s", what)
		}
		<-tick.C
	}
}

func TestEverySampleArrivesInOrderAndOnTime(t *testing.T) {
	url := broker(t)
	got := subscriber(t, url, "hoist/+/readings")
	c, err := New(Options{Broker: url, ClientID: "sim-1", Now: fast(20), Speed: 20})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	if err := c.WaitConnected(ctx); err != nil {
		t.Fatal(err)
	}
	wall := time.Now()
	if err := c.Play(ctx, "R1", play(t, "trip-out", 20), nil); err != nil {
		t.Fatal(err)
	}
	// 20 s at 20 times: 1 s of wall clock. Faster would mean that nothing paces it.
	if took := time.Since(wall); took < 950*time.Millisecond {
		t.Errorf("20 s at 20 times took %v, want about 1 s", took)
	}
	if err := c.Close(5 * time.Second); err != nil {
		t.Fatal(err)
	}
	until(t, "200 messages", func() bool { return len(got()) >= 200 })
	var last time.Time
	for i, m := range got() {
		topic, payload, _ := strings.Cut(m, " ")
		if topic != "hoist/R1/readings" {
			t.Fatalf("message %d on %s", i, topic)
		}
		var x struct {
			T    time.Time `json:"t"`
			Hook *float64  `json:"hook_load"`
			H    *float64  `json:"block_height"`
		}
		if err := json.Unmarshal([]byte(payload), &x); err != nil {
			t.Fatalf("message %d: %v: %s", i, err, payload)
		}
		if !x.T.After(last) {
			t.Fatalf("message %d: time %v after %v", i, x.T, last)
		}
		last = x.T
		// 30 t of block alone hangs at 294 kN; with 140 t of pipe near 1667 kN.
		if x.Hook == nil || *x.Hook < 200 || *x.Hook > 2500 || x.H == nil || *x.H < 1 || *x.H > 41 {
			t.Fatalf("message %d: %s", i, payload)
		}
	}
	if s := c.Stats(); s.Published != 200 || s.Acknowledged != 200 || s.Dropped != 0 {
		t.Errorf("stats %+v, want 200 published and acknowledged", s)
	}
}

func TestCancelStopsInOrder(t *testing.T) {
	url := broker(t)
	c, err := New(Options{Broker: url, ClientID: "sim-2"})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.WaitConnected(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	err = c.Play(ctx, "R1", play(t, "trip-out", 0), func(*ingest.Sample, *simulator.Truth) error {
		if n++; n == 3 {
			cancel()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want context.Canceled", err)
	}
	if n != 3 {
		t.Errorf("%d samples, want none after the cancel at 3", n)
	}
	if err := c.Close(5 * time.Second); err != nil {
		t.Error(err)
	}
	if s := c.Stats(); s.Acknowledged != s.Published {
		t.Errorf("closed with %+v", s)
	}
	until(t, "no goroutine of client or player left", func() bool {
		buf := make([]byte, 1<<20)
		all := string(buf[:runtime.Stack(buf, true)])
		return !strings.Contains(all, "paho.mqtt.golang.") && !strings.Contains(all, "publish.(*Client)")
	})
}

func TestNoBrokerDropsAndCounts(t *testing.T) {
	c, err := New(Options{Broker: "tcp://127.0.0.1:1", ClientID: "sim-3", Now: fast(200), Speed: 200})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Play(t.Context(), "R1", play(t, "trip-out", 10), nil); err != nil {
		t.Fatal(err)
	}
	if s := c.Stats(); s.Dropped != 100 || s.Published != 0 {
		t.Errorf("got %+v, want 100 dropped", s)
	}
	if err := c.Close(time.Second); err != nil {
		t.Error(err)
	}
}

func TestBadOptionsSayWhere(t *testing.T) {
	for _, o := range []Options{{Broker: "nowhere", ClientID: "x"}, {Broker: "tcp://127.0.0.1:1883"}, {Broker: "tcp://127.0.0.1:1883", ClientID: "x", Window: -1}} {
		if c, err := New(o); err == nil {
			c.Close(0)
			t.Errorf("%+v: no error", o)
		} else if !strings.Contains(err.Error(), "want") {
			t.Errorf("%v says not what is wanted", err)
		}
	}
	c, err := New(Options{Broker: "tcp://127.0.0.1:1", ClientID: "sim-4"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(0)
	for _, rig := range []string{"", "a b", "a/b", "+"} {
		if err := c.Play(t.Context(), rig, play(t, "trip-out", 1), nil); err == nil {
			t.Errorf("rig %q was taken", rig)
		}
	}
}

func TestAppendWritesTheOwnForm(t *testing.T) {
	var s ingest.Sample
	s.Time = time.Date(2026, 11, 24, 12, 0, 0, 100e6, time.UTC)
	s.Set(ingest.HookLoad, ingest.Number(1471.0e3))
	s.Set(ingest.DrumSpeed, ingest.Number(10.471975511965978)) // 100 rpm
	s.Set(ingest.BrakePressure, ingest.BadValue(ingest.Null))
	s.Set(ingest.BrakeTemperature, ingest.Number(293.15))
	want := `{"t":"2026-11-24T12:00:00.100Z","hook_load":1471.00,"drum_speed":100.000,"brake_pressure":null,"brake_temperature":20.00}`
	if got := string(Append(nil, &s)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func ExampleAppend() {
	var s ingest.Sample
	s.Time = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	s.Set(ingest.BlockHeight, ingest.Number(12.5))
	s.Set(ingest.DrumCounts, ingest.Number(204800))
	fmt.Println(string(Append(nil, &s)))
	// Output: {"t":"2026-11-24T12:00:00.000Z","block_height":12.5000,"drum_counts":204800}
}
