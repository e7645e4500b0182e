package configs

import (
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Sparkplug says where in the topics of Sparkplug B a source finds its rigs. One of
// Group, Node and Device is "{rig}".
type Sparkplug struct {
	Group   string
	Node    string
	Device  string // empty = the node's own metrics; "+" = all devices
	HostID  string // empty = the monitor does not announce itself as a host
	Reorder time.Duration
	Hold    time.Duration
}

const (
	anyDevice       = "+"
	standardReorder = 500 * time.Millisecond
	standardHold    = time.Minute
)

var (
	reorderTime = between(0, 10, "a time from 0 s to 10 s")
	holdTime    = between(0, 24*3600, "a time from 0 s to 24 h")
)

// readSparkplug reads the group of keys of a source of Sparkplug B in place of a
// topic.
func readSparkplug(o *object) *Sparkplug {
	o.refuse("none with payload sparkplug: the topics are made of sparkplug.group, node and device", "topic")
	o.ask("topic")
	g := o.child("sparkplug", true)
	s := &Sparkplug{Device: ""}
	s.Group = readLevel(g, "group", true)
	s.Node = readLevel(g, "node", true)
	s.Device = readLevel(g, "device", false)
	s.HostID = readLevel(g, "host_id", false)
	g.duration("reorder", &s.Reorder, standardReorder, reorderTime)
	g.duration("hold", &s.Hold, standardHold, holdTime)
	rigs := 0
	for _, l := range []string{s.Group, s.Node, s.Device} {
		if l == rigLevel {
			rigs++
		}
	}
	if rigs != 1 && !g.silent && g.has("group") && g.has("node") {
		g.r.add(g.line, g.path, strconv.Itoa(rigs)+" levels that are {rig}", "{rig} as one of group, node and device: that level's name is the rig's")
	}
	g.close()
	return s
}

// readLevel reads one level of a topic: a name, or {rig} but for the host's id.
func readLevel(g *object, key string, required bool) string {
	want := "a name without space, / + # { }, or {rig}"
	switch key {
	case "device":
		want += ", or + for all devices"
	case "host_id":
		want = "a name without space, / + # { }"
	}
	text, line, ok := g.scalar(key, required, want)
	unfit := func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r) || r == unicode.ReplacementChar || strings.ContainsRune("/+#{}", r)
	}
	switch {
	case !ok, text == rigLevel && key != "host_id", text == anyDevice && key == "device":
	case text == "" || strings.ContainsFunc(text, unfit):
		g.r.add(line, g.at(key), strconv.Quote(text), want)
	}
	return text
}
