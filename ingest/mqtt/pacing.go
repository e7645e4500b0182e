package mqtt

import "time"

const (
	steadyAfter   = 30 * time.Second // a link that held so long was a good one
	contestedSpan = time.Minute
	contestedLost = 4 // links lost within contestedSpan
)

// pacing decides how long to wait before the next attempt to connect: each
// failure in a row doubles the pause, a link that held starts afresh. It also
// tells when links are lost so often that another client may have the same id,
// or a message may be one that the broker closes the link on.
type pacing struct {
	min, max time.Duration
	failures int
	losses   [contestedLost]time.Time // newest last
}

// failed returns the pause after an attempt that did not connect.
func (p *pacing) failed() time.Duration {
	p.failures++
	pause := p.min
	for i := 1; i < p.failures && pause < p.max; i++ {
		pause *= 2
	}
	return min(pause, p.max)
}

// lost returns the pause after a link that was open for held.
func (p *pacing) lost(now time.Time, held time.Duration) time.Duration {
	if held >= steadyAfter {
		p.failures = 0
	}
	copy(p.losses[:], p.losses[1:])
	p.losses[contestedLost-1] = now
	return p.failed()
}

// contested tells whether so many links were lost lately.
func (p *pacing) contested(now time.Time) bool {
	return !p.losses[0].IsZero() && now.Sub(p.losses[0]) < contestedSpan
}
