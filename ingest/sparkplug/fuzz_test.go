package sparkplug

import (
	"bytes"
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"hoistward/ingest"
	"hoistward/ingest/sparkplug/spb"
)

// What we read as sound is sound to the code that protoc made, and says the same.
func FuzzParse(f *testing.F) {
	for _, e := range readGolden(f) {
		f.Add(e.bytes(f))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := parse(data)
		if err != nil {
			return
		}
		var want spb.Payload
		if err := proto.Unmarshal(data, &want); err != nil {
			t.Fatalf("sound to us, but not to protobuf: %v", err)
		}
		if p.hasSeq != (want.Seq != nil) || p.seq != want.GetSeq() || p.hasTime != (want.Timestamp != nil) || p.timestamp != want.GetTimestamp() {
			t.Errorf("got %+v, want %v", p, &want)
		}
		if p.metrics != len(want.Metrics) {
			t.Fatalf("%d metrics, want %d", p.metrics, len(want.Metrics))
		}
		i := 0
		var m metric
		p.each(&m, func() {
			same(t, &m, want.Metrics[i])
			i++
		})
	})
}

func same(t *testing.T, m *metric, want *spb.Metric) {
	if m.hasName != (want.Name != nil) || string(m.name) != want.GetName() || m.hasAlias != (want.Alias != nil) || m.alias != want.GetAlias() ||
		m.hasTime != (want.Timestamp != nil) || m.timestamp != want.GetTimestamp() || m.hasType != (want.Datatype != nil) ||
		uint32(m.datatype) != want.GetDatatype() || m.historical != want.GetIsHistorical() || m.null != want.GetIsNull() {
		t.Errorf("got %+v, want %v", m, want)
	}
	k, bits := noValue, uint64(0)
	switch v := want.Value.(type) {
	case *spb.Metric_IntValue:
		k, bits = intValue, uint64(v.IntValue)
	case *spb.Metric_LongValue:
		k, bits = longValue, v.LongValue
	case *spb.Metric_FloatValue:
		k, bits = floatValue, uint64(math.Float32bits(v.FloatValue))
	case *spb.Metric_DoubleValue:
		k, bits = doubleValue, math.Float64bits(v.DoubleValue)
	case *spb.Metric_BooleanValue:
		k = boolValue
		if v.BooleanValue {
			bits = 1
		}
	case nil:
	default:
		k = otherValue
	}
	if m.kind != k || m.bits != bits {
		t.Errorf("value of kind %d, %x, want kind %d, %x", m.kind, m.bits, k, bits)
	}
}

// script cuts data into messages: a byte for the verb, the device and the pause,
// then the payload's length in two bytes.
func script(verb byte, payload []byte) []byte {
	return append([]byte{verb, byte(len(payload)), byte(len(payload) >> 8)}, payload...)
}

// Any messages in any order: nothing panics, grows or makes a number up.
func FuzzDecode(f *testing.F) {
	birth, data := typical(f)
	f.Add(bytes.Join([][]byte{script(0, birth), script(1, data), script(1, data), script(2, nil)}, nil))
	f.Add(bytes.Join([][]byte{script(0, birth), script(3, birth), script(4, data), script(5|0x80, data)}, nil))
	for _, e := range readGolden(f) {
		f.Add(bytes.Join([][]byte{script(0, birth), script(1, e.bytes(f))}, nil))
	}
	mapping := fieldMapping(f)
	verbs := []string{"NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH"}
	f.Fuzz(func(t *testing.T, text []byte) {
		h, err := New(Options{Group: "north", Node: RigLevel, Reorder: 500 * time.Millisecond, Hold: time.Minute, Mapping: mapping})
		if err != nil {
			t.Fatal(err)
		}
		now, told := noon, 0
		out := ingest.SinkFuncs{
			OnSample: func(rig string, s *ingest.Sample) { told++; checkSample(t, mapping, rig, s) },
			OnReject: func(string, ingest.Reject, string) { told++ },
		}
		for len(text) >= 3 {
			op, n := text[0], int(text[1])|int(text[2])<<8
			text = text[3:]
			n = min(n, len(text))
			topic := "spBv1.0/north/" + verbs[op&0x7f%6] + "/R1"
			if op&0x7f%6 >= 3 {
				topic += "/d"
			}
			if op&0x80 != 0 {
				now = now.Add(time.Second)
				h.Tick(now, out)
			}
			before := string(text[:n])
			h.Decode(&ingest.Message{Topic: topic, Payload: text[:n], Received: now}, out)
			if string(text[:n]) != before {
				t.Error("the payload was changed")
			}
			text = text[n:]
		}
		h.Link("lost", now, out)
		for _, n := range h.order {
			if len(n.aliases) > maxAliases || len(n.held) > maxHeld || len(n.devices) > maxDevices {
				t.Errorf("a node has %d aliases, %d messages, %d devices", len(n.aliases), len(n.held), len(n.devices))
			}
			if n.requested > 1 && now.Sub(noon) < firstPause {
				t.Errorf("%d requests for births within %v", n.requested, now.Sub(noon))
			}
		}
	})
}

func checkSample(t *testing.T, m *ingest.Mapping, rig string, s *ingest.Sample) {
	if rig != "R1" || s.Has == 0 || s.Has>>ingest.NumChannels != 0 {
		t.Errorf("a sample of rig %q names channels %b", rig, s.Has)
	}
	for c := range ingest.NumChannels {
		v := s.Values[c]
		switch {
		case v.Quality == ingest.Bad && v.V != 0:
			t.Errorf("%s is bad and has the number %v", c, v.V)
		case v.Quality != ingest.Bad && (!s.Named(c) || !m.Channels[c].Mapped):
			t.Errorf("%s is %v, and not of the message or the mapping", c, v.V)
		case v.Quality != ingest.Bad && !(v.V >= m.Channels[c].Low && v.V <= m.Channels[c].High):
			t.Errorf("%s is %v, out of range, and not bad", c, v.V)
		}
	}
}

// A payload of nothing but empty metrics, as many as fit, is read in bounded memory.
func TestMillionsOfEmptyMetricsDoNotFillTheMemory(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	var flood []byte
	for len(flood) < MaxSize-2 {
		flood = protowire.AppendBytes(protowire.AppendTag(flood, payloadMetrics, protowire.BytesType), nil)
	}
	s.raw("spBv1.0/north/NBIRTH/R1", flood)
	if n := s.h.nodes[nodeKey{"north", "R1"}]; len(n.aliases) > 0 || cap(s.h.readings) > maxReadings {
		t.Errorf("%d aliases and room for %d readings", len(n.aliases), cap(s.h.readings))
	}
}

func TestMadeUpNodesDevicesAndAliasesAreBounded(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	for i := range maxNodes + 10 {
		(&edge{s: s, name: "n" + string(rune('a'+i%26)) + time.Duration(i).String()}).data()
	}
	if n := len(s.h.Nodes()); n != maxNodes {
		t.Errorf("%d nodes kept, want %d", n, maxNodes)
	}
	s = newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	var all []*spb.Metric
	for i := range maxAliases + 10 {
		all = append(all, aliased(double(named("x", Double), 1), uint64(i)))
	}
	e.birth(all...)
	for i := range maxDevices + 10 {
		e.device("DBIRTH", time.Duration(i).String())
	}
	n := s.h.nodes[nodeKey{"north", "R1"}]
	if len(n.aliases) != maxAliases || len(n.devices) != maxDevices {
		t.Errorf("%d aliases and %d devices kept, want %d and %d", len(n.aliases), len(n.devices), maxAliases, maxDevices)
	}
}
