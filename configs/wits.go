package configs

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"time"

	"hoistward/ingest"
	witsitem "hoistward/ingest/wits/item"
)

// WITS says how a source of WITS level 0 is reached and what its frames do not say.
// Either Connect or Listen is set.
type WITS struct {
	Rig            string         // that all its frames are of
	Connect        string         // host:port of a sender that waits for us
	Listen         string         // host:port of ours that a sender connects to
	Allow          []netip.Prefix // who may connect; empty = this machine
	Zone           time.Duration  // of the sender's clock, east of UTC
	IgnoreDeclared bool           // what record 23 says of units and zone
	IdleAfter      time.Duration  // without a byte, the connection is given up
	Records        int            // that channels are read from
}

const standardIdle = time.Minute

var idleTime = between(1, 24*3600, "a time from 1 s to 24 h")

// readWITS reads the keys of a source of kind wits.
func readWITS(o *object, s *Source) {
	w := &WITS{}
	s.WITS = w
	w.Rig = o.name("rig")
	w.readAddress(o)
	w.readAllow(o)
	o.duration("idle_after", &w.IdleAfter, standardIdle, idleTime)
	o.duration("quiet_after", &s.QuietAfter, standardQuiet, quietTime)
	stamps := o.child("time", false)
	stamps.refuse("none with kind wits: items 05 and 06 of a record are its time", "field")
	readTime(stamps, &s.Mapping)
	w.readZone(o, s.Mapping.Clock)
	if i, ok := o.choice("record_23", false, "checked", "ignored"); ok {
		w.IgnoreDeclared = i == 1
	}
	readItems(o.child("channels", true), &s.Mapping)
	w.Records = records(&s.Mapping)
}

// records counts the records that channels are read from: each comes in frames of
// its own.
func records(m *ingest.Mapping) int {
	seen := map[int]bool{}
	for _, c := range m.Channels {
		if code, ok := witsitem.Parse(c.Field); ok && c.Mapped {
			seen[code/100] = true
		}
	}
	return len(seen)
}

func (w *WITS) readAddress(o *object) {
	want := "connect: host:port of the sender, or listen: host:port on this machine"
	switch {
	case o.has("connect") && o.has("listen"):
		o.ask("listen")
		o.r.add(o.r.lineOf(o.at("listen")), o.at("listen"), "the key beside connect", "one of them")
	case !o.has("connect") && !o.has("listen"):
		o.r.add(o.line, o.at("connect"), "nothing", want)
	}
	w.Connect = readPort(o, "connect", "host:port of the sender, such as 10.20.0.5:5001", 1)
	if w.Connect == "" {
		w.Listen = readPort(o, "listen", "host:port on this machine, such as 127.0.0.1:5001", 0)
	}
	o.ask("connect")
	o.ask("listen")
}

// readPort reads host:port with a port of least or more.
func readPort(o *object, key, want string, least uint64) string {
	text, line, ok := o.scalar(key, false, want)
	if !ok {
		return ""
	}
	host, port, err := net.SplitHostPort(text)
	n, bad := strconv.ParseUint(port, 10, 16)
	if err != nil || bad != nil || n < least || host == "" {
		o.r.add(line, o.at(key), strconv.Quote(text), want)
	}
	return text
}

// readAllow reads who may connect. WITS has no password: without the list, whoever
// reaches the port could make readings up.
func (w *WITS) readAllow(o *object) {
	o.ask("allow")
	host, _, _ := net.SplitHostPort(w.Listen)
	if !o.has("allow") {
		if w.Listen != "" && host != "" && !loopback(host) {
			o.r.add(o.r.lineOf(o.at("listen")), o.at("allow"), "nothing",
				"a list of the addresses that may connect, such as [10.20.0.5]: the port can be reached from other machines")
		}
		return
	}
	if w.Listen == "" {
		o.r.add(o.r.lineOf(o.at("allow")), o.at("allow"), "the key", "it only with listen")
		return
	}
	const want = "an address or a block of them, such as 10.20.0.5 or 10.20.0.0/24"
	for _, member := range o.list("allow", true, "a list of addresses or blocks of them") {
		text, ok := o.r.text(member.node, member.path, want)
		if !ok {
			continue
		}
		p, err := netip.ParsePrefix(text)
		if a, single := netip.ParseAddr(text); single == nil && a.Zone() == "" {
			p, err = a.Prefix(a.BitLen())
		}
		if err != nil {
			o.r.add(member.node.Line, member.path, strconv.Quote(text), want)
			continue
		}
		w.Allow = append(w.Allow, p)
	}
}

func (w *WITS) readZone(o *object, clock ingest.Clock) {
	const want = "the zone of the sender's clock, such as +01:00, -06:00 or Z, or time: {clock: receipt}"
	if clock == ingest.ReceiptClock {
		o.refuse("none with the receipt's clock: the sender's stamps are not read", "zone")
		o.ask("zone")
		return
	}
	text, line, ok := o.scalar("zone", true, want)
	if !ok {
		return
	}
	zone, good := witsitem.ParseZone(text)
	if !good {
		o.r.add(line, o.at("zone"), strconv.Quote(text), want)
	}
	w.Zone = zone
}

// readItems reads channels whose fields are records and items.
func readItems(o *object, m *ingest.Mapping) {
	taken := map[string]ingest.Channel{}
	for c := range ingest.NumChannels {
		name := c.String()
		o.ask(name)
		if !o.has(name) {
			continue
		}
		group := o.child(name, true)
		m.Channels[c] = readItem(group, c)
		field := m.Channels[c].Field
		at := group.at("field")
		code, ok := witsitem.Parse(field)
		switch other, twice := taken[field]; {
		case group.silent:
		case !group.has("field"):
			o.r.add(group.line, at, "nothing", witsitem.Want)
		case !ok || witsitem.Reserved(code):
			o.r.add(o.r.lineOf(at), at, strconv.Quote(field), witsitem.Want)
		case twice:
			o.r.add(o.r.lineOf(at), at, fmt.Sprintf("%q, which %s is read from", field, other), "an item of its own")
		}
		taken[field] = c
	}
	if !o.silent && len(o.names) == 0 {
		o.r.add(o.line, o.path, "no channel", `one channel at least, such as hook_load: {field: "0114", unit: kdaN}`)
	}
	o.close()
}

func readItem(group *object, c ingest.Channel) ingest.ChannelMap {
	group.refuse("none with kind wits: a frame has no topic, and one clock", "topic", "payload", "clock")
	m := readChannel(group, c)
	group.close()
	return m
}

// noteUnits notes channels whose unit is none that the predefined records give
// their item: a kdaN is easily taken for a kN.
func noteUnits(r *reader, sources []Source) []Note {
	var notes []Note
	for i := range sources {
		s := &sources[i]
		for c := range ingest.NumChannels {
			m := &s.Mapping.Channels[c]
			if s.WITS == nil || !m.Mapped || witsitem.Agrees(m, witsitem.Metric) || witsitem.Agrees(m, witsitem.FPS) {
				continue
			}
			metric, fps := witsitem.StandardUnits(m.Field, m.Unit.Dimension)
			key := s.key + ".channels." + c.String()
			notes = append(notes, Note{r.file, r.lineOf(key + ".unit"), fmt.Sprintf(
				"%s: item %s is sent in %s or %s where the sender keeps to the standard; the file says %s", c, m.Field, metric, fps, m.Unit.Symbol)})
		}
	}
	return notes
}

// checkPorts reports a port that two parts of the monitor listen on.
func (f siteFile) checkPorts() {
	type at struct{ host, port, what string }
	var all []at
	if host, port, err := net.SplitHostPort(f.site.Listen); err == nil {
		all = append(all, at{host, port, "the dashboard"})
	}
	for i := range f.site.Sources {
		s := &f.site.Sources[i]
		if s.WITS == nil || s.WITS.Listen == "" {
			continue
		}
		host, port, err := net.SplitHostPort(s.WITS.Listen)
		if err != nil || port == "0" {
			continue
		}
		if j := slices.IndexFunc(all, func(a at) bool { return a.port == port && overlap(a.host, host) }); j >= 0 {
			key := s.key + ".listen"
			f.r.add(f.r.lineOf(key), key, strconv.Quote(s.WITS.Listen)+", which "+all[j].what+" listens on", "a port of its own")
		}
		all = append(all, at{host, port, s.Name})
	}
}

// overlap tells whether two hosts can be one address of this machine.
func overlap(a, b string) bool {
	any := func(host string) bool {
		ip, err := netip.ParseAddr(host)
		return err == nil && ip.IsUnspecified()
	}
	return a == b || any(a) || any(b) || a == "localhost" && loopback(b) || b == "localhost" && loopback(a)
}

// checkRigs reports sources of rigs that the site does not have.
func (f siteFile) checkRigs() {
	var names []string
	for _, r := range f.site.Rigs {
		if r.Rig == nil {
			return // its name is not known
		}
		names = append(names, r.Rig.Name)
	}
	for i := range f.site.Sources {
		s := &f.site.Sources[i]
		if s.WITS != nil && s.WITS.Rig != "" && !slices.Contains(names, s.WITS.Rig) {
			key := s.key + ".rig"
			f.r.add(f.r.lineOf(key), key, strconv.Quote(s.WITS.Rig), fmt.Sprintf("a rig of this site: %q", names))
		}
	}
}
