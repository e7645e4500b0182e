package detect

import "math"

// sourceClock watches the source's stamps against receipt. The least lag seen is
// the clocks' offset plus the shortest way; what a message takes beyond it is
// latency. The least lag is let to rise by leak so that a drifting clock is
// followed.
type sourceClock struct {
	seen bool
	lag  float64 // least receipt − stamp, s
	last float64
}

// leak lets the least lag rise, s/s: a clock that drifts by 86 s a day is followed.
const leak = 1e-3

// clockTolerance is how far a source's clock may differ before it is said, s.
const clockTolerance = 2.0

// observe returns the latency of a reading stamped event and received at now.
func (c *sourceClock) observe(event, now float64) float64 {
	lag := now - event
	if !c.seen {
		c.seen, c.lag = true, lag
	} else {
		c.lag = min(lag, c.lag+leak*max(0, now-c.last))
	}
	c.last = now
	return lag - c.lag
}

// reset forgets the offset: the source's clock was stepped.
func (c *sourceClock) reset() { c.seen = false }

func (c *sourceClock) judge() Finding {
	if !c.seen {
		return undecided()
	}
	if math.Abs(c.lag) > clockTolerance {
		return present(Low, StampsOffset, -c.lag, clockTolerance, "s")
	}
	return absent(-c.lag, clockTolerance, "s")
}
