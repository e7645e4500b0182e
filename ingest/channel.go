// Package ingest says what a reading is: its channel, unit, quality and time;
// it maps and checks readings, and gathers them into one frame per rig.
//
// It may not reach the network or a clock: time comes in with the data.
package ingest

// Channel is one measured quantity of a hoist. The names are the trade's.
type Channel uint8

// The channels. All values are SI: N, m, rad/s, Pa, N·m, A, K; counts and
// on/off channels carry no unit (on = 1). Drum speed is positive while line is
// wound in (block rising); drum counts rise with it.
const (
	HookLoad Channel = iota
	BlockHeight
	DrumSpeed
	DrumCounts
	BrakePressure
	EmergencyPressure
	DriveTorque
	DriveEngaged
	AuxiliaryCurrent
	BrakeTemperature
	CoolantTemperature
	DeadLineTension
	CrownSaver
	BitDepth
	NumChannels
)

var channelNames = [NumChannels]string{
	"hook_load", "block_height", "drum_speed", "drum_counts", "brake_pressure",
	"emergency_pressure", "drive_torque", "drive_engaged", "auxiliary_current",
	"brake_temperature", "coolant_temperature", "dead_line_tension",
	"crown_saver", "bit_depth",
}

// String returns the name used in files, topics and JSON.
func (c Channel) String() string {
	if c < NumChannels {
		return channelNames[c]
	}
	return "unknown channel"
}

// ParseChannel returns the channel of that name.
func ParseChannel(name string) (Channel, bool) {
	for i, n := range channelNames {
		if n == name {
			return Channel(i), true
		}
	}
	return NumChannels, false
}
