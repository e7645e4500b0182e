package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

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

// A broker that comes back alone still has what a device left with it. That is no
// reading of now: what it says stays unknown until the device itself is heard.
func TestWhatABrokerKeptOfADeadDeviceIsNotThePresent(t *testing.T) {
	port, dir := startMosquitto(t), t.TempDir()
	s := newSender(t, fmt.Sprintf("tcp://127.0.0.1:%d", port))
	kept := fmt.Sprintf(`{"t":%q,"hook_load":66.1,"block_height":65.6,"drum_speed":0,"brake_pressure":1000}`, stamp(0))
	if tok := s.c.Publish("hoist/R1/readings", 1, true, kept); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	address, out, stop := runMonitor(t, siteFile(t, dir, port))
	l := &liveRun{t: t, st: &station{address: address}, dir: filepath.Join(dir, "data")}
	until(t, "the kept message to be refused", func() bool { return strings.Contains(l.get("/healthz"), `"retained"`) })
	until(t, "the quiet", func() bool { return strings.Contains(l.get("/healthz"), `"state":"quiet"`) })
	if body := l.get("/api/rigs/R1"); !strings.Contains(body, `"height_m":null`) || !strings.Contains(body, `"newest_ms":0`) {
		t.Errorf("the kept reading is shown: %s", body)
	}
	s.send("R1", fmt.Sprintf(`{"t":%q,"hook_load":66.1,"block_height":65.6,"drum_speed":0,"brake_pressure":1000}`, stamp(0)))
	until(t, "the device itself", func() bool { return !strings.Contains(l.get("/api/rigs/R1"), `"newest_ms":0`) })
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
}
