package wits

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

// System is one of the two systems of units that an item may be sent in.
type System uint8

// The systems.
const (
	NoSystem System = iota // not known
	Metric
	FPS // foot, pound, second
)

// String returns the word that record 23 uses.
func (s System) String() string { return [...]string{"", "METRIC", "FPS"}[min(s, FPS)] }

// parseSystem reads item 32 of record 23, a text of eight letters. The words beside
// METRIC and FPS are from memory, not confirmed.
func parseSystem(text string) System {
	switch strings.ToUpper(text) {
	case "METRIC", "SI":
		return Metric
	case "FPS", "IMPERIAL", "ENGLISH":
		return FPS
	}
	return NoSystem
}

// standard holds the units of each dimension in the two systems, as the tables of
// the predefined records have them: KDN and KLB, M and F, KPA and PSI, KNM and KFLB,
// DEGC and DEGF. A kdaN is 10 kN. What is not here (rpm, counts, current) is the same
// in both.
//
// Source: dictionary of items with their metric and FPS units in the public
// repository mwdstd/mwdstdwits, src/wits-dictionary.ts, record 01.
var standard = map[units.Dimension][3]string{
	units.Force:       {Metric: "kdaN", FPS: "klbf"},
	units.Length:      {Metric: "m", FPS: "ft"},
	units.Pressure:    {Metric: "kPa", FPS: "psi"},
	units.Torque:      {Metric: "kN.m", FPS: "klbf.ft"},
	units.Temperature: {Metric: "degC", FPS: "degF"},
}

// known are the items of record 01 that a channel may be read from and whose unit
// is therefore one of standard's; of others a sender may make what it likes.
var known = map[int]bool{
	108: true, 109: true, 110: true, 111: true, 112: true, 114: true, 115: true, 116: true, 117: true,
	118: true, 119: true, 121: true, 122: true, 133: true, 134: true,
}

// StandardUnits returns the units that the predefined records give an item of that
// field in the two systems, empty where they give none.
func StandardUnits(field string, d units.Dimension) (metric, fps string) {
	if code, ok := ParseItem(field); !ok || !known[code] {
		return "", ""
	}
	return standard[d][Metric], standard[d][FPS]
}

// american are the units of the foot-pound system that a channel may be in.
var american = []string{"in", "ft", "yd", "mi", "lbf", "klbf", "kip", "short_tonf", "psi", "ksi", "lbf.in", "lbf.ft", "klbf.ft", "degF"}

// agrees tells whether a channel's unit is one of the system. An item of the
// predefined records must have its very unit; of any other, the unit must only not
// be one of the other system.
func agrees(m *ingest.ChannelMap, s System) bool {
	names, ok := standard[m.Unit.Dimension]
	if !ok {
		return true
	}
	if code, _ := ParseItem(m.Field); known[code] {
		want, _ := units.Lookup(names[s])
		return same(m.Unit, want, 1) || same(m.Unit, want, m.Scale)
	}
	foot := false
	for _, symbol := range american {
		u, _ := units.Lookup(symbol)
		foot = foot || u.Dimension == m.Unit.Dimension && same(m.Unit, u, 1)
	}
	return foot == (s == FPS)
}

// same tells whether scale times a is b. A scale near 1 that a channel has is a
// calibration; one that makes another unit of it is part of the unit.
func same(a, b units.Unit, scale float64) bool {
	return math.Abs(a.Factor*scale-b.Factor) <= 1e-6*math.Abs(b.Factor) && a.Offset == b.Offset
}

// declared is what record 23 has said, and what of it contradicts the site file. It
// holds until record 23 says otherwise: it may never be sent again.
type declared struct {
	ignore       bool
	zone         time.Duration // as the site file states it
	here         bool          // the frame at hand says something
	conflicts    [ingest.NumChannels]string
	zoneConflict string
}

func (d *declared) hear(system, zone cell, m *ingest.Mapping, reject func(ingest.Reject, string)) {
	d.here = system.times+zone.times > 0
	if d.ignore {
		return
	}
	if system.times > 0 && !noValue(system.text) {
		if s := parseSystem(string(system.text)); s != NoSystem {
			d.setSystem(s, m)
		} else {
			reject(ingest.RejectUnitConflict, fmt.Sprintf("record 23 item 32: got the system %q, want METRIC or FPS", head(system.text)))
		}
	}
	if zone.times > 0 && !noValue(zone.text) && m.Clock == ingest.SourceClock {
		d.zoneConflict = ""
		if !meansZone(string(zone.text), d.zone) {
			d.zoneConflict = fmt.Sprintf("record 23 item 33 says %s, the site file %s", head(zone.text), FormatZone(d.zone))
		}
	}
}

func (d *declared) setSystem(s System, m *ingest.Mapping) {
	for c := range ingest.NumChannels {
		d.conflicts[c] = ""
		cm := &m.Channels[c]
		if !cm.Mapped || agrees(cm, s) {
			continue
		}
		d.conflicts[c] = fmt.Sprintf("%s %s: record 23 says %s, so %s; the site file says %s",
			c, cm.Field, s, standard[cm.Unit.Dimension][s], cm.Unit.Symbol)
	}
}

// meansZone tells whether the number of item 33 can mean the zone. The tables say
// neither its unit nor its form: senders write hours, hours and minutes as HHMM or
// HHMMSS, or minutes (common practice), so any of these will do.
func meansZone(text string, zone time.Duration) bool {
	n, err := strconv.ParseFloat(strings.TrimPrefix(text, "+"), 64)
	if err != nil {
		return false
	}
	h, m := math.Trunc(zone.Hours()), math.Mod(zone.Minutes(), 60)
	for _, form := range []float64{zone.Hours(), zone.Minutes(), 100*h + m, 10000*h + 100*m} {
		if math.Abs(n-form) < 1e-9 {
			return true
		}
	}
	return false
}

// FormatZone returns an offset from UTC as "+05:30".
func FormatZone(zone time.Duration) string {
	sign := '+'
	if zone < 0 {
		sign, zone = '-', -zone
	}
	return fmt.Sprintf("%c%02d:%02d", sign, int(zone.Hours()), int(zone.Minutes())%60)
}

// ParseZone reads an offset from UTC of that form, or "Z".
func ParseZone(text string) (time.Duration, bool) {
	if text == "Z" {
		return 0, true
	}
	if len(text) != len("+05:30") || text[3] != ':' || text[0] != '+' && text[0] != '-' {
		return 0, false
	}
	h, okH := digits([]byte(text[1:3]))
	m, okM := digits([]byte(text[4:]))
	if !okH || !okM || h > 14 || m > 59 {
		return 0, false
	}
	zone := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
	if text[0] == '-' {
		zone = -zone
	}
	return zone, true
}
