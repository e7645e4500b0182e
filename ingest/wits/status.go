package wits

import "time"

// State is the condition of the way to a sender. The zero value is "never
// connected".
//
//	           connection          a whole frame
//	never ────────────────▶ connected ─────────▶ receiving ◀──▶ quiet
//	connected                 ▲   │                  │  no frame/frame
//	                          │   ▼  connection gone │            │
//	                          lost ◀─────────────────┴────────────┘
type State uint8

// The states.
const (
	NeverConnected State = iota
	Connected            // open, no whole frame yet
	Receiving            // open, and whole frames come
	Lost                 // was connected, is being tried again or waited for
	Quiet                // open, but no whole frame for QuietAfter
	Closed               // by Close
)

var stateNames = [...]string{"never connected", "connected", "receiving", "lost", "quiet", "closed"}

// String returns the words used in files, JSON and on screens.
func (s State) String() string { return stateNames[min(int(s), len(stateNames)-1)] }

// Open tells whether frames can come in this state.
func (s State) Open() bool { return s == Connected || s == Receiving || s == Quiet }

// Status is a state with its beginning and what is known of its cause.
type Status struct {
	Source string
	State  State
	Since  time.Time
	Detail string
}

// Stats counts what went through a source since it was made.
type Stats struct {
	Received uint64 // whole frames
	Broken   uint64 // frames that were not whole, and text outside of frames
	Dropped  uint64 // oldest ones discarded because the reader was behind
	Waiting  int    // in the queue now
	Connects uint64 // connections opened
	Losses   uint64 // connections that ended, not by Close
	Refused  uint64 // peers that may not connect
	Replaced uint64 // connections given up for a newer one of the sender
}
