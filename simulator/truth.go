package simulator

import (
	"bufio"
	"io"
	"strconv"
)

// Event is something that happened to the plant.
type Event uint8

// The events.
const (
	NoEvent Event = iota
	CrownContact
	FloorContact
	CrownSaverTripped
	LineOverloaded // fast line above its breaking strength at the crown
	PipeFree       // stuck pipe let go
	EmergencyPulled
	LineSlipped // line was slipped and cut
	NumEvents
)

var eventNames = [NumEvents]string{
	"", "crown contact", "floor contact", "crown saver tripped",
	"line overloaded", "pipe free", "emergency handle pulled", "line slipped",
}

// String returns the event in the words of the truth file; empty for none.
func (e Event) String() string {
	if e < NumEvents {
		return eventNames[e]
	}
	return "unknown event"
}

// Activity is what the rig is doing.
type Activity uint8

// The activities.
const (
	Idle Activity = iota
	RaisingLoaded
	RaisingEmpty
	LoweringLoaded
	LoweringEmpty
	InSlips
	PickingUp
	SlackingOff
	Drilling
	Slipping // slipping and cutting line
	Stopped  // stopped by trouble
	NumActivities
)

var activityNames = [NumActivities]string{
	"idle", "raising loaded", "raising empty", "lowering loaded", "lowering empty",
	"in slips", "picking up", "slacking off", "drilling", "slipping line", "stopped",
}

// String returns the activity in the words of scenario and truth files.
func (a Activity) String() string {
	if a < NumActivities {
		return activityNames[a]
	}
	return "unknown activity"
}

// ParseActivity returns the activity of that name.
func ParseActivity(name string) (Activity, bool) {
	for i, n := range activityNames {
		if n == name {
			return Activity(i), true
		}
	}
	return NumActivities, false
}

// Truth is what really is, at the instant of a sample. SI, height from the rig
// floor and up positive, drum speed and torques positive winding in.
type Truth struct {
	Time           float64 // s since the start
	Height         float64 // m, block
	Velocity       float64 // m/s
	Acceleration   float64 // m/s², mean since the last sample
	HookLoad       float64 // N, pull of the line on the block
	DrumSpeed      float64 // rad/s
	Wraps          float64 // on the drum, dead wraps included
	DriveTorque    float64 // N·m at the drum
	BrakeTorque    float64 // N·m, service and emergency together, magnitude
	AuxTorque      float64 // N·m, magnitude
	BrakePressure  float64 // Pa at the pads
	EmergencyPress float64 // Pa
	Ring           float64 // K, friction ring
	Body           float64 // K, body of the discs
	Friction       float64 // service lining, now
	Slack          float64 // m that the block could fall before the line takes it
	Stand          int     // stands done
	Activity       Activity
	Event          Event   // worst since the last sample
	ImpactSpeed    float64 // m/s of the event
}

// TruthHeader is the first row of a truth file; units stand in brackets as in
// the field CSV.
const TruthHeader = "time[s],height[m],velocity[m/s],acceleration[m/s2],hook_load[kN],drum_speed[rpm],wraps," +
	"drive_torque[kN.m],brake_torque[kN.m],auxiliary_torque[kN.m],brake_pressure[MPa],emergency_pressure[MPa]," +
	"ring_temperature[degC],body_temperature[degC],friction,line_slack[m],stand,activity,event,impact_speed[m/s]\n"

// TruthWriter writes Truth as CSV. It refuses to write more after an error.
type TruthWriter struct {
	w   *bufio.Writer
	buf []byte
	err error
}

// NewTruthWriter writes the header and returns the writer; Flush when done.
func NewTruthWriter(w io.Writer) *TruthWriter {
	t := &TruthWriter{w: bufio.NewWriterSize(w, 1<<16), buf: make([]byte, 0, 512)}
	_, t.err = t.w.WriteString(TruthHeader)
	return t
}

// Write adds a row.
func (t *TruthWriter) Write(x *Truth) error {
	if t.err != nil {
		return t.err
	}
	b := t.buf[:0]
	num := func(v float64, digits int) {
		b = strconv.AppendFloat(b, v, 'f', digits, 64)
		b = append(b, ',')
	}
	num(x.Time, 3)
	num(x.Height, 4)
	num(x.Velocity, 4)
	num(x.Acceleration, 4)
	num(x.HookLoad/1e3, 2)
	num(x.DrumSpeed*rpm, 3)
	num(x.Wraps, 4)
	num(x.DriveTorque/1e3, 3)
	num(x.BrakeTorque/1e3, 3)
	num(x.AuxTorque/1e3, 3)
	num(x.BrakePressure/1e6, 4)
	num(x.EmergencyPress/1e6, 4)
	num(x.Ring-273.15, 2)
	num(x.Body-273.15, 2)
	num(x.Friction, 4)
	num(x.Slack, 4)
	b = strconv.AppendInt(b, int64(x.Stand), 10)
	b = append(b, ',')
	b = append(b, x.Activity.String()...)
	b = append(b, ',')
	b = append(b, x.Event.String()...)
	b = append(b, ',')
	if x.Event != NoEvent {
		b = strconv.AppendFloat(b, x.ImpactSpeed, 'f', 3, 64)
	}
	b = append(b, '\n')
	t.buf = b
	_, t.err = t.w.Write(b)
	return t.err
}

// Flush writes what is buffered and returns the first error there was.
func (t *TruthWriter) Flush() error {
	if t.err == nil {
		t.err = t.w.Flush()
	}
	return t.err
}
