package sparkplug

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"hoistward/ingest"
	"hoistward/ingest/sparkplug/spb"
)

// world is an edge node, the network and the host, with what the node has said.
type world struct {
	t        *rapid.T
	h        *Host
	now      time.Time
	aliases  []uint64 // of the metrics, shuffled at each birth
	seq      uint64
	bdSeq    uint64
	said     map[ingest.Channel]map[int64]float64 // SI value by time, ms
	late     []message                            // on their way
	good     int
	requests []time.Time
}

type message struct {
	topic string
	bytes []byte
}

// The metrics, each with numbers that no other has: 300 kN and more, 10 to 100 m,
// 1 to 9 bar.
var worldMetrics = []struct {
	name    string
	channel ingest.Channel
	least   int
	most    int
	si      float64
}{
	{"Hoist/Hook Load", ingest.HookLoad, 300, 900, 1e3},
	{"Hoist/Block", ingest.BlockHeight, 10, 70, 1},
	{"Brake/Pressure", ingest.BrakePressure, 1, 9, 1e5},
}

func (w *world) Sample(_ string, s *ingest.Sample) {
	for c := range ingest.NumChannels {
		v := s.Values[c]
		if v.Quality == ingest.Bad {
			continue
		}
		if x, ok := w.said[c][s.Time.UnixMilli()]; !ok || x != v.V {
			w.t.Fatalf("%s is %v at %v, but the node said %v", c, v.V, s.Time, w.said[c])
		}
		if v.Quality == ingest.Good {
			w.good++
		}
	}
}

func (w *world) Reject(string, ingest.Reject, string) {}

func (w *world) step(d time.Duration) { w.now = w.now.Add(d) }

func (w *world) metrics(pick func(i int) bool, make func(i int) *spb.Metric) []*spb.Metric {
	var all []*spb.Metric
	for i, k := range worldMetrics {
		if !pick(i) {
			continue
		}
		x := rapid.IntRange(k.least, k.most).Draw(w.t, k.name)
		m := double(make(i), float64(x))
		m.Timestamp = ms(w.now)
		w.said[k.channel][w.now.UnixMilli()] = float64(x) * k.si
		all = append(all, m)
	}
	return all
}

func (w *world) message(verb string, list []*spb.Metric) message {
	p := &spb.Payload{Timestamp: ms(w.now), Metrics: list}
	if verb != "NDEATH" {
		p.Seq = proto.Uint64(w.seq % 256)
		w.seq++
	}
	b, err := proto.Marshal(p)
	if err != nil {
		w.t.Fatal(err)
	}
	return message{"spBv1.0/north/" + verb + "/R1", b}
}

func (w *world) birth() message {
	w.step(50 * time.Millisecond)
	w.seq = 0
	w.aliases = rapid.Permutation([]uint64{0, 1, 2, 3, 4}).Draw(w.t, "aliases")
	list := w.metrics(func(int) bool { return true }, func(i int) *spb.Metric {
		return aliased(named(worldMetrics[i].name, Double), w.aliases[i])
	})
	return w.message("NBIRTH", append(list, long(named("bdSeq", UInt64), w.bdSeq)))
}

func (w *world) data() message {
	w.step(50 * time.Millisecond)
	byName := rapid.Bool().Draw(w.t, "by name")
	return w.message("NDATA", w.metrics(func(i int) bool { return rapid.Bool().Draw(w.t, "changed") }, func(i int) *spb.Metric {
		if byName {
			return plain(worldMetrics[i].name)
		}
		return byAlias(w.aliases[i])
	}))
}

func (w *world) deliver(m message) {
	w.h.Decode(&ingest.Message{Topic: m.topic, Payload: m.bytes, Received: w.now}, w)
	w.collect()
}

func (w *world) collect() {
	for {
		select {
		case <-w.h.Outbox():
			w.requests = append(w.requests, w.now)
			continue
		default:
		}
		return
	}
}

// Whatever the network does to the messages of a node, a number that comes out is
// the one that the node gave to that channel at that time; requests for births keep
// their pause; and after a birth that arrives all is well again.
//
// Not in it: a death and a birth that are both lost on a link that held, where the
// new session's number is also one of the few that are just to come. Nothing in the
// protocol tells that from going on.
func TestWhateverTheNetworkDoesNoNumberIsOfAnotherChannel(t *testing.T) {
	mapping := fieldMapping(t)
	rapid.Check(t, func(t *rapid.T) {
		h, err := New(Options{Group: "north", Node: RigLevel, Reorder: 500 * time.Millisecond, Mapping: mapping})
		if err != nil {
			t.Fatal(err)
		}
		w := &world{t: t, h: h, now: noon, said: map[ingest.Channel]map[int64]float64{}, bdSeq: rapid.Uint64Range(0, 255).Draw(t, "bdSeq")}
		for _, k := range worldMetrics {
			w.said[k.channel] = map[int64]float64{}
		}
		first := w.birth()
		if rapid.Bool().Draw(t, "host is there first") {
			w.deliver(first)
		}
		t.Repeat(map[string]func(*rapid.T){
			"data":  func(*rapid.T) { w.deliver(w.data()) },
			"twice": func(*rapid.T) { m := w.data(); w.deliver(m); w.deliver(m) },
			"lost":  func(*rapid.T) { w.data() },
			"late": func(t *rapid.T) {
				if len(w.late) < 8 {
					w.late = append(w.late, w.data())
				}
			},
			"arrives": func(t *rapid.T) {
				if len(w.late) > 0 {
					i := rapid.IntRange(0, len(w.late)-1).Draw(t, "which")
					m := w.late[i]
					w.late = append(w.late[:i], w.late[i+1:]...)
					w.deliver(m)
				}
			},
			"rebirth": func(*rapid.T) { w.deliver(w.birth()) },
			"new session": func(t *rapid.T) {
				death := w.message("NDEATH", []*spb.Metric{long(named("bdSeq", UInt64), w.bdSeq)})
				w.bdSeq = (w.bdSeq + 1) % 256
				if rapid.Bool().Draw(t, "will first") {
					w.deliver(death)
					w.deliver(w.birth())
					return
				}
				w.deliver(w.birth())
				before := w.h.Nodes()[0].State
				w.deliver(death)
				if s := w.h.Nodes()[0].State; s != before {
					t.Fatalf("the will of the session before makes the node %s", s)
				}
			},
			"session unseen": func(t *rapid.T) {
				if n := w.h.nodes[nodeKey{"north", "R1"}]; n != nil && n.state == Born && uint8(1-n.next) > maxGap && uint8(1-n.next) < 255-2*maxGap {
					w.bdSeq = (w.bdSeq + 1) % 256
					w.birth() // seen by nobody
					w.late = nil
					w.deliver(w.data())
				}
			},
			"dies": func(t *rapid.T) {
				w.step(50 * time.Millisecond)
				w.deliver(w.message("NDEATH", []*spb.Metric{long(named("bdSeq", UInt64), w.bdSeq)}))
				if s := w.h.Nodes()[0].State; s != "dead" {
					t.Fatalf("after its death the node is %s", s)
				}
				w.bdSeq = (w.bdSeq + 1) % 256
				w.birth() // the next session is not seen to begin
				w.late = nil
			},
			"pause": func(t *rapid.T) {
				w.step(time.Duration(rapid.IntRange(1, 30000).Draw(t, "ms")) * time.Millisecond)
				w.h.Tick(w.now, w)
				w.collect()
			},
			"": func(t *rapid.T) {
				for i := 1; i < len(w.requests); i++ {
					if gap := w.requests[i].Sub(w.requests[i-1]); gap < firstPause {
						t.Fatalf("two requests for births within %v", gap)
					}
				}
			},
		})
		w.deliver(w.birth())
		w.good = 0
		for range 3 {
			w.step(50 * time.Millisecond)
			w.deliver(w.message("NDATA", w.metrics(func(int) bool { return true }, func(i int) *spb.Metric { return byAlias(w.aliases[i]) })))
		}
		if w.good != 9 {
			t.Fatalf("%d good values after the birth, want 9", w.good)
		}
	})
}
