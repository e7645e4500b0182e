package configs

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
)

const topicText = `site: one
rigs:
  - file: R1
sources:
  - name: broker
    kind: mqtt
    broker: tcp://127.0.0.1:1883
    topic: plant/{rig}/plc
    channels:
      hook_load: {unit: kN, topic: 'plant/{rig}/hookload', payload: number, period: 100 ms}
      block_height: {unit: m}
      drum_speed: {unit: rpm, topic: 'plant/{rig}/drum', clock: receipt}
      drum_counts: {topic: 'plant/{rig}/drum', clock: receipt}
      brake_pressure: {unit: MPa}
`

func TestTopicsOfChannels(t *testing.T) {
	site, problems := ReadSite("one.yaml", []byte(topicText))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	m := &site.Sources[0].Mapping
	want := []ingest.Topic{
		{Pattern: "plant/{rig}/hookload", Payload: ingest.NumberText, Clock: ingest.ReceiptClock},
		{Pattern: "plant/{rig}/plc"},
		{Pattern: "plant/{rig}/drum", Clock: ingest.ReceiptClock},
	}
	if len(m.Topics) != len(want) || !m.Apart() {
		t.Fatalf("topics read as %+v, want %+v", m.Topics, want)
	}
	for i := range want {
		if m.Topics[i] != want[i] {
			t.Errorf("topic %d read as %+v, want %+v", i, m.Topics[i], want[i])
		}
	}
	for c, topic := range map[ingest.Channel]int{ingest.HookLoad: 0, ingest.BlockHeight: 1, ingest.BrakePressure: 1, ingest.DrumSpeed: 2, ingest.DrumCounts: 2} {
		if got := m.Channels[c].Topic; got != topic {
			t.Errorf("%s comes on topic %d, want %d", c, got, topic)
		}
		if on := m.On(topic); !on.Channels[c].Mapped || on.Clock != want[topic].Clock {
			t.Errorf("%s is not on topic %d with its clock", c, topic)
		}
		if m.On((topic + 1) % 3).Channels[c].Mapped {
			t.Errorf("%s is on another topic too", c)
		}
	}
	if p := m.Channels[ingest.HookLoad].Period; p != 100*time.Millisecond {
		t.Errorf("period read as %v, want 100 ms", p)
	}
	if errs := m.Check(); len(errs) > 0 {
		t.Error(errs)
	}
}

func TestTopicsThatCannotWork(t *testing.T) {
	for name, c := range map[string]struct{ old, new, want string }{
		"two numbers on one topic": {"block_height: {unit: m}", "block_height: {unit: m, topic: 'plant/{rig}/hookload', payload: number}",
			`sources[0].channels.block_height.topic: got "plant/{rig}/hookload", which hook_load is read from, want a topic of its own: a plain number is of one channel`},
		"two payloads on one topic": {"block_height: {unit: m}", "block_height: {unit: m, topic: 'plant/{rig}/hookload'}",
			`sources[0].channels.block_height.payload: got "json", want "number", as hook_load has on the same topic`},
		"two clocks on one topic": {"drum_counts: {topic: 'plant/{rig}/drum', clock: receipt}", "drum_counts: {topic: 'plant/{rig}/drum'}",
			"sources[0].channels.drum_counts.clock: got another clock than drum_speed has on the same topic, want one clock a topic"},
		"a time in a plain number": {"payload: number, period", "payload: number, clock: source, period",
			`sources[0].channels.hook_load.clock: got "source", want "receipt": a plain number carries no time`},
		"a field in a plain number": {"payload: number, period", "payload: number, field: v, period",
			"sources[0].channels.hook_load.field: got the key, want it only where messages have fields: here they are plain numbers"},
		"no topic for some": {"    topic: plant/{rig}/plc\n", "",
			"sources[0].topic: got nothing, want a topic with {rig} as one whole level, such as hoist/{rig}/readings"},
		"a space in a topic": {"plant/{rig}/hookload", "plant/{rig}/hook load",
			`sources[0].channels.hook_load.topic: got "plant/{rig}/hook load", want no spaces: a topic with {rig} as one whole level, such as hoist/{rig}/readings`},
		"one field twice on one topic": {"drum_counts: {topic: 'plant/{rig}/drum', clock: receipt}", "drum_counts: {topic: 'plant/{rig}/drum', clock: receipt, field: drum_speed}",
			`sources[0].channels.drum_counts.field: got "drum_speed", which drum_speed is read from, want a field of its own`},
		"period of nothing": {"period: 100 ms", "period: 0 s",
			"sources[0].channels.hook_load.period: got 0 s, want a time from 5 ms to 10 min"},
	} {
		text := strings.Replace(topicText, c.old, c.new, 1)
		if text == topicText {
			t.Fatalf("%s: nothing was replaced", name)
		}
		_, problems := ReadSite("one.yaml", []byte(text))
		var all []string
		for _, p := range problems {
			_, words, _ := strings.Cut(p.String(), ": ")
			all = append(all, words)
		}
		if len(all) != 1 || all[0] != c.want {
			t.Errorf("%s:\n got %q\nwant %q", name, all, c.want)
		}
	}
}

// Two topics may have a field of one name each.
func TestFieldsOfTwoTopicsMayAgree(t *testing.T) {
	text := strings.Replace(topicText, "block_height: {unit: m}", "block_height: {unit: m, field: v}", 1)
	text = strings.Replace(text, "drum_counts: {topic", "drum_counts: {field: v, topic", 1)
	site, problems := ReadSite("one.yaml", []byte(text))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if errs := site.Sources[0].Mapping.Check(); len(errs) > 0 {
		t.Error(errs)
	}
}

// One topic for all rigs: the messages name theirs.
func TestTheRigMayStandInTheMessage(t *testing.T) {
	read := func(old, new string) (*Site, []Problem) {
		return ReadSite("one.yaml", []byte(strings.Replace(strings.Replace(strings.ReplaceAll(topicText, "payload: number, ", ""),
			"    topic: plant/{rig}/plc\n", "    topic: plant/{rig}/plc\n    rig_field: unit\n", 1), old, new, 1)))
	}
	site, problems := read("", "")
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	m := &site.Sources[0].Mapping
	if m.RigField != "unit" || m.On(1).RigField != "unit" {
		t.Errorf("read as %q, on a topic as %q", m.RigField, m.On(1).RigField)
	}
	for name, c := range map[string]struct{ old, new, want string }{
		"also a channel's": {"block_height: {unit: m}", "block_height: {unit: m, field: unit}", `"unit", which the rig's name is read from`},
		"not JSON":         {"block_height: {unit: m}", "block_height: {unit: m, topic: 'a/{rig}', payload: number}", "json, as rig_field names the rig"},
		"empty":            {"rig_field: unit", "rig_field: ' '", wantField},
		"no path":          {"rig_field: unit", "rig_field: 'a..b'", wantField},
	} {
		_, problems := read(c.old, c.new)
		if len(problems) == 0 || !strings.Contains(fmt.Sprint(problems), c.want) {
			t.Errorf("%s: got %v, want it to say %q", name, problems, c.want)
		}
	}
}
