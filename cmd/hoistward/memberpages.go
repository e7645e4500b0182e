package main

import (
	"context"
	"encoding/json"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/dashboard"
	"hoistward/dashboard/view"
	"hoistward/ingest"
)

// memberPages carries what pages show between members. Each tells a tile a second of
// every rig that it watches, and whole snapshots of those that a page shows somewhere;
// all members, the teller too, show what they are told. What nobody takes is gone: the
// next one comes soon.
type memberPages struct {
	m *member

	mu      sync.Mutex
	told    map[string]time.Time      // newest tile of each rig
	sent    map[string]time.Time      // newest snapshot
	looked  map[string]time.Time      // when a page showed it, anywhere
	tiles   map[string]dashboard.Tile // that wait to be told
	awaited map[string][]chan struct{}
}

const (
	tileEvery  = time.Second
	tileFlush  = 100 * time.Millisecond
	lookedFor  = 3 * time.Second // a look is asked again each second
	mostTiles  = 400             // in one message: some 250 KB
	tilesTopic = "group.tiles"
	lookTopic  = "group.look"
	pageTopic  = "group.page."
)

func newMemberPages(m *member) *memberPages {
	return &memberPages{m: m, told: map[string]time.Time{}, sent: map[string]time.Time{}, looked: map[string]time.Time{},
		tiles: map[string]dashboard.Tile{}, awaited: map[string][]chan struct{}{}}
}

// show tells of a rig, in the goroutine that may look at it.
func (p *memberPages) show(w *watch.Rig, o *watch.Outcome) {
	now, rig, urgent := time.Now(), w.Name(), len(o.Events) > 0
	p.mu.Lock()
	tile := urgent || now.Sub(p.told[rig]) >= tileEvery
	page := now.Sub(p.looked[rig]) < lookedFor && (urgent || now.Sub(p.sent[rig]) >= pageEvery)
	if tile {
		p.told[rig] = now
	}
	if page {
		p.sent[rig] = now
	}
	p.mu.Unlock()
	if !tile && !page || w.Result() == nil {
		return
	}
	snap := view.Of(w, o.Seq, rejectsOf(p.m.counters, rig))
	for _, words := range p.m.group.Trouble() {
		snap.Recorder = "group: " + words
		break
	}
	if tile {
		p.mu.Lock()
		p.tiles[rig] = dashboard.TileOf(snap)
		p.mu.Unlock()
	}
	if page {
		if text, err := json.Marshal(snap); err == nil {
			_ = p.m.conn.Publish(pageTopic+rig, text)
		}
	}
}

// rejectsOf are the counts that a rig's page shows: of the rig itself and of the log.
func rejectsOf(c *ingest.Counters, rig string) []ingest.Count {
	v := viewRejects(c.Snapshot(), map[string]bool{rig: true})
	return v.of(rig)
}

func (p *memberPages) start(u *undo) error {
	for subject, take := range map[string]func(*nats.Msg){tilesTopic: p.takeTiles, lookTopic: p.takeLook, pageTopic + "*": p.takePage} {
		sub, err := p.m.conn.Subscribe(subject, take)
		if err != nil {
			return err
		}
		if err := sub.SetPendingLimits(10000, 64<<20); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		flush, look := time.NewTicker(tileFlush), time.NewTicker(time.Second)
		defer flush.Stop()
		defer look.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-flush.C:
				p.flush()
			case <-look.C:
				for _, r := range p.m.site.Rigs {
					if p.m.page.Watched(r.Rig.Name) {
						_ = p.m.conn.Publish(lookTopic, []byte(r.Rig.Name))
					}
				}
			}
		}
	}()
	u.add("pages", func(stop context.Context) error { cancel(); return waitFor(stop, done) })
	return nil
}

func (p *memberPages) flush() {
	p.mu.Lock()
	waiting := p.tiles
	p.tiles = map[string]dashboard.Tile{}
	p.mu.Unlock()
	var batch []dashboard.Tile
	send := func() {
		if text, err := json.Marshal(batch); err == nil && len(batch) > 0 {
			_ = p.m.conn.Publish(tilesTopic, text)
		}
		batch = batch[:0]
	}
	for _, t := range waiting {
		if batch = append(batch, t); len(batch) == mostTiles {
			send()
		}
	}
	send()
}

func (p *memberPages) takeTiles(msg *nats.Msg) {
	var tiles []dashboard.Tile
	if err := json.Unmarshal(msg.Data, &tiles); err != nil {
		p.m.log.Warn("a member's tiles cannot be read", zap.Error(err))
		return
	}
	for i := range tiles {
		p.m.page.PublishTile(tiles[i])
	}
}

func (p *memberPages) takeLook(msg *nats.Msg) {
	p.mu.Lock()
	defer p.mu.Unlock()
	rig := string(msg.Data)
	if now := time.Now(); now.Sub(p.looked[rig]) >= lookedFor { // a page has just come
		delete(p.sent, rig)
	}
	p.looked[rig] = time.Now()
}

func (p *memberPages) takePage(msg *nats.Msg) {
	var snap dashboard.Snapshot
	if err := json.Unmarshal(msg.Data, &snap); err != nil {
		p.m.log.Warn("a member's page cannot be read", zap.Error(err))
		return
	}
	p.m.page.Publish(&snap)
	p.mu.Lock()
	waiting := p.awaited[snap.Rig]
	delete(p.awaited, snap.Rig)
	p.mu.Unlock()
	for _, w := range waiting {
		close(w)
	}
}

// fresh asks who watches the rig for a snapshot, and waits for it a moment.
func (p *memberPages) fresh(rig string) {
	come := make(chan struct{})
	p.mu.Lock()
	p.awaited[rig] = append(p.awaited[rig], come)
	p.mu.Unlock()
	_ = p.m.conn.Publish(lookTopic, []byte(rig))
	select {
	case <-come:
	case <-time.After(freshLimit):
		p.mu.Lock()
		delete(p.awaited, rig)
		p.mu.Unlock()
	}
}
