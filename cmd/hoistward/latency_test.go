package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/gorilla/websocket"
)

// BenchmarkReadingToPage measures, reading by reading at 10 Hz, how long it takes
// from the publisher's hand to the page's socket through the whole monitor, and in
// the same run how long the bare broker takes to a subscriber that only looks. The
// ratio and the difference are ours; the rest is the broker's and the machine's.
func BenchmarkReadingToPage(b *testing.B) {
	l := startLive(b, 1, 1)
	bare := make(chan time.Time, 16)
	sub := newSender(b, l.broker.URL())
	if tok := sub.c.Subscribe("hoist/R1/readings", 1, func(paho.Client, paho.Message) { bare <- time.Now() }); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		b.Fatal(tok.Error())
	}
	until(b, "the subscription", func() bool { return strings.Contains(l.get("/healthz"), `"subscribed"`) })
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(l.st.address, "http")+"/ws/R1", nil)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	pub := paho.NewClient(paho.NewClientOptions().AddBroker(l.broker.URL()).SetClientID("bench-publisher"))
	if tok := pub.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		b.Fatal(tok.Error())
	}
	defer pub.Disconnect(100)

	var toBroker, toPage []time.Duration
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	n := 0
	for b.Loop() {
		n++
		<-tick.C
		mark := fmt.Sprintf("%.4f", 10+float64(n%100000)*1e-4)
		payload := fmt.Sprintf(`{"t":%q,"hook_load":300,"block_height":%s,"drum_speed":0,"drum_counts":4096,"brake_pressure":7}`, stamp(0), mark)
		start := time.Now()
		pub.Publish("hoist/R1/readings", 1, false, payload)
		toPage = append(toPage, readUntil(b, conn, `"block_height","value":`+strings.TrimRight(mark, "0"), start))
		toBroker = append(toBroker, (<-bare).Sub(start))
	}
	reportDelays(b, "broker", toBroker)
	reportDelays(b, "page", toPage)
}

func readUntil(b *testing.B, conn *websocket.Conn, text string, start time.Time) time.Duration {
	b.Helper()
	_ = conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	for {
		_, frame, err := conn.ReadMessage()
		if err != nil {
			b.Fatalf("waiting for %s: %v", text, err)
		}
		if strings.Contains(string(frame), text) {
			return time.Since(start)
		}
	}
}

func reportDelays(b *testing.B, name string, took []time.Duration) {
	slices.Sort(took)
	at := func(q float64) float64 {
		return float64(took[min(len(took)-1, int(q*float64(len(took))))].Microseconds()) / 1000
	}
	b.ReportMetric(at(0.50), name+"-p50-ms")
	b.ReportMetric(at(0.99), name+"-p99-ms")
}
