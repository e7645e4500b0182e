package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/simulator"
)

func TestSheddingIsToldOnceAndItsEnd(t *testing.T) {
	var s shedding
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	state := func(seconds int, parts ...discards) string {
		link := s.look(at.Add(time.Duration(seconds)*time.Second), parts)
		if link == nil {
			return ""
		}
		return link.State + ":" + link.Detail
	}
	for i, c := range []struct {
		second       int
		intake, disk uint64
		known        bool
		want         string
	}{
		{0, 0, 0, false, ""},
		{1, 5, 0, false, "discarding:A"},
		{2, 50, 0, false, ""}, // goes on: nothing new
		{3, 50, 1, false, "discarding:A; B"},
		{12, 50, 1, false, "discarding:B"}, // A's last was at 2
		{13, 50, 1, false, "keeping up:"},
		{14, 50, 9, true, ""},  // the recording has failed: that is another alarm
		{30, 50, 9, false, ""}, // and what it lost is not told afterwards
		{31, 51, 9, false, "discarding:A"},
	} {
		got := state(c.second, discards{part: "A", n: c.intake}, discards{"B", c.disk, c.known})
		if got != c.want {
			t.Fatalf("step %d, second %d: got %q, want %q", i, c.second, got, c.want)
		}
	}
}

// A real flood: more messages through a real broker than the loop takes. The alarm
// comes, names the source, and clears by itself; the readings after it are taken.
func TestAFloodRaisesAnAlarmThatClearsItself(t *testing.T) {
	const speed = 10 // of the station's clock: waiting for the alarm's end is shorter; with more, ticks are too far apart
	l := &liveRun{t: t, dir: t.TempDir()}
	l.broker = startBroker(t, l.dir)
	l.undo.add("broker", l.broker.Stop)
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	cmd := demoCmd{Rigs: 1, Listen: "127.0.0.1:0"}
	if l.site, err = cmd.site(l.dir, l.broker.URL(), sc); err != nil {
		t.Fatal(err)
	}
	held := make(chan struct{})
	var taken atomic.Int64
	l.st = &station{site: l.site, clock: monotone(time.Now(), speed), log: zap.NewNop(), queue: 100}
	l.st.onEvent = func(_ *watch.Rig, o *watch.Outcome) {
		if o.Sample && taken.Add(1) == 1 {
			<-held // a loop that is busy with something else
		}
	}
	if err := l.st.start(&l.undo); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.stop)
	source := &l.st.sources[0]
	until(t, "the subscription", func() bool { return source.feed.Status().Open })

	pub := paho.NewClient(paho.NewClientOptions().AddBroker(l.broker.URL()).SetClientID("flood"))
	if tok := pub.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer pub.Disconnect(100)
	topic := fmt.Sprintf("hoist/%s/readings", l.site.Rigs[0].Rig.Name)
	send := func() {
		pub.Publish(topic, 0, false, fmt.Sprintf(`{"t":%q,"hook_load":300}`, l.st.clock().UTC().Format(time.RFC3339Nano)))
	}
	const flood = 2000
	for range flood {
		send()
	}
	until(t, "messages discarded", func() bool { return source.feed.Stats().Dropped > flood/2 })
	close(held)
	line := func(event string) bool {
		b, err := os.ReadFile(filepath.Join(l.site.Data, journalFile))
		if err != nil {
			t.Fatal(err)
		}
		for s := range strings.SplitSeq(string(b), "\n") {
			if strings.Contains(s, `"alarm":"readings_discarded"`) && strings.Contains(s, `"event":"`+event+`"`) &&
				(event != "raised" || strings.Contains(s, source.name)) {
				return true
			}
		}
		return false
	}
	until(t, "the alarm", func() bool { _ = l.st.journal.Flush(); return line("raised") })
	until(t, "its end", func() bool { _ = l.st.journal.Flush(); return line("cleared") })
	before := taken.Load()
	send()
	until(t, "a reading after the flood", func() bool { return taken.Load() > before })
	if s := l.st.recorder.Status(); s.Dropped > 0 {
		t.Errorf("the recorder discarded %d rows, want none: they were discarded before it", s.Dropped)
	}
}
