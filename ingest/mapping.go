package ingest

import (
	"time"

	"hoistward/ingest/units"
)

// Mapping says how one source's messages become channels.
type Mapping struct {
	TimeField string // name of the event time in a message, "t" in the own form
	RigField  string // of the rig's name in a message of JSON; empty = the way that it comes names it
	Clock     Clock
	MaxAhead  time.Duration // a stamp further ahead of receipt is not believed
	MaxBehind time.Duration // a stamp further behind is kept, but is not the present
	Topics    []Topic       // of a source that has topics: where its channels come, in order
	Offsets   *Offsets      // where the offset of the source's clock is measured; nil = it is not
	Channels  [NumChannels]ChannelMap
}

// Topic is one topic of a source and what its messages look like.
type Topic struct {
	Pattern string // "plant/{rig}/hookload"
	Payload Payload
	Clock   Clock
}

// Payload is what the messages of a topic look like.
type Payload uint8

// The payloads.
const (
	JSON       Payload = iota // objects with one key a channel
	NumberText                // one number alone
	Lines                     // line protocol
	Sparkplug                 // Sparkplug B
)

var payloadNames = [...]string{"json", "number", "lines", "sparkplug"}

// String returns the name used in files.
func (p Payload) String() string { return payloadNames[min(int(p), len(payloadNames)-1)] }

// ParsePayload returns the payload of that name.
func ParsePayload(name string) (Payload, bool) {
	for i, n := range payloadNames {
		if n == name {
			return Payload(i), true
		}
	}
	return 0, false
}

// On returns m with the channels that come on its topic i alone.
func (m *Mapping) On(i int) *Mapping {
	one := *m
	if i < len(m.Topics) {
		one.Clock = m.Topics[i].Clock
	}
	for c := range one.Channels {
		if one.Channels[c].Topic != i {
			one.Channels[c] = ChannelMap{}
		}
	}
	return &one
}

// Apart tells whether the channels of a rig come in messages of their own, so that
// a frame has to be gathered from several.
func (m *Mapping) Apart() bool {
	return len(m.Topics) > 1 || len(m.Topics) == 1 && m.Topics[0].Payload == Lines
}

// Clock says whose time a reading bears.
type Clock uint8

// The clocks.
const (
	SourceClock  Clock = iota // the stamp in the message
	ReceiptClock              // the moment of receipt; stamps are ignored
)

// ChannelMap says where one channel stands in a message and what its number means.
type ChannelMap struct {
	Mapped bool
	Topic  int           // index in Mapping.Topics
	Field  string        // where the value stands in the message
	Period time.Duration // between readings, as stated; 0 = not stated
	Unit   units.Unit    // of the number in the message
	Scale  float64       // applied before the unit, 1 = as is
	Shift  float64       // added after Scale, before the unit
	Low    float64       // SI; below is out of range
	High   float64       // SI; above is out of range
	Nulls  []float64     // numbers that mean "no value", tested before conversion
}

var dimensions = [NumChannels]units.Dimension{
	HookLoad: units.Force, BlockHeight: units.Length, DrumSpeed: units.RotationSpeed,
	DrumCounts: units.Dimensionless, BrakePressure: units.Pressure,
	EmergencyPressure: units.Pressure, DriveTorque: units.Torque,
	DriveEngaged: units.Dimensionless, AuxiliaryCurrent: units.Current,
	BrakeTemperature: units.Temperature, CoolantTemperature: units.Temperature,
	DeadLineTension: units.Force, CrownSaver: units.Dimensionless, BitDepth: units.Length,
}

// Dimension returns the kind of quantity that c measures.
func (c Channel) Dimension() units.Dimension { return dimensions[c] }
