package sparkplug

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"hoistward/ingest"
)

// RigLevel stands in Group, Node or Device where the rig's name stands in a topic.
const RigLevel = "{rig}"

// AnyDevice as Options.Device takes the metrics of all devices of a node.
const AnyDevice = "+"

// Options says what a Host reads.
type Options struct {
	Group string // name, or RigLevel
	Node  string // name, or RigLevel
	// Device is the device that has the metrics: a name, RigLevel, or AnyDevice,
	// where a field is the device, a slash and the metric's name. Empty: the
	// metrics are the node's own.
	Device string
	// Reorder is how long a message waits for one before it that is missing; 0 = not.
	Reorder time.Duration
	// Hold is how long a value that its node does not send again still stands,
	// while the node goes on sending others; 0 = not. Data are sent when they change
	// (tck-id-operational-behavior-data-publish-nbirth-change). On/off channels
	// stand as long as the session.
	Hold    time.Duration
	Mapping *ingest.Mapping // a channel's field is the metric's name
}

// Check returns every mistake in the levels.
func (o *Options) Check() error {
	var errs []error
	rigs := 0
	for _, l := range []struct{ key, text string }{{"group", o.Group}, {"node", o.Node}, {"device", o.Device}} {
		switch {
		case l.text == RigLevel:
			rigs++
		case l.key == "device" && (l.text == "" || l.text == AnyDevice):
		case l.text == "" || strings.ContainsAny(l.text, "/+#{}"):
			errs = append(errs, fmt.Errorf("%s: got %q, want one name without / + # { }, or %s", l.key, l.text, RigLevel))
		}
	}
	if rigs != 1 && len(errs) == 0 {
		errs = append(errs, fmt.Errorf("got %s %d times in group, node and device, want it once: it says which of them is the rig's name", RigLevel, rigs))
	}
	if o.Reorder < 0 || o.Hold < 0 {
		errs = append(errs, fmt.Errorf("got the times %v and %v, want none below 0", o.Reorder, o.Hold))
	}
	return errors.Join(errs...)
}

// Filter returns the topic filter that brings all messages of the nodes: of a node
// itself and of its devices.
func (o *Options) Filter() string {
	level := func(s string) string {
		if s == RigLevel {
			return "+"
		}
		return s
	}
	return strings.Join([]string{Namespace, level(o.Group), "+", level(o.Node), "#"}, "/")
}

// wants tells whether a place is of this source.
func (o *Options) wants(p *place) bool {
	return (o.Group == RigLevel || o.Group == p.group) && (o.Node == RigLevel || o.Node == p.node)
}

// maps tells whether the metrics of a device, empty for the node itself, are of
// this source.
func (o *Options) maps(device string) bool {
	switch o.Device {
	case RigLevel, AnyDevice:
		return device != ""
	}
	return device == o.Device
}

// rig returns the rig that metrics of a place belong to.
func (o *Options) rig(group, node, device string) string {
	switch {
	case o.Group == RigLevel:
		return group
	case o.Node == RigLevel:
		return node
	}
	return device
}
