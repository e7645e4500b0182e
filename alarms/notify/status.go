package notify

import (
	"sync"
	"time"
)

// Words for the state of a destination.
const (
	Starting   = "starting"   // nothing was tried yet
	Delivering = "delivering" // the newest attempt was taken
	Failing    = "failing"    // it was not
)

// Status is the state of one destination.
type Status struct {
	Name       string    `json:"name"`
	Kind       string    `json:"kind"` // "mqtt", "webhook", "annunciator"
	State      string    `json:"state"`
	Detail     string    `json:"detail,omitempty"`
	Since      time.Time `json:"since"`             // of the state
	Seq        int64     `json:"seq"`               // everything up to this number is dealt with
	Behind     int64     `json:"behind_bytes"`      // of the journal, after it
	Sent       uint64    `json:"sent"`              // events, or commands run; since the destination was set up
	SetAside   uint64    `json:"set_aside"`         // refused for good
	PassedOver uint64    `json:"passed_over"`       // waited longer than is kept
	Failures   uint64    `json:"failures"`          // attempts that failed, since the start
	Coalesced  uint64    `json:"coalesced"`         // alarms that a later command stood for
	Damaged    uint64    `json:"damaged,omitempty"` // lines of the journal that are no events
	Shared     bool      `json:"-"`                 // the way is a source's broker, whose loss is said elsewhere
}

// condition is the state of a destination as it changes.
type condition struct {
	mu       sync.Mutex
	state    string
	detail   string
	since    time.Time
	failures uint64
}

func newCondition() condition { return condition{state: Starting, since: time.Now().UTC()} }

// become takes the outcome of an attempt.
func (c *condition) become(state, detail string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if state == Failing {
		c.failures++
	}
	if state != c.state {
		c.state, c.since = state, time.Now().UTC()
	}
	c.detail = detail
}

// result is become by an error.
func (c *condition) result(err error) {
	if err != nil {
		c.become(Failing, err.Error())
		return
	}
	c.become(Delivering, "")
}

func (c *condition) fill(s *Status) {
	c.mu.Lock()
	defer c.mu.Unlock()
	s.State, s.Detail, s.Since, s.Failures = c.state, c.detail, c.since, c.failures
}
