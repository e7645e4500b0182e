package configs

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

// What a source need not say of its time.
const (
	standardTimeField = "t"
	standardAhead     = 5 * time.Second
	standardBehind    = 60 * time.Second
)

var periodTime = between(0.005, 600, "a time from 5 ms to 10 min")

var asideTime = between(0.01, 24*3600, "a time from 10 ms to 24 h")

// standardRanges are the values that a sensor can show where a file states no
// range: wide enough for every rig of the trade with its sensor's own overrun, so
// that what lies outside was never measured. From memory, not confirmed.
var standardRanges = [ingest.NumChannels][2]float64{
	ingest.HookLoad:           {-50e3, 15e6},       // N: an unloaded cell's zero error, to twice a large hook
	ingest.BlockHeight:        {-5, 80},            // m
	ingest.DrumSpeed:          {-60, 60},           // rad/s, some 570 rpm
	ingest.DrumCounts:         {-1 << 53, 1 << 53}, // beyond, counts are not exact
	ingest.BrakePressure:      {-1e6, 50e6},        // Pa
	ingest.EmergencyPressure:  {-1e6, 50e6},        // Pa
	ingest.DriveTorque:        {-1e6, 1e6},         // N·m
	ingest.DriveEngaged:       {0, 1},
	ingest.AuxiliaryCurrent:   {-50, 2000},       // A
	ingest.BrakeTemperature:   {223.15, 1273.15}, // K, -50 to 1000 degC
	ingest.CoolantTemperature: {223.15, 473.15},  // K, -50 to 200 degC
	ingest.DeadLineTension:    {-50e3, 2e6},      // N
	ingest.CrownSaver:         {0, 1},
	ingest.BitDepth:           {-100, 20e3}, // m
}

func readTime(o *object, m *ingest.Mapping) {
	m.TimeField, m.Clock = standardTimeField, ingest.SourceClock
	if field, ok := o.words("field", false, "the key of the time in a message"); ok {
		m.TimeField = field
		if _, err := ingest.ParseField(field); err != nil {
			o.r.add(o.r.lineOf(o.at("field")), o.at("field"), strconv.Quote(field), wantField)
		}
	}
	if i, ok := o.choice("clock", false, "source", "receipt"); ok {
		m.Clock = ingest.Clock(i)
	}
	o.duration("max_ahead", &m.MaxAhead, standardAhead, asideTime)
	o.duration("max_behind", &m.MaxBehind, standardBehind, asideTime)
	o.close()
}

func readChannels(o *object, s *Source) {
	m := &s.Mapping
	t := topicsOf(s)
	for c := range ingest.NumChannels {
		name := c.String()
		o.ask(name)
		if !o.has(name) {
			continue
		}
		t.channel(o.child(name, true), c)
	}
	if !o.silent && len(o.names) == 0 {
		o.r.add(o.line, o.path, "no channel", "one channel at least, such as hook_load: {unit: kN}")
	}
	m.Topics = t.topics
	o.close()
}

func readChannel(o *object, c ingest.Channel) ingest.ChannelMap {
	limits := standardRanges[c]
	m := ingest.ChannelMap{Mapped: true, Field: c.String(), Low: limits[0], High: limits[1]}
	if field, ok := o.words("field", false, "a key of the message"); ok {
		m.Field = field
	}
	if o.has("period") {
		o.duration("period", &m.Period, 0, periodTime)
	}
	o.ask("period")
	m.Unit = readUnit(o, c)
	optional(o, "scale", &m.Scale, units.Dimensionless, rule{func(x float64) bool { return x != 0 }, "a number other than 0"}, 1)
	optional(o, "shift", &m.Shift, units.Dimensionless, anyNumber, 0)
	readRange(o, c, &m)
	if o.has("null") {
		for _, number := range o.list("null", true, "a list of numbers that mean no value") {
			if x, ok := o.r.number(number); ok {
				m.Nulls = append(m.Nulls, x)
			}
		}
	}
	o.ask("null")
	return m
}

func readUnit(o *object, c ingest.Channel) units.Unit {
	dimension := c.Dimension()
	plain, _ := units.Lookup("")
	if dimension == units.Dimensionless {
		if o.has("unit") {
			o.ask("unit")
			o.r.add(o.r.lineOf(o.at("unit")), o.at("unit"), "a unit", "none: "+c.String()+" is a plain number")
		}
		return plain
	}
	want := "a unit of " + dimension.String()
	text, line, ok := o.scalar("unit", true, want)
	if !ok {
		return plain
	}
	u, known := units.Lookup(text)
	switch {
	case !known:
		o.r.add(line, o.at("unit"), fmt.Sprintf("the unit %q, which is not known", text), want)
	case u.Dimension != dimension:
		o.r.add(line, o.at("unit"), fmt.Sprintf("%q, a unit of %s", text, u.Dimension), want)
	}
	return u
}

func readRange(o *object, c ingest.Channel, m *ingest.ChannelMap) {
	o.ask("range")
	if !o.has("range") {
		return
	}
	const want = "two values, least and greatest, such as [0 kN, 5 MN]"
	items := o.list("range", true, want)
	if len(items) == 0 {
		return
	}
	at := o.at("range")
	if len(items) != 2 {
		o.r.add(o.r.lineOf(at), at, fmt.Sprintf("a list of %d", len(items)), want)
		return
	}
	var limits [2]float64
	for i, item := range items {
		text, ok := o.r.text(item.node, item.path, want)
		if ok {
			limits[i], ok = o.r.parse(text, item.node.Line, item.path, c.Dimension(), anyNumber)
		}
		if !ok {
			limits[i] = math.NaN()
		}
	}
	if limits[0] >= limits[1] {
		o.r.add(o.r.lineOf(at), at, items[0].node.Value+" to "+items[1].node.Value, "the least value first, and a greater one after it")
	}
	m.Low, m.High = limits[0], limits[1]
}
