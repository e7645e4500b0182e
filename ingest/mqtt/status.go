package mqtt

import (
	"fmt"
	"time"

	"hoistward/ingest"
)

// State is the condition of the way to a broker. The zero value is "never
// connected".
//
//	            connect ok            all granted
//	never ──────────────▶ connected ─────────────▶ subscribed ◀──▶ quiet
//	connected               │  ▲  │ a code 0x80        │    no data/data
//	                        │  │  └────▶ refused ◀─┐   │
//	            link gone   ▼  │           │  tried │   │ link gone
//	                       lost ◀──────────┴── again   │
//	                         ▲─────────────────────────┘
type State uint8

// The states.
const (
	NeverConnected State = iota
	Connected            // link open, subscription not yet answered
	Subscribed           // link open, subscription granted
	Refused              // link open, subscription not granted: nothing will come
	Lost                 // was connected, is being tried again
	Quiet                // subscribed, but no live message for QuietAfter
	Closed               // by Close
)

var stateNames = [...]string{"never connected", "connected", "subscribed", "refused", "lost", "quiet", "closed"}

// String returns the words used in files, JSON and on screens.
func (s State) String() string { return stateNames[min(int(s), len(stateNames)-1)] }

// Open tells whether messages can come in this state.
func (s State) Open() bool { return s == Subscribed || s == Quiet }

// Status is a state with its beginning and what is known of its cause.
type Status struct {
	Source    string // name of the client, from Options
	State     State
	Since     time.Time
	Detail    string
	Contested bool // links are lost so often that two clients may share one id
}

// Link returns s as an entry of a recording.
func (s Status) Link() *ingest.Link {
	return &ingest.Link{Source: s.Source, State: s.State.String(), Detail: s.Detail}
}

// String returns s as one line, without the time.
func (s Status) String() string {
	if s.Detail == "" {
		return fmt.Sprintf("%s: %s", s.Source, s.State)
	}
	return fmt.Sprintf("%s: %s: %s", s.Source, s.State, s.Detail)
}

// Stats counts what went through a client since it was made.
type Stats struct {
	Received    uint64    // messages, retained and duplicate ones among them
	Retained    uint64    // delivered, but marked as not live
	Duplicates  uint64    // delivered, marked by the broker as sent again
	BadTopic    uint64    // delivered without a rig
	TooLarge    uint64    // not delivered: payload over MaxPayload
	Dropped     uint64    // oldest ones discarded because the reader was behind
	Waiting     int       // in the queue now
	Connects    uint64    // links opened
	Losses      uint64    // links lost
	Undelivered uint64    // publishes that the broker did not confirm
	LastLive    time.Time // of the last message that was not retained; zero: none
}
