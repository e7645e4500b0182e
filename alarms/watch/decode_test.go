package watch

import (
	"context"
	"encoding/json"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hoistward/alarms"
	"hoistward/configs"
	"hoistward/ingest"
)

// kept is a recorder and a journal that keep what they get.
type kept struct {
	links   []string
	samples map[string]int
	rejects []string
	journal []string
}

func (k *kept) Add(e ingest.Entry) bool {
	switch e.Kind {
	case ingest.EntryLink:
		k.links = append(k.links, e.Rig+" "+e.Link.Source+" "+e.Link.State)
	case ingest.EntrySample:
		k.samples[e.Rig]++
	}
	return true
}

func (k *kept) AddEvent(string, uint64, time.Time, []byte) bool { return true }

func (k *kept) AddReject(rig string, _ time.Time, source, reason, detail string, _ uint64) bool {
	k.rejects = append(k.rejects, rig+" "+source+" "+reason+": "+detail)
	return true
}

func (k *kept) Append(e *alarms.Event) error {
	k.journal = append(k.journal, string(alarms.AppendJSON(nil, e)))
	return nil
}
func (k *kept) Flush() error { return nil }
func (k *kept) Sync() error  { return nil }

// heights decodes {"t":…} messages of a height, and fails on the payload "boom" as a
// decoder with an index out of range does.
type heights struct{}

func (heights) Decode(m *ingest.Message, out ingest.Sink) {
	s := ingest.Sample{Time: m.Received}
	if string(m.Payload) == "boom" {
		_ = m.Payload[len(m.Payload)+len(s.Values)-10]
	}
	var v float64
	_ = json.Unmarshal(m.Payload, &v)
	s.Set(ingest.BlockHeight, ingest.Number(v))
	out.Sample(m.Rig, &s)
}

func runLoop(t *testing.T, changed func(*Rig, *Outcome), play func(l *Loop, k *kept, send func(source int, rig, payload string))) {
	synctest.Test(t, func(t *testing.T) {
		k := &kept{samples: map[string]int{}}
		o := LoopOptions{
			Open: configs.OpenRig, Clock: time.Now, Tick: 250 * time.Millisecond,
			Sources:  []Source{{"one", heights{}}, {"two", heights{}}},
			Sessions: map[string]ingest.Session{}, Recorder: k, Journal: k, Counters: &ingest.Counters{},
			Changed: changed, Trouble: func(err error) { t.Error(err) },
		}
		for _, rig := range []string{"R1", "R3"} {
			_, text, err := configs.LoadRig(rig)
			if err != nil {
				t.Fatal(err)
			}
			o.Sessions[rig] = ingest.Session{RigFile: string(text), Channels: []string{"block_height"}}
		}
		l, err := NewLoop(o, []string{"R1", "R3"})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go l.Run(ctx)
		for _, name := range []string{"one", "two"} {
			l.Link(ingest.Link{Source: name, State: "subscribed"})
		}
		play(l, k, func(source int, rig, payload string) {
			l.Offer(ctx, Message{Source: source, Message: ingest.Message{Rig: rig, Payload: []byte(payload), Received: time.Now()}})
			synctest.Wait()
		})
		cancel()
		<-l.stopped
	})
}

// A decoder that panics is one source out of service, told with its message; the
// other source and its rig go on as if nothing had been.
func TestADecoderThatPanicsTakesNobodyAlong(t *testing.T) {
	runLoop(t, func(*Rig, *Outcome) {}, func(l *Loop, k *kept, send func(int, string, string)) {
		for range 5 {
			send(0, "R1", "20")
			send(1, "R3", "boom")
			time.Sleep(time.Second)
			synctest.Wait()
		}
		if k.samples["R1"] != 5 || k.samples["R3"] != 0 {
			t.Errorf("got %v samples, want 5 of R1, whose source is well", k.samples)
		}
		if n := l.o.Counters.Total("two", ingest.RejectDecoderFault); n != 5 {
			t.Errorf("got %d decoder faults counted, want 5", n)
		}
		if n := l.o.Counters.Total("one", ingest.RejectDecoderFault); n != 0 {
			t.Errorf("got %d decoder faults of the good source", n)
		}
		if len(k.rejects) != 5 || !strings.Contains(k.rejects[0], "R3 two decoder fault: runtime error: index out of range") ||
			!strings.Contains(k.rejects[0], `on "boom"`) {
			t.Errorf("got the rejects %q, want each with the panic's message and the payload", k.rejects)
		}
		if got, want := count(k.links, "R3 two failing"), 1; got != want {
			t.Errorf("got %d link entries of the failing source, want %d: it is marked once", got, want)
		}
		if !raised(k.journal, "R3") {
			t.Errorf("no alarm of the link in the journal:\n%s", strings.Join(k.journal, "\n"))
		}
		if count(k.links, "R1 one failing")+count(k.links, "R3 one failing") != 0 {
			t.Error("the good source is marked as failing")
		}

		l.Link(ingest.Link{Source: "two", State: "quiet"}) // the way is well, the decoder is not
		synctest.Wait()
		if count(k.links, "R3 two quiet") != 0 {
			t.Error("a link that is well hides that its decoder fails")
		}
		for range 12 {
			send(1, "R3", "10")
			time.Sleep(time.Second)
			synctest.Wait()
		}
		if k.links[len(k.links)-1] != "R3 two quiet" {
			t.Errorf("got %q last, want the source's own state again after %v of good messages", k.links[len(k.links)-1], faultHold)
		}
		if k.samples["R3"] != 12 {
			t.Errorf("got %d samples of R3 after the faults, want 12", k.samples["R3"])
		}
	})
}

// What panics behind the decoder is a fault of the monitor's own judgement and must
// not be hidden as a bad message.
func TestAPanicBehindTheDecoderIsPassedOn(t *testing.T) {
	k := &kept{samples: map[string]int{}}
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	armed := false
	l, err := NewLoop(LoopOptions{
		Open: configs.OpenRig, Clock: time.Now, Tick: time.Second, Sources: []Source{{"one", heights{}}},
		Sessions: map[string]ingest.Session{"R1": {RigFile: string(text)}}, Recorder: k, Journal: k, Counters: &ingest.Counters{},
		Changed: func(*Rig, *Outcome) {
			if armed {
				panic("behind")
			}
		},
	}, []string{"R1"})
	if err != nil {
		t.Fatal(err)
	}
	armed = true
	defer func() {
		if r := recover(); r != "behind" {
			t.Errorf("got %v, want the panic itself", r)
		}
	}()
	l.message(&Message{Message: ingest.Message{Rig: "R1", Payload: []byte("20"), Received: time.Now()}})
}

func count(list []string, want string) (n int) {
	for _, s := range list {
		if s == want {
			n++
		}
	}
	return n
}

func raised(journal []string, rig string) bool {
	for _, line := range journal {
		if strings.Contains(line, `"rig":"`+rig+`"`) && strings.Contains(line, `"event":"raised"`) && strings.Contains(line, "failing") {
			return true
		}
	}
	return false
}
