package dashboard_test

import (
	"fmt"
	"net"
	"slices"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/gorilla/websocket"
)

// BenchmarkPublish is the cost of one snapshot to the watch loop.
func BenchmarkPublish(b *testing.B) {
	s := dashboard.New(dashboard.Options{})
	snap := overhoist(1, time.Now())
	b.ReportAllocs()
	for b.Loop() {
		s.Publish(snap)
	}
}

// BenchmarkPublishToPage is the time from Publish to the last byte in a page's hands,
// at ten snapshots a second.
func BenchmarkPublishToPage(b *testing.B) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}})
	done := make(chan error, 1)
	go func() { done <- s.Serve(b.Context(), ln) }()
	conn, _, err := websocket.DefaultDialer.Dial(fmt.Sprintf("ws://%s/ws/%s", ln.Addr(), rigName), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	var took []time.Duration
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for seq := uint64(1); b.Loop(); seq++ {
		<-tick.C
		start := time.Now()
		s.Publish(overhoist(seq, start))
		if _, _, err := conn.ReadMessage(); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(start))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
}
