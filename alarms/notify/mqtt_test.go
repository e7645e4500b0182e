package notify

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"hoistward/alarms"
)

func has(all []string, text string) bool {
	return slices.ContainsFunc(all, func(s string) bool { return strings.Contains(s, text) })
}

// Events go by in the journal's order, unretained, as they stand in it with id and
// number behind; the state is there for who comes later.
func TestStateAndEvents(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		x := newBench(t, t.TempDir(), to(b)).start()
		defer x.stop()
		events := read(t, b, "hoist/R1/alarms/events", nil)
		for range 30 {
			x.raise(nil)
		}
		until(t, "30 events", func() bool { return len(events.all()) >= 30 })
		text, err := os.ReadFile(filepath.Join(x.dir, "journal.jsonl"))
		if err != nil {
			t.Fatal(err)
		}
		lines, at := strings.Split(strings.TrimSpace(string(text)), "\n"), int64(0)
		for i, line := range lines {
			at += int64(len(line)) + 1
			got := events.all()[i]
			var tail struct {
				ID  string `json:"id"`
				Seq int64  `json:"seq"`
			}
			if err := json.Unmarshal([]byte(got), &tail); err != nil || tail.Seq != at || !strings.HasPrefix(got, line[:len(line)-1]+`,"id":"`) {
				t.Fatalf("event %d: %v: got %s, want %s with seq %d", i, err, got, line, at)
			}
		}
		late := read(t, b, "hoist/R1/alarms/#", nil)
		until(t, "the newest state", func() bool { return strings.Contains(late.last(), `"number 30"`) })
		var s rigState
		if err := json.Unmarshal([]byte(late.last()), &s); err != nil {
			t.Fatal(err)
		}
		if s.Seq != at || s.Rig != "R1" || s.Site != "northfell" || s.Repeats != 30 || len(s.Standing) != 1 || s.Standing[0].Priority != "high" || !s.Standing[0].Sounds {
			t.Errorf("state %+v, want the alarm as of %d", s, at)
		}
		if has(late.all(), `"event":`) {
			t.Errorf("an event was retained: %v", late.all())
		}
		until(t, "all confirmed", func() bool { return x.status("mqtt-field").Sent == 30 })
		if st := x.status("mqtt-field"); st.Seq != at || st.Behind != 0 || st.State != Delivering {
			t.Errorf("status %+v", st)
		}
	})
}

// What happens while the broker is gone goes out when it is back, in order, and a
// broker that kept nothing has the state again at once.
func TestBrokerRestart(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		x := newBench(t, t.TempDir(), to(b)).start()
		defer x.stop()
		x.raise(nil)
		until(t, "the first", func() bool { return x.status("mqtt-field").Sent == 1 })
		b.stop()
		until(t, "the loss", func() bool { return x.status("mqtt-field").State == Failing })
		for range 20 {
			x.raise(nil)
		}
		b.start()
		events := read(t, b, "hoist/+/alarms/events", nil)
		x.raise(nil)
		states := read(t, b, "hoist/+/alarms", nil)
		here := read(t, b, "hoistward/monitor/northfell", nil)
		until(t, "the last event", func() bool { return has(events.all(), `"number 22"`) })
		until(t, "the newest state", func() bool { return strings.Contains(states.last(), `"number 22"`) })
		until(t, "the presence", func() bool { return strings.Contains(here.last(), `"online":true`) })
		until(t, "all confirmed", func() bool {
			s := x.status("mqtt-field")
			return s.Sent == 22 && s.Behind == 0 && s.State == Delivering
		})
		order := 0
		for _, e := range events.all() {
			var v struct {
				Occurrence int `json:"occurrence"`
			}
			if err := json.Unmarshal([]byte(e), &v); err != nil || v.Occurrence < order {
				t.Errorf("%v: %s after number %d", err, e, order)
			}
			order = v.Occurrence
		}
	})
}

// A monitor that is killed is told of by its will; its state stays, with a time on it
// that stands still. The next one takes both over.
func TestKilledMonitorDoesNotLookAlive(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		dir := t.TempDir()
		child := exec.Command(os.Args[0], "-test.run", "^TestChild$")
		child.Env = append(os.Environ(), "NOTIFY_CHILD="+dir, "NOTIFY_BROKER="+b.url())
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		here := read(t, b, "hoistward/monitor/northfell", nil)
		states := read(t, b, "hoist/R1/alarms", nil)
		until(t, "the state and the presence", func() bool { return states.last() != "" && strings.Contains(here.last(), `"online":true`) })
		_ = child.Process.Kill()
		_ = child.Wait()
		until(t, "the will", func() bool { return strings.Contains(here.last(), `"online":false`) })
		gone := time.Now()
		late := read(t, b, "hoist/R1/alarms", nil)
		until(t, "the retained state", func() bool { return late.last() != "" })
		var s rigState
		if err := json.Unmarshal([]byte(late.last()), &s); err != nil {
			t.Fatal(err)
		}
		at, err := time.Parse(time.RFC3339Nano, s.AsOf)
		if err != nil || at.After(gone) || s.Repeats <= 0 {
			t.Errorf("%v: as of %s, repeated each %g s; killed before %s", err, s.AsOf, s.Repeats, gone)
		}
		x := newBench(t, dir, to(b)).start()
		x.raise(func(e *alarms.Event) { e.Reason = "the next monitor" })
		until(t, "the next monitor's state", func() bool { return strings.Contains(states.last(), "the next monitor") })
		until(t, "its presence", func() bool { return strings.Contains(here.last(), `"online":true`) })
		x.stop()
		until(t, "its leave", func() bool { return strings.Contains(here.last(), `"online":false`) })
	})
}

// BenchmarkRaisingToMQTT measures from an event's journal line to a subscriber's hand,
// for events and states, and beside it what the bare broker takes from a publisher. It
// prints and asserts nothing.
func BenchmarkRaisingToMQTT(b *testing.B) {
	for _, kind := range []struct {
		name string
		make func(testing.TB) *aBroker
	}{{"embedded", embedded}, {"mosquitto", mosquitto}} {
		b.Run(kind.name, func(b *testing.B) {
			br := kind.make(b)
			x := newBench(b, b.TempDir(), to(br)).start()
			defer x.stop()
			got := map[string]chan time.Time{}
			for _, topic := range []string{"hoist/R1/alarms/events", "hoist/R1/alarms", "bare"} {
				c := make(chan time.Time, 4)
				got[topic] = c
				read(b, br, topic, func(paho.Message) { c <- time.Now() })
			}
			bare := read(b, br, "unused", nil)
			took := map[string][]time.Duration{}
			tick := time.NewTicker(50 * time.Millisecond)
			defer tick.Stop()
			for b.Loop() {
				<-tick.C
				start := time.Now()
				x.raise(nil)
				for _, topic := range []string{"hoist/R1/alarms/events", "hoist/R1/alarms"} {
					took[topic] = append(took[topic], (<-got[topic]).Sub(start))
				}
				<-tick.C
				start = time.Now()
				bare.c.Publish("bare", 1, false, strings.Repeat("x", 400))
				took["bare"] = append(took["bare"], (<-got["bare"]).Sub(start))
			}
			for topic, d := range took {
				slices.Sort(d)
				name := strings.ReplaceAll(strings.TrimPrefix(topic, "hoist/R1/"), "/", "-")
				b.ReportMetric(float64(d[len(d)/2].Microseconds())/1000, name+"-p50-ms")
				b.ReportMetric(float64(d[min(len(d)-1, len(d)*99/100)].Microseconds())/1000, name+"-p99-ms")
			}
		})
	}
}
