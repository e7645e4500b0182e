package main

import (
	"strings"
	"testing"

	"hoistward/alarms/watch"
	"hoistward/ingest/mqtt"
)

// More than the monitor can take is shed, the oldest first, and said: by a counter and
// in the link's detail. What is newest is taken, and when the flood is over nothing has
// to be done by hand.
func TestFloodShedsTheOldestLoudlyAndRecovers(t *testing.T) {
	l := startLive(t, 2, 1)
	s := newSender(t, l.broker.URL())
	until(t, "the subscription", func() bool { return strings.Contains(l.get("/healthz"), `"subscribed"`) })
	s.send("R1", good(20))
	until(t, "the height", func() bool { return strings.Contains(l.get("/api/rigs/R1"), `"height_m":20`) })

	held, free := make(chan bool), make(chan bool)
	go l.st.loop.Look(t.Context(), "R1", func(*watch.Rig) { held <- true; <-free })
	<-held // the loop stands still
	const beyond = 2000
	old := good(20.5)
	for range mqtt.StandardQueueLen + beyond {
		s.c.Publish("hoist/R2/readings", 0, false, old)
	}
	s.send("R1", good(20.1))
	dropped := func() float64 {
		families, _ := scrape(t, l.st.address)
		n, _ := value(families, "source_dropped_total", "source", "demo-broker")
		return n
	}
	until(t, "the flood to be shed", func() bool { return dropped() >= beyond-10 })
	until(t, "the link's detail", func() bool { return strings.Contains(l.get("/healthz"), mqtt.Behind) })
	close(free)
	until(t, "the newest height", func() bool { return strings.Contains(l.get("/api/rigs/R1"), `"block_height","value":20.1,`) })
	until(t, "an empty queue", func() bool { return strings.Contains(l.get("/healthz"), `"waiting":0`) })
	if n := dropped(); n > beyond+10 {
		t.Errorf("%v messages were shed of %d beyond the queue", n, beyond)
	}
	until(t, "the detail to be gone", func() bool { return !strings.Contains(l.get("/healthz"), mqtt.Behind) })
	s.send("R1", good(20.2))
	until(t, "readings after the flood", func() bool { return strings.Contains(l.get("/api/rigs/R1"), `"block_height","value":20.2,`) })
}
