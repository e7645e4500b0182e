package configs

import (
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
)

const sparkplugText = `site: one
rigs:
  - file: R1
sources:
  - name: broker
    kind: mqtt
    broker: tcp://127.0.0.1:1883
    payload: sparkplug
    sparkplug: {group: north, node: '{rig}', device: Hoist-PLC, reorder: 2 s}
    channels:
      hook_load: {unit: kN, field: Hoist/Hook Load}
      block_height: {unit: m}
      drum_speed: {unit: rpm}
      brake_pressure: {unit: bar}
`

func TestSparkplugSource(t *testing.T) {
	site, problems := ReadSite("one.yaml", []byte(sparkplugText))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	s := site.Sources[0]
	want := Sparkplug{Group: "north", Node: "{rig}", Device: "Hoist-PLC", Reorder: 2 * time.Second, Hold: time.Minute}
	if s.Sparkplug == nil || *s.Sparkplug != want || s.Payload != ingest.Sparkplug {
		t.Errorf("read as %+v, %v, want %+v", s.Sparkplug, s.Payload, want)
	}
	if c := s.Mapping.Channels[ingest.HookLoad]; !c.Mapped || c.Field != "Hoist/Hook Load" {
		t.Errorf("hook load read as %+v", c)
	}
	if len(s.Mapping.Topics) > 0 {
		t.Errorf("topics %v, want none", s.Mapping.Topics)
	}
}

func TestSparkplugSourceThatCannotWork(t *testing.T) {
	const group = "{group: north, node: '{rig}', device: Hoist-PLC, reorder: 2 s}"
	for name, c := range map[string]struct{ old, new, want string }{
		"no rig":             {"'{rig}'", "n1", `sources[0].sparkplug: got 0 levels that are {rig}, want {rig} as one of group, node and device`},
		"two rigs":           {"north", "'{rig}'", `sources[0].sparkplug: got 2 levels that are {rig}`},
		"no group":           {"group: north, ", "", `sources[0].sparkplug.group: got nothing, want a name`},
		"no keys":            {"    sparkplug: " + group + "\n", "", `sources[0].sparkplug: got nothing`},
		"space":              {"north", "north field", `sources[0].sparkplug.group: got "north field", want a name without space`},
		"wildcard node":      {"'{rig}'", "'+'", `sources[0].sparkplug.node: got "+", want a name`},
		"part of a level":    {"'{rig}'", "'rig-{rig}'", `sources[0].sparkplug.node: got "rig-{rig}"`},
		"host id with slash": {"reorder: 2 s", "host_id: a/b", `sources[0].sparkplug.host_id: got "a/b"`},
		"reorder":            {"2 s", "1 min", `sources[0].sparkplug.reorder: got 1 min, want a time from 0 s to 10 s`},
		"topic":              {"    payload", "    topic: hoist/{rig}/readings\n    payload", `sources[0].topic: got the key, want none with payload sparkplug`},
		"other payload":      {"payload: sparkplug\n", "topic: hoist/{rig}/readings\n", `sources[0].sparkplug: got the key, want it only with payload: sparkplug`},
		"time field":         {"    channels", "    time: {field: t}\n    channels", `sources[0].time.field: got the key, want none with payload sparkplug: each metric has its time`},
		"channel's topic":    {"block_height: {unit: m}", "block_height: {unit: m, topic: 'a/{rig}'}", `sources[0].channels.block_height.topic: got the key, want none with payload sparkplug`},
		"one metric twice":   {"block_height: {unit: m}", "block_height: {unit: m, field: Hoist/Hook Load}", `sources[0].channels.block_height.field: got "Hoist/Hook Load", which hook_load is read from`},
		"metric alone":       {"Hoist-PLC", "+", `sources[0].channels.block_height.field: got "block_height", want the device, a slash and the metric's name`},
		"channel of its own": {"payload: sparkplug\n    sparkplug: " + group, "topic: hoist/{rig}/readings", ``},
	} {
		t.Run(name, func(t *testing.T) {
			if !strings.Contains(sparkplugText, c.old) {
				t.Fatalf("no %q in the text", c.old)
			}
			text := strings.Replace(sparkplugText, c.old, c.new, 1)
			_, problems := ReadSite("one.yaml", []byte(text))
			var got []string
			for _, p := range problems {
				got = append(got, p.String())
			}
			if (len(got) == 0) != (c.want == "") || !strings.Contains(strings.Join(got, "\n"), c.want) {
				t.Errorf("got\n%s\nwant %s", strings.Join(got, "\n"), c.want)
			}
		})
	}
	text := strings.Replace(sparkplugText, "payload: sparkplug\n    sparkplug: "+group, "topic: hoist/{rig}/readings", 1)
	text = strings.Replace(text, "block_height: {unit: m}", "block_height: {unit: m, topic: 'a/{rig}', payload: sparkplug}", 1)
	if _, problems := ReadSite("one.yaml", []byte(text)); len(problems) != 1 || !strings.Contains(problems[0].String(), `got "sparkplug", want it for the whole source`) {
		t.Errorf("payload of one channel: got %v", problems)
	}
}
