package main

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"hoistward/alarms/watch"
	"hoistward/dashboard"
	"hoistward/dashboard/trend"
	"hoistward/dashboard/view"
	"hoistward/ingest"
)

// pager hands snapshots from the loop to the page. The loop makes them, since only
// it may look at a rig; a goroutine of its own turns them into JSON, and of a rig
// only the newest waits. A rig that no page shows gets one a second, for the list of
// rigs, or one in ten seconds while nobody looks; a page that comes is given a new one
// first.
type pager struct {
	counters *ingest.Counters
	loop     *watch.Loop
	sick     func() []string // what is wrong with the monitor itself, for every page
	page     atomic.Pointer[dashboard.Server]

	// Of the loop's goroutine.
	seq     uint64
	last    map[string]time.Time
	counted time.Time
	rejects rejectViews

	mu      sync.Mutex
	waiting map[string]*dashboard.Snapshot
	taken   time.Time // when what waited was last taken
	wake    chan struct{}
}

const (
	pageEvery    = 40 * time.Millisecond  // least time between two snapshots of a rig, but for alarms
	manyEvery    = 80 * time.Millisecond  // likewise of one that only pages of many rigs show: ten a second, whatever the jitter
	unseenEvery  = time.Second            // likewise of one that no page shows, for the list of rigs
	restEvery    = 10 * time.Second       // likewise while nobody looks at anything; each alarm makes one at once
	lookedLately = 30 * time.Second       // somebody who looked at something so lately still does
	countEvery   = 250 * time.Millisecond // least time between two looks at the counters
	freshLimit   = time.Second            // a page that comes waits so long for the loop at most
)

func newPager(c *ingest.Counters) *pager {
	return &pager{counters: c, sick: func() []string { return []string{} }, last: map[string]time.Time{}, waiting: map[string]*dashboard.Snapshot{}, wake: make(chan struct{}, 1)}
}

// show makes w's snapshot the newest, unless one was made a moment ago and nothing
// of note has happened.
func (p *pager) show(w *watch.Rig, urgent bool) {
	now := time.Now()
	p.note(w)
	if !urgent && !p.due(w.Name(), now) {
		return
	}
	snap := p.make(w, now)
	if snap == nil {
		return
	}
	p.mu.Lock()
	p.waiting[w.Name()] = snap
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// note takes each frame of w into the trends, published or not: no peak between two
// snapshots is lost.
func (p *pager) note(w *watch.Rig) {
	page, r := p.page.Load(), w.Result()
	if page == nil || r == nil {
		return
	}
	e := &r.Estimate
	page.Note(w.Name(), w.Now(), trend.Values{
		trend.Height: e.Height, trend.Velocity: e.Velocity, trend.HookLoad: e.HookLoad,
		trend.Heat: e.BrakeTemperature, trend.HeatBound: e.BrakeTemperatureHi,
	})
}

// due tells whether it is time for a rig's next snapshot.
func (p *pager) due(rig string, now time.Time) bool {
	since := now.Sub(p.last[rig])
	if since < pageEvery || since >= restEvery {
		return since >= restEvery
	}
	page := p.page.Load()
	if page == nil || !page.Looked(lookedLately) {
		return false
	}
	if since >= unseenEvery {
		return true
	}
	cabins, many := page.Watching(rig)
	return cabins || many && since >= manyEvery
}

// make returns a new snapshot of w; nil where nothing is known of it yet.
func (p *pager) make(w *watch.Rig, now time.Time) *dashboard.Snapshot {
	if w.Result() == nil {
		return nil
	}
	if now.Sub(p.counted) >= countEvery {
		p.counted = now
		p.rejects = viewRejects(p.counters.Snapshot(), p.last)
	}
	p.last[w.Name()] = now
	p.seq++
	snap := view.Of(w, p.seq, p.rejects.of(w.Name()))
	snap.Sick = p.sick()
	return snap
}

// fresh publishes a rig as it is now, for a page that has just come.
func (p *pager) fresh(rig string) {
	ctx, cancel := context.WithTimeout(context.Background(), freshLimit)
	defer cancel()
	made := make(chan *dashboard.Snapshot, 1)
	if !p.loop.Look(ctx, rig, func(w *watch.Rig) { made <- p.make(w, time.Now()) }) {
		return
	}
	if snap := <-made; snap != nil {
		p.page.Load().Publish(snap)
	}
}

func (p *pager) start(page *dashboard.Server, u *undo) {
	p.page.Store(page)
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
			p.waiting, p.taken = map[string]*dashboard.Snapshot{}, time.Now()
			p.mu.Unlock()
			for _, snap := range batch {
				page.Publish(snap)
			}
		}
	}()
	u.add("pager", func(stop context.Context) error { cancel(); return waitFor(stop, done) })
}

// moved tells whether snapshots wait, and when some were last taken.
func (p *pager) moved() (waiting bool, at time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.waiting) > 0, p.taken
}

// rejectViews are the counts of rejects as the pages of rigs show them: of the
// sources, and what was refused by the rig's own order of times.
type rejectViews struct {
	common []ingest.Count
	own    map[string][]ingest.Count
}

func viewRejects[T any](counts []ingest.Count, rigs map[string]T) rejectViews {
	v := rejectViews{own: map[string][]ingest.Count{}}
	for _, c := range counts {
		if _, rig := rigs[c.Source]; rig {
			v.own[c.Source] = append(v.own[c.Source], c)
		} else {
			v.common = append(v.common, c)
		}
	}
	return v
}

func (v *rejectViews) of(rig string) []ingest.Count {
	own := v.own[rig]
	if len(own) == 0 {
		return v.common
	}
	return append(append(make([]ingest.Count, 0, len(own)+len(v.common)), own...), v.common...)
}
