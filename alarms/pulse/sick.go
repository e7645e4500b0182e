package pulse

import (
	"fmt"
	"strings"
	"time"
)

// Condition is what a monitor knows of its own health.
type Condition struct {
	Behind    time.Duration // the longest that a message lately waited for its decision
	Round     time.Duration // how long the round under way has gone on
	Stuck     []string
	NoRecord  []string // rigs whose recording cannot be written
	LowSpace  bool
	Shed      uint64 // entries that the recorder lost lately
	Held      int    // journal lines that wait for the disk
	LostLines uint64 // journal lines that are lost
	ClockOff  time.Duration
	Shut      []string // sources that are not open, with their states
	Dropped   uint64   // messages discarded lately because the loop was behind
	NotTold   string   // what alarms do not get out by; empty = all deliver
}

// The limits from which a monitor says that it is sick. Chosen here.
const (
	behindSick = time.Second     // of a message's wait
	clockSick  = 2 * time.Second // of this machine's clock against the monitor's
)

// Sick says in words what is wrong with the monitor itself, the worst first; empty where
// nothing is. It is never nil.
func (c *Condition) Sick() []string {
	out := []string{}
	say := func(when bool, format string, a ...any) {
		if when {
			out = append(out, fmt.Sprintf(format, a...))
		}
	}
	say(c.Round > Every+Late, "The monitor is late: it has not looked at every rig for %s.", seconds(c.Round))
	for _, s := range c.Stuck {
		say(true, "The monitor is stuck at %s.", s)
	}
	say(c.Behind > behindSick, "The monitor is late: readings wait %s for their answer.", seconds(c.Behind))
	say(c.Dropped > 0, "The monitor is late: %d messages were discarded in the last minute.", c.Dropped)
	say(len(c.Shut) > 0, "Connection lost: %s.", strings.Join(c.Shut, ", "))
	say(c.Held > 0, "The alarm journal cannot be written: %d lines wait for the disk.", c.Held)
	say(c.LostLines > 0, "The alarm journal lost %d lines.", c.LostLines)
	say(len(c.NoRecord) > 0, "Recording has stopped for %s.", few(c.NoRecord))
	say(c.Shed > 0, "The recorder lost %d entries in the last minute.", c.Shed)
	say(c.LowSpace, "The disk is nearly full.")
	say(c.ClockOff.Abs() > clockSick, "This machine's clock was set: the monitor's times are %s off it until it is started again.", c.ClockOff.Round(time.Second))
	say(c.NotTold != "", "Alarms do not get out: %s.", c.NotTold)
	return out
}

// few names three at most, and how many more there are.
func few(names []string) string {
	const most = 3
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
}
