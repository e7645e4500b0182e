package group

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"hoistward/alarms/watch"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
)

// partition is one partition that a member seeks or has.
type partition struct {
	m        *Member
	n        int
	name     string
	ctx      context.Context
	cancel   context.CancelFunc
	done     chan struct{}
	held     atomic.Bool // the servers have given it to us
	watching atomic.Bool // and its rigs are caught up with
	waiting  atomic.Int64
	newest   atomic.Int64 // receipt of the newest record that was played, ms since 1970
}

func (m *Member) newPartition(ctx context.Context, n int) *partition {
	p := &partition{m: m, n: n, name: fmt.Sprintf("partition %d", n), done: make(chan struct{})}
	p.ctx, p.cancel = context.WithCancel(context.WithoutCancel(ctx)) // leave ends it, in order
	return p
}

func (p *partition) stop() { p.cancel() }

// leaveTime is how long the last snapshots of a partition may take, 3 s. Chosen here:
// below what an ordered stop of the program may take.
const leaveTime = 3 * time.Second

// run seeks the partition and watches it until it is lost or p is stopped.
func (p *partition) run() {
	defer close(p.done)
	defer p.m.drop(p.n, p)
	knock, end := context.WithCancel(p.ctx)
	go p.knock(knock)
	lease, err := p.m.o.Store.Seek(p.ctx, p.n)
	end()
	if err != nil {
		if p.ctx.Err() == nil {
			p.m.say(p.name, err)
			pause(p.ctx, tryAgain)
		}
		return
	}
	if p.m.full() {
		lease.Release(p.ctx)
		return
	}
	p.held.Store(true)
	err = p.watch(lease)
	p.watching.Store(false)
	if p.ctx.Err() != nil {
		err = nil
	}
	p.m.say(p.name, err)
	release, cancel := context.WithTimeout(context.WithoutCancel(p.ctx), leaveTime)
	defer cancel()
	lease.Release(release)
	if err != nil {
		pause(p.ctx, tryAgain)
	}
}

// knock offers ticks while nobody does: the servers give a partition away with one.
func (p *partition) knock(ctx context.Context) {
	for ctx.Err() == nil {
		if p.m.untold(p.n) {
			p.m.o.Store.Beat(p.n)
		}
		pause(ctx, TickEvery)
	}
}

var errLeaseLost = errors.New("the servers have given the partition to another member")

// watch plays the partition's log until the lease is lost or p is stopped.
func (p *partition) watch(lease *jetstream.Lease) error {
	ctx, cancel := context.WithCancelCause(p.ctx)
	defer cancel(nil)
	go func() {
		select {
		case <-lease.Lost():
			cancel(errLeaseLost)
		case <-ctx.Done():
		}
	}()
	d, after, err := p.take(ctx)
	if err == nil {
		var beats sync.WaitGroup
		beat, end := context.WithCancel(ctx)
		beats.Go(func() { p.beat(beat) })
		err = p.follow(ctx, d, after)
		end()
		beats.Wait()
	}
	if cause := context.Cause(ctx); errors.Is(cause, errLeaseLost) {
		return nil // it is another's: no trouble
	}
	if d != nil && p.ctx.Err() != nil {
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), leaveTime)
		defer cancel()
		if e := d.leave(last); e != nil && !errors.Is(e, jetstream.ErrLost) {
			p.m.o.Told(p.name, e)
		}
	}
	if errors.Is(err, jetstream.ErrLost) {
		return nil
	}
	return err
}

// beat offers a tick each half second: it is what time passes by in the log.
func (p *partition) beat(ctx context.Context) {
	t := time.NewTicker(TickEvery)
	defer t.Stop()
	for {
		p.m.o.Store.Beat(p.n)
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

// take claims the journal and restores the partition's rigs.
func (p *partition) take(ctx context.Context) (*desk, uint64, error) {
	j, err := p.m.o.Store.Claim(ctx, p.n)
	if err != nil {
		return nil, 0, err
	}
	player, err := NewPlayer(&p.m.o.Settings, p.m.o.Counters)
	if err != nil {
		return nil, 0, err
	}
	kept, err := p.m.o.Store.Snapshots(ctx, p.n)
	if errors.Is(err, jetstream.ErrGone) {
		p.m.say("bucket", err)
		if err = p.m.o.Store.Mend(ctx); err == nil {
			kept, err = p.m.o.Store.Snapshots(ctx, p.n)
		}
	}
	if err != nil {
		return nil, 0, err
	}
	first, last, err := p.m.o.Store.State(ctx)
	if err != nil {
		return nil, 0, err
	}
	d := newDesk(p, j, player, last)
	for name := range p.m.o.Settings.Sessions {
		if k, ok := kept[name]; ok && jetstream.PartitionOf(name) == p.n {
			d.revisions[name] = k.Revision
			if err := d.restore(name, k.Value, first, last); err != nil {
				p.m.o.Told("rig "+name, err)
				d.lost[name] = err.Error()
			}
		}
	}
	openings, err := p.m.o.Store.Openings(ctx, p.n, func(rig string) bool { return player.Rig(rig) != nil })
	if err != nil {
		return nil, 0, err
	}
	return d, d.begin(openings, last, len(kept) == 0), nil
}

// begin returns the record after which the log is to be played: for each rig that after
// its snapshot or, where there is none that serves, the one before its first session in
// the log. A rig that has neither begins anew; where there must have been something, its
// alarm state is said to be lost.
func (d *desk) begin(openings map[string]uint64, last uint64, empty bool) (after uint64) {
	after = last
	for name := range d.p.m.o.Settings.Sessions {
		if jetstream.PartitionOf(name) != d.p.n {
			continue
		}
		opened, inLog := openings[name]
		switch {
		case d.player.Rig(name) != nil:
			delete(d.lost, name)
			after = min(after, d.player.Seq(name))
		case inLog:
			delete(d.lost, name)
			after = min(after, opened-1)
		case empty && d.written > 0:
			d.lost[name] = "the bucket of snapshots is empty, and the log no longer reaches back to where the rig began"
		}
	}
	return after
}

// follow plays what comes, and writes after each batch.
func (p *partition) follow(ctx context.Context, d *desk, after uint64) error {
	return p.m.o.Store.Follow(ctx, p.n, after, func(r jetstream.Record, waiting int) error {
		return d.record(ctx, r, waiting)
	})
}

// offerSessions writes the session of each rig that has none, or another, into the log.
func (d *desk) offerSessions(ctx context.Context) error {
	texts := map[string][]byte{}
	for name := range d.p.m.o.Settings.Sessions {
		if jetstream.PartitionOf(name) != d.p.n {
			continue
		}
		s, ok := d.player.Wanted(name)
		if !ok {
			continue
		}
		if why, lost := d.lost[name]; lost {
			s.Alarms, s.StateLost = "", why
		}
		s.Continues = d.player.Rig(name) != nil
		text, err := json.Marshal(s)
		if err != nil {
			return err
		}
		texts[name] = text
	}
	return d.p.m.o.Store.OfferAllOf(ctx, jetstream.Opening, texts)
}

// look compares the log's clock with this machine's, and tells the log of a step.
func (d *desk) look(ctx context.Context, r *jetstream.Record) {
	if d.p.m.o.Wall == nil {
		return
	}
	ahead := r.Received.Sub(d.p.m.o.Wall())
	if ahead.Abs() > clockOff {
		d.p.m.say(d.p.name+" clock", fmt.Errorf("the clock of the log is %s off this machine's: one of the two is wrong", ahead.Round(time.Second)))
	} else {
		d.p.m.say(d.p.name+" clock", nil)
	}
	step := ahead - d.ahead
	first := !d.looked
	if step.Abs() <= clockOff && !first {
		return
	}
	d.looked, d.ahead = true, ahead
	if first && ahead.Abs() <= clockOff {
		return
	}
	link := ingest.Link{Source: watch.ClockLink, State: "set", Detail: fmt.Sprintf("the log's clock is %s off that of %s", ahead.Round(time.Millisecond), d.p.m.o.Name)}
	if text, err := json.Marshal(link); err == nil {
		if _, err := d.p.m.o.Store.OfferAll(ctx, d.p.n, jetstream.Link, text); err != nil {
			d.p.m.o.Told(d.p.name, err)
		}
	}
}

// clockOff is the least difference of clocks that is told, 5 s. Chosen here: above what a
// choice of another leading server delays a record.
const clockOff = 5 * time.Second

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
