package sparkplug

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"hoistward/ingest"
	"hoistward/ingest/sparkplug/spb"
	"hoistward/ingest/units"
)

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// fieldMapping reads hook load in kN, block height, brake pressure in bar, drum
// counts and the drive's clutch from metrics of other names.
func fieldMapping(t testing.TB) *ingest.Mapping {
	m := ingest.OwnForm()
	for c := range ingest.NumChannels {
		m.Channels[c].Mapped = false
	}
	set := func(c ingest.Channel, field, unit string) {
		u, ok := units.Lookup(unit)
		if !ok {
			t.Fatalf("no unit %q", unit)
		}
		m.Channels[c].Mapped, m.Channels[c].Field, m.Channels[c].Unit = true, field, u
	}
	set(ingest.HookLoad, "Hoist/Hook Load", "kN")
	set(ingest.BlockHeight, "Hoist/Block", "m")
	set(ingest.BrakePressure, "Brake/Pressure", "bar")
	set(ingest.DrumCounts, "Hoist/Counts", "")
	set(ingest.DriveEngaged, "Drive/Engaged", "")
	m.Channels[ingest.DrumCounts].Low, m.Channels[ingest.DrumCounts].High = -1<<53, 1<<53
	m.Channels[ingest.BlockHeight].Nulls = []float64{-999.25}
	return &m
}

func nodeOptions(t testing.TB) Options {
	return Options{Group: "north", Node: RigLevel, Reorder: 500 * time.Millisecond, Mapping: fieldMapping(t)}
}

// site is a host with the edge nodes of a test, and the time.
type site struct {
	t        testing.TB
	h        *Host
	now      time.Time
	samples  []string
	rejects  []string
	commands []Command
}

func newSite(t testing.TB, o Options) *site {
	t.Helper()
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return &site{t: t, h: h, now: noon}
}

func (s *site) Sample(rig string, v *ingest.Sample) {
	s.samples = append(s.samples, rig+" "+v.Time.Format("05.000")+" "+channelWords(v))
}

func (s *site) Reject(rig string, r ingest.Reject, detail string) {
	s.rejects = append(s.rejects, r.String()+": "+detail)
}

// channelWords writes a sample as "hook_load=85000 block_height=null", with a ~
// before what is uncertain.
func channelWords(v *ingest.Sample) string {
	var parts []string
	for c := range ingest.NumChannels {
		switch x := v.Values[c]; {
		case !v.Named(c):
		case x.Quality == ingest.Bad:
			parts = append(parts, fmt.Sprintf("%s=%s", c, x.Reason))
		case x.Quality == ingest.Uncertain:
			parts = append(parts, fmt.Sprintf("%s=~%.9g", c, x.V))
		default:
			parts = append(parts, fmt.Sprintf("%s=%.9g", c, x.V))
		}
	}
	return strings.Join(parts, " ")
}

func (s *site) send(topic string, p *spb.Payload) {
	s.t.Helper()
	b, err := proto.Marshal(p)
	if err != nil {
		s.t.Fatal(err)
	}
	s.raw(topic, b)
}

func (s *site) raw(topic string, b []byte) {
	s.h.Decode(&ingest.Message{Topic: topic, Payload: b, Received: s.now}, s)
	clear(b) // nobody may keep it
	s.collect()
}

func (s *site) tick() {
	s.h.Tick(s.now, s)
	s.collect()
}

func (s *site) collect() {
	for {
		select {
		case c := <-s.h.Outbox():
			s.commands = append(s.commands, c)
			continue
		default:
		}
		return
	}
}

func (s *site) wait(d time.Duration) { s.now = s.now.Add(d) }

// want holds what has come since the last want against what should have.
func (s *site) want(samples, rejects string) {
	s.t.Helper()
	if got := strings.Join(s.samples, " | "); got != samples {
		s.t.Errorf("samples\n got %s\nwant %s", got, samples)
	}
	if got := strings.Join(s.rejects, " | "); got != rejects {
		s.t.Errorf("rejects\n got %s\nwant %s", got, rejects)
	}
	s.samples, s.rejects = nil, nil
}

// wantRequests holds the number of requests for births since the start.
func (s *site) wantRequests(n int) {
	s.t.Helper()
	if len(s.commands) != n {
		s.t.Errorf("%d requests for births, want %d", len(s.commands), n)
	}
}

func (s *site) state(node string) NodeState {
	for _, n := range s.h.Nodes() {
		if n.Node == node {
			return n
		}
	}
	return NodeState{}
}

// edge is an edge node as it should be.
type edge struct {
	s     *site
	name  string
	seq   uint64
	bdSeq uint64
}

func ms(t time.Time) *uint64 { return proto.Uint64(uint64(t.UnixMilli())) }

func (e *edge) payload(metrics ...*spb.Metric) *spb.Payload {
	for _, m := range metrics {
		if m.Timestamp == nil {
			m.Timestamp = ms(e.s.now)
		}
	}
	p := &spb.Payload{Timestamp: ms(e.s.now), Seq: proto.Uint64(e.seq % 256), Metrics: metrics}
	e.seq++
	return p
}

func (e *edge) topic(verb, device string) string {
	topic := "spBv1.0/north/" + verb + "/" + e.name
	if device != "" {
		topic += "/" + device
	}
	return topic
}

func (e *edge) birth(metrics ...*spb.Metric) {
	e.s.t.Helper()
	e.seq = 0
	all := append([]*spb.Metric{
		long(named("bdSeq", Int64), e.bdSeq),
		boolean(named("Node Control/Rebirth", Boolean), false),
	}, metrics...)
	e.s.send(e.topic("NBIRTH", ""), e.payload(all...))
}

func (e *edge) data(metrics ...*spb.Metric) {
	e.s.t.Helper()
	e.s.send(e.topic("NDATA", ""), e.payload(metrics...))
}

func (e *edge) death(bdSeq uint64) {
	e.s.t.Helper()
	e.s.send(e.topic("NDEATH", ""), &spb.Payload{Timestamp: ms(e.s.now), Metrics: []*spb.Metric{long(named("bdSeq", Int64), bdSeq)}})
}

func (e *edge) device(verb, device string, metrics ...*spb.Metric) {
	e.s.t.Helper()
	e.s.send(e.topic(verb, device), e.payload(metrics...))
}

func named(name string, t Type) *spb.Metric {
	return &spb.Metric{Name: proto.String(name), Datatype: proto.Uint32(uint32(t))}
}

func plain(name string) *spb.Metric { return &spb.Metric{Name: proto.String(name)} }

func aliased(m *spb.Metric, alias uint64) *spb.Metric {
	m.Alias = proto.Uint64(alias)
	return m
}

func byAlias(alias uint64) *spb.Metric { return &spb.Metric{Alias: proto.Uint64(alias)} }

func integer(m *spb.Metric, x uint32) *spb.Metric {
	m.Value = &spb.Metric_IntValue{IntValue: x}
	return m
}

func long(m *spb.Metric, x uint64) *spb.Metric {
	m.Value = &spb.Metric_LongValue{LongValue: x}
	return m
}

func double(m *spb.Metric, x float64) *spb.Metric {
	m.Value = &spb.Metric_DoubleValue{DoubleValue: x}
	return m
}

func float(m *spb.Metric, x float32) *spb.Metric {
	m.Value = &spb.Metric_FloatValue{FloatValue: x}
	return m
}

func boolean(m *spb.Metric, x bool) *spb.Metric {
	m.Value = &spb.Metric_BooleanValue{BooleanValue: x}
	return m
}

func text(m *spb.Metric, x string) *spb.Metric {
	m.Value = &spb.Metric_StringValue{StringValue: []byte(x)}
	return m
}

func null(m *spb.Metric) *spb.Metric {
	m.IsNull = proto.Bool(true)
	return m
}

func historical(m *spb.Metric, at time.Time) *spb.Metric {
	m.IsHistorical, m.Timestamp = proto.Bool(true), ms(at)
	return m
}

func quality(m *spb.Metric, code uint32) *spb.Metric {
	m.Properties = &spb.PropertySet{
		Keys: []string{"Unit", "Quality"},
		Values: []*spb.PropertyValue{
			{Type: proto.Uint32(uint32(String))},
			{Type: proto.Uint32(uint32(Int32)), Value: &spb.PropertyValue_IntValue{IntValue: code}},
		},
	}
	return m
}
