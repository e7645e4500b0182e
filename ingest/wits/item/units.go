package item

import (
	"math"
	"strings"

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

// ParseSystem reads item 32 of record 23, a text of eight letters. The words beside
// METRIC and FPS are from memory, not confirmed.
func ParseSystem(text string) System {
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
	if code, ok := Parse(field); !ok || !known[code] {
		return "", ""
	}
	return standard[d][Metric], standard[d][FPS]
}

// american are the units of the foot-pound system that a channel may be in.
var american = []string{"in", "ft", "yd", "mi", "lbf", "klbf", "kip", "short_tonf", "psi", "ksi", "lbf.in", "lbf.ft", "klbf.ft", "degF"}

// Agrees tells whether a channel's unit is one of the system. An item of the
// predefined records must have its very unit; of any other, the unit must only not
// be one of the other system.
func Agrees(m *ingest.ChannelMap, s System) bool {
	names, ok := standard[m.Unit.Dimension]
	if !ok {
		return true
	}
	if code, _ := Parse(m.Field); known[code] {
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

// Standard returns the unit that a system has for a dimension, empty where both have
// the same.
func Standard(d units.Dimension, s System) string { return standard[d][s] }
