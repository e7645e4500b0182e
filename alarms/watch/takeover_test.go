package watch_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"hoistward/ingest"
	"hoistward/ingest/sparkplug"
	"hoistward/ingest/sparkplug/spb"
)

// edge sends as a node of Sparkplug B does, metrics with their names, into a desk.
type edge struct {
	d    *desk
	host *sparkplug.Host
	seq  uint64
}

func newEdge(d *desk) *edge {
	m := ingest.OwnForm()
	for _, c := range minimum {
		m.Channels[c].Field = c.String()
	}
	host, err := sparkplug.New(sparkplug.Options{Group: "north", Node: sparkplug.RigLevel, Reorder: time.Second, Mapping: &m})
	if err != nil {
		d.t.Fatal(err)
	}
	return &edge{d: d, host: host}
}

func (e *edge) send(verb string, bdSeq uint64) {
	e.d.t.Helper()
	now := uint64(epoch.Add(e.d.at).UnixMilli())
	p := &spb.Payload{Timestamp: &now}
	add := func(name string, kind sparkplug.Type, set func(*spb.Metric)) {
		datatype := uint32(kind)
		m := &spb.Metric{Name: &name, Datatype: &datatype, Timestamp: &now}
		set(m)
		p.Metrics = append(p.Metrics, m)
	}
	if verb != "NDATA" {
		add("bdSeq", sparkplug.UInt64, func(m *spb.Metric) { m.Value = &spb.Metric_LongValue{LongValue: bdSeq} })
	}
	if verb == "NBIRTH" {
		e.seq = 0
	}
	if verb != "NDEATH" {
		seq := e.seq % 256
		p.Seq, e.seq = &seq, e.seq+1
		values := map[ingest.Channel]float64{ingest.HookLoad: 294.2e3, ingest.BlockHeight: 20, ingest.DrumSpeed: 0, ingest.DrumCounts: 4096, ingest.BrakePressure: 7e6}
		for _, c := range minimum {
			if x, ok := values[c]; ok {
				add(c.String(), sparkplug.Double, func(m *spb.Metric) { m.Value = &spb.Metric_DoubleValue{DoubleValue: x} })
			}
		}
	}
	b, err := proto.Marshal(p)
	if err != nil {
		e.d.t.Fatal(err)
	}
	e.host.Decode(&ingest.Message{Topic: "spBv1.0/north/" + verb + "/R1", Payload: b, Received: epoch.Add(e.d.at)}, ingest.SinkFuncs{
		OnSample: func(_ string, s *ingest.Sample) { e.d.apply(ingest.Entry{Kind: ingest.EntrySample, Sample: *s}) },
		OnReject: func(_ string, r ingest.Reject, what string) {
			if r != ingest.RejectEarlierSession {
				e.d.t.Errorf("%v: %s", r, what)
			}
		},
	})
}

func (e *edge) flow(bdSeq uint64, d time.Duration) {
	for end := e.d.at + d; e.d.at < end; e.d.at += 100 * time.Millisecond {
		e.send("NDATA", bdSeq)
	}
}

func (d *desk) losses() (lines []string) {
	for _, line := range d.journal {
		if strings.Contains(line, `_lost"`) && strings.Contains(line, `"raised"`) {
			lines = append(lines, line)
		}
	}
	return lines
}

// A sender that comes back under its own client id makes the broker publish its old
// will: a death, and its births within 100 ms, before or after it. Nothing is lost and no
// alarm sounds. A death that no birth follows is told.
func TestASenderThatTakesOverItsOwnLinkIsNotLost(t *testing.T) {
	for name, order := range map[string][]string{"will first": {"NDEATH", "NBIRTH"}, "birth first": {"NBIRTH", "NDEATH"}} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			e := newEdge(d)
			e.send("NBIRTH", 7)
			e.flow(7, 10*time.Second)
			for _, verb := range order {
				bdSeq := uint64(8)
				if verb == "NDEATH" {
					bdSeq = 7
				}
				e.send(verb, bdSeq)
				d.at += 50 * time.Millisecond
			}
			e.flow(8, 10*time.Second)
			if lost := d.losses(); len(lost) > 0 {
				t.Errorf("a take-over within 100 ms raised\n%s", strings.Join(lost, "\n"))
			}
			if n := e.host.Nodes(); len(n) != 1 || n[0].State != "born" {
				t.Errorf("nodes %+v, want one that is born", n)
			}
			e.send("NDEATH", 8)
			d.ticks(8)
			if len(d.losses()) == 0 {
				t.Errorf("a death without a birth raised nothing; journal:\n%s", strings.Join(d.journal, "\n"))
			}
		})
	}
}
