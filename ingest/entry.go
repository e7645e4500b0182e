package ingest

import "time"

// Sample is what one message said of one rig at one instant.
type Sample struct {
	Time   time.Time // event time, UTC, by the source's clock
	Has    uint32    // bit c set: the message named channel c, if only as "no value"
	Values [NumChannels]Value
}

// Set records v for channel c.
func (s *Sample) Set(c Channel, v Value) {
	s.Has |= 1 << c
	s.Values[c] = v
}

// Named tells whether the message named channel c.
func (s *Sample) Named(c Channel) bool { return s.Has&(1<<c) != 0 }

// Kind tells what an Entry carries.
type Kind uint8

// The kinds of entry. The numbers are written in recordings: add, never renumber.
const (
	EntrySample  Kind = 1
	EntryTick    Kind = 2
	EntryAct     Kind = 3
	EntryLink    Kind = 4
	EntrySession Kind = 5
	EntryGap     Kind = 6
)

// Entry is one thing that can change an answer about one rig. The live loop makes
// entries, the recorder keeps them, replay and simulation hand the same ones to
// the same code: the entries of a rig, in order, are the whole input.
type Entry struct {
	Seq      uint64    // order of taking, rising through a recording
	Received time.Time // UTC, never falling within a session
	Rig      string
	Kind     Kind
	Sample   Sample   // EntrySample
	Act      *Act     // EntryAct
	Link     *Link    // EntryLink
	Session  *Session // EntrySession
	Gap      *Gap     // EntryGap
}

// Link is a change of the way that readings come.
type Link struct {
	Source string `json:"source"`
	State  string `json:"state"` // "connected", "lost", "never connected", "subscribed", "refused"
	Detail string `json:"detail,omitempty"`
}

// Session opens a run of the monitor on a rig: what was in force then. The first
// entry of each UTC day repeats it with Continues, so that a day's recording can be
// read alone; where the run is already under way it changes nothing.
type Session struct {
	Software  string   `json:"software"`
	RigFile   string   `json:"rig_file"`             // the YAML text in force
	Channels  []string `json:"channels,omitempty"`   // mapped, so that one that never comes is missed
	Alarms    string   `json:"alarms,omitempty"`     // alarm state carried in, JSON
	StateLost string   `json:"state_lost,omitempty"` // why the alarm state that was saved could not be carried in
	KeepsLog  bool     `json:"keeps_log,omitempty"`  // proof tests and line service are logged here
	Continues bool     `json:"continues,omitempty"`

	Apart   bool               `json:"apart,omitempty"`   // channels come in messages of their own: frames are gathered
	Periods map[string]float64 `json:"periods,omitempty"` // s between readings, by channel, as stated
}

// Gap says that entries were lost before this one, and why.
type Gap struct {
	Lost   uint64 `json:"lost"`
	Reason string `json:"reason"`
}
