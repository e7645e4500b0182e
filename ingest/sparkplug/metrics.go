package sparkplug

import (
	"fmt"
	"time"

	"hoistward/ingest"
)

// entity is a node itself or one of its devices: what a birth is of.
type entity struct {
	name  string // of the device; empty = the node itself
	alive bool   // born in this session
	types [ingest.NumChannels]Type
	told  uint32 // channels that it has given a value, by bits
	feed  *feed
}

// alias says which metric an alias stands for.
type alias struct {
	owner     *entity
	channel   ingest.Channel // NumChannels = not mapped
	contested bool           // two metrics have it, which no node may do
}

// entity returns a new entity of n. All entities of one rig share one feed.
func (h *Host) entity(n *node, device string) *entity {
	e := &entity{name: device, feed: n.shared()}
	if h.o.Device == RigLevel && device != "" {
		e.feed = &feed{rig: n.rig(device)}
	}
	return e
}

func (n *node) shared() *feed {
	if n.own != nil {
		return n.own.feed
	}
	return &feed{rig: n.rig("")}
}

func (e *entity) clear() {
	e.alive = false
	e.types = [ingest.NumChannels]Type{}
	e.forget()
}

// forget lets no earlier value stand any more.
func (e *entity) forget() { e.feed.standing &^= e.told }

// apply does what a message in its turn says.
func (n *node) apply(a *arrival, out ingest.Sink) {
	n.newest = max(n.newest, a.timestamp)
	e := n.own
	if a.verb.ofDevice() {
		if e = n.device(a, out); e == nil {
			return
		}
	}
	switch a.verb {
	case deviceDeath:
		n.lose(e.feed, e.told, a.received, out)
		e.told = 0
		n.bury(e)
		return
	case deviceBirth:
		n.bury(e)
		e.alive = true
	case nodeBirth:
		e.alive = true
	}
	if n.suspect {
		n.wantBirth(a.received)
	}
	mapped := n.h.o.maps(e.name)
	n.h.readings = n.h.readings[:0]
	m := &n.h.metric
	a.each(m, func() {
		c := ingest.NumChannels
		if a.verb == nodeBirth || a.verb == deviceBirth {
			c = n.define(e, m, mapped, out)
		} else {
			c = n.find(e, m, a, out)
		}
		if c < ingest.NumChannels {
			n.read(e, c, m, a, out)
		}
	})
	n.h.emit(n, e, a, out)
}

// device returns the device of a message, nil where it has no business now.
func (n *node) device(a *arrival, out ingest.Sink) *entity {
	e := n.devices[a.device]
	switch {
	case a.verb == deviceBirth && e == nil:
		if len(n.devices) >= maxDevices {
			out.Reject(n.rig(a.device), ingest.RejectTooLarge, fmt.Sprintf("%s: more than %d devices", n.label(), maxDevices))
			return nil
		}
		if n.devices == nil {
			n.devices = map[string]*entity{}
		}
		e = n.h.entity(n, string([]byte(a.device)))
		n.devices[e.name] = e
	case a.verb == deviceBirth:
	case e == nil || !e.alive:
		if a.verb == deviceDeath {
			return nil
		}
		out.Reject(n.rig(a.device), ingest.RejectWaitingForBirth, n.label()+"/"+a.device)
		n.wantBirth(a.received)
		return nil
	}
	return e
}

// bury forgets what a birth of e has defined.
func (n *node) bury(e *entity) {
	e.clear()
	for k, al := range n.aliases {
		if al.owner == e {
			delete(n.aliases, k)
		}
	}
}

// define takes the definition of a metric in a birth.
func (n *node) define(e *entity, m *metric, mapped bool, out ingest.Sink) ingest.Channel {
	c := ingest.NumChannels
	if mapped {
		c = n.h.channel(e, m.name)
		if c == ingest.NumChannels && string(m.name) != "bdSeq" && string(m.name) != rebirthMetric {
			out.Reject(n.rig(e.name), ingest.RejectUnknownField, string(m.name))
		}
	}
	if c < ingest.NumChannels {
		e.types[c] = m.datatype
	}
	if !m.hasAlias {
		return c
	}
	old, taken := n.aliases[m.alias]
	switch {
	case taken && (old.owner != e || old.channel != c || c == ingest.NumChannels):
		old.contested = true
		n.aliases[m.alias] = old
	case !taken && len(n.aliases) >= maxAliases:
		out.Reject(n.rig(e.name), ingest.RejectTooLarge, fmt.Sprintf("%s: more than %d aliases", n.label(), maxAliases))
	case !taken:
		if n.aliases == nil {
			n.aliases = map[uint64]alias{}
		}
		n.aliases[m.alias] = alias{owner: e, channel: c}
	}
	return c
}

// channel returns the channel that is read from a metric of e.
func (h *Host) channel(e *entity, name []byte) ingest.Channel {
	if h.o.Device == AnyDevice {
		h.field = append(append(append(h.field[:0], e.name...), '/'), name...)
		name = h.field
	}
	if c, ok := h.fields[string(name)]; ok {
		return c
	}
	return ingest.NumChannels
}

// find returns the channel of a metric in a data message, which gives its name, its
// alias, or both.
func (n *node) find(e *entity, m *metric, a *arrival, out ingest.Sink) ingest.Channel {
	al, known := alias{}, false
	if m.hasAlias {
		al, known = n.aliases[m.alias]
	}
	unusable := func(r ingest.Reject, format string, args ...any) ingest.Channel {
		out.Reject(n.rig(e.name), r, n.label()+": "+fmt.Sprintf(format, args...))
		n.wantBirth(a.received)
		return ingest.NumChannels
	}
	if !m.hasName {
		switch {
		case !m.hasAlias:
			return unusable(ingest.RejectUnknownAlias, "a metric without name and alias")
		case !known:
			return unusable(ingest.RejectUnknownAlias, "%d", m.alias)
		case al.contested || al.owner != e:
			return unusable(ingest.RejectUnknownAlias, "%d is of another metric too", m.alias)
		}
		return al.channel
	}
	c := ingest.NumChannels
	if n.h.o.maps(e.name) {
		c = n.h.channel(e, m.name)
	}
	switch {
	case known && (al.owner != e || al.channel != c):
		return unusable(ingest.RejectUnknownAlias, "%d is not %q", m.alias, m.name)
	case c < ingest.NumChannels && e.types[c] == Unknown:
		return unusable(ingest.RejectWaitingForBirth, "%q was not in the birth", m.name)
	}
	return c
}

// reading is one number of a message for a channel.
type reading struct {
	at      uint64 // ms since 1970
	hasTime bool
	channel ingest.Channel
	value   ingest.Value
}

// read takes the value of a metric for channel c.
func (n *node) read(e *entity, c ingest.Channel, m *metric, a *arrival, out ingest.Sink) {
	at, hasTime := m.timestamp, m.hasTime
	// A birth gives the values that stand now, some measured long ago
	// (tck-id-operational-behavior-data-publish-nbirth-values).
	if birth := a.verb == nodeBirth || a.verb == deviceBirth; a.hasTime && (birth || !hasTime) {
		at, hasTime = a.timestamp, true
	}
	v, reject := n.value(e, c, m)
	if m.historical {
		out.Reject(e.feed.rig, ingest.RejectHistorical, fmt.Sprintf("%s %s at %s", c, words(v), clock(m.timestamp)))
		return
	}
	if v.Quality == ingest.Bad {
		out.Reject(e.feed.rig, reject, c.String())
	}
	if len(n.h.readings) >= maxReadings {
		out.Reject(e.feed.rig, ingest.RejectTooLarge, fmt.Sprintf("more than %d readings", maxReadings))
		return
	}
	n.h.readings = append(n.h.readings, reading{at, hasTime, c, v})
}

// value returns the value of m as channel c, and what to reject if it is bad.
func (n *node) value(e *entity, c ingest.Channel, m *metric) (ingest.Value, ingest.Reject) {
	bad := func(r ingest.Reason) (ingest.Value, ingest.Reject) { return ingest.BadValue(r), r.Reject() }
	t := e.types[c]
	switch {
	case m.quality == qualityStale:
		return ingest.BadValue(ingest.Late), ingest.RejectBadAtSource
	case m.quality != noQuality && m.quality != qualityGood:
		return bad(ingest.BadAtSource)
	case !t.Known():
		return ingest.BadValue(ingest.WrongType), ingest.RejectUnknownType
	case m.hasType && m.datatype != t, t == Boolean && !c.OnOff():
		return bad(ingest.WrongType)
	}
	x, why := m.number(t)
	if why != ingest.NoReason {
		return bad(why)
	}
	v := n.h.o.Mapping.Convert(c, x)
	if v.Quality == ingest.Bad {
		return bad(v.Reason)
	}
	if n.suspect && v.Quality == ingest.Good {
		v.Quality, v.Reason = ingest.Uncertain, ingest.SequenceGap
	}
	return v, ingest.Used
}

func words(v ingest.Value) string {
	if v.Quality == ingest.Bad {
		return v.Reason.String()
	}
	return fmt.Sprintf("%g (SI)", v.V)
}

func clock(ms uint64) string {
	if !believable(ms) {
		return "no time"
	}
	return time.UnixMilli(int64(ms)).UTC().Format(time.RFC3339Nano)
}
