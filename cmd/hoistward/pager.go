package main

import (
	"context"
	"sync"
	"time"

	"hoistward/alarms/watch"
	"hoistward/dashboard"
	"hoistward/dashboard/view"
	"hoistward/ingest"
)

// pager hands snapshots from the loop to the page. The loop makes them, since only
// it may look at a rig; a goroutine of its own turns them into JSON, and of a rig
// only the newest waits.
type pager struct {
	counters *ingest.Counters
	seq      uint64
	last     map[string]time.Time

	mu      sync.Mutex
	waiting map[string]*dashboard.Snapshot
	wake    chan struct{}
}

// pageEvery is the least time between two snapshots of a rig, but for alarms.
const pageEvery = 40 * time.Millisecond

func newPager(c *ingest.Counters) *pager {
	return &pager{counters: c, last: map[string]time.Time{}, waiting: map[string]*dashboard.Snapshot{}, wake: make(chan struct{}, 1)}
}

// show makes w's snapshot the newest, unless one was made a moment ago and nothing
// of note has happened.
func (p *pager) show(w *watch.Rig, urgent bool) {
	now := time.Now()
	if w.Result() == nil || (!urgent && now.Sub(p.last[w.Name()]) < pageEvery) {
		return
	}
	p.last[w.Name()] = now
	p.seq++
	snap := view.Of(w, p.seq, p.counters.Snapshot())
	p.mu.Lock()
	p.waiting[w.Name()] = snap
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

func (p *pager) start(page *dashboard.Server, u *undo) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-ctx.Done():
				return
			case <-p.wake:
			}
			p.mu.Lock()
			batch := p.waiting
			p.waiting = map[string]*dashboard.Snapshot{}
			p.mu.Unlock()
			for _, snap := range batch {
				page.Publish(snap)
			}
		}
	}()
	u.add("pager", func(stop context.Context) error { cancel(); return waitFor(stop, done) })
}
