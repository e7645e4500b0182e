package ingest

import (
	"time"

	"hoistward/ingest/units"
)

// Mapping says how one source's messages become channels.
type Mapping struct {
	TimeField string // name of the event time in a message, "t" in the own form
	Clock     Clock
	MaxAhead  time.Duration // a stamp further ahead of receipt is not believed
	MaxBehind time.Duration // a stamp further behind is kept, but is not the present
	Channels  [NumChannels]ChannelMap
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
	Field  string     // key in the message
	Unit   units.Unit // of the number in the message
	Scale  float64    // applied before the unit, 1 = as is
	Shift  float64    // added after Scale, before the unit
	Low    float64    // SI; below is out of range
	High   float64    // SI; above is out of range
	Nulls  []float64  // numbers that mean "no value", tested before conversion
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
