package dashboard

import (
	"sync"
	"time"
)

// What one address, or one session, may ask: a burst at once, and then so many a second. A wall of pages
// behind one address opens its assets in a burst; a page itself asks a few times a second.
const (
	paceBurst   = 2000
	pacePerSec  = 200
	pacedAtMost = 4096 // addresses remembered
)

// pacer counts requests by address or session, as a bucket that fills at pacePerSec. What it
// answers is a function of what it was asked and when; it is safe for many goroutines.
type pacer struct {
	mu sync.Mutex
	by map[string]bucket
}

type bucket struct {
	left float64
	at   time.Time
}

// take counts one request, and returns 0, or how long until one may pass again.
func (p *pacer) take(address string, now time.Time) time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	b, ok := p.by[address]
	if !ok {
		p.makeRoom(now)
		b = bucket{paceBurst, now}
	}
	b.left = min(paceBurst, b.left+max(0, now.Sub(b.at).Seconds())*pacePerSec)
	b.at = now
	var wait time.Duration
	if b.left >= 1 {
		b.left--
	} else {
		wait = max(1, time.Duration((1-b.left)/pacePerSec*float64(time.Second))) // 0 would let it pass
	}
	p.by[address] = b
	return wait
}

// makeRoom forgets addresses whose bucket is full again, and when there is none of them
// all: a flood from more addresses than are remembered is not this bucket's to stop.
func (p *pacer) makeRoom(now time.Time) {
	if p.by == nil {
		p.by = map[string]bucket{}
	}
	if len(p.by) < pacedAtMost {
		return
	}
	for address, b := range p.by {
		if b.left+now.Sub(b.at).Seconds()*pacePerSec >= paceBurst {
			delete(p.by, address)
		}
	}
	if len(p.by) >= pacedAtMost {
		clear(p.by)
	}
}
