package group

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"

	"hoistward/alarms/watch"
	"hoistward/ingest/jetstream"
)

// Chosen here: what a member that dies leaves to be played again is at most keepEvery or
// keepRecords of a rig, whichever comes first.
const (
	keepEvery   = 30 * time.Second
	keepRecords = 400
	keepAtOnce  = 8       // snapshots that are being written
	batchLines  = 256     // records between two writes while catching up
	maxHeld     = 4 << 20 // bytes of lines that wait for room in the journal
)

// desk is a partition that is watched: its rigs, its journal, and what is not yet written.
type desk struct {
	p         *partition
	player    *Player
	journal   *jetstream.Journal
	written   uint64 // of the journal, when it was claimed
	caughtUp  uint64 // the log's end then
	opened    bool   // sessions were offered
	lines     []byte
	newest    uint64 // record of the last of lines
	records   int    // since the last write
	answers   []Answer
	revisions map[string]uint64 // of kept snapshots
	kept      map[string]keeping
	lost      map[string]string // rigs whose state is lost, and why
	writing   map[string]bool   // rigs whose snapshot is being written
	keepers   errgroup.Group
	results   chan kept
	next      int // rig whose snapshot is looked at next
	looked    bool
	ahead     time.Duration // of the log's clock
	retry     time.Time     // of a full journal
}

type keeping struct {
	taken uint64 // records that the rig had then taken from this player
	at    time.Time
}

// Answer is what became of an act, for the member that offered it.
type Answer struct {
	ID      string `json:"id"`
	Refused string `json:"refused,omitempty"`
}

// AnswerSubject is where an act's answer is told.
func AnswerSubject(id string) string { return "answer." + id }

func newDesk(p *partition, j *jetstream.Journal, player *Player, last uint64) *desk {
	d := &desk{p: p, player: player, journal: j, written: j.Written(), caughtUp: last,
		revisions: map[string]uint64{}, kept: map[string]keeping{}, lost: map[string]string{},
		writing: map[string]bool{}, results: make(chan kept, len(p.m.o.Settings.Sessions)+keepAtOnce)}
	d.keepers.SetLimit(keepAtOnce)
	return d
}

// restore takes up one rig from its snapshot, where it can be gone on from. An error that
// leaves a rig is worth telling only.
func (d *desk) restore(name string, value []byte, first, last uint64) error {
	err := d.player.Restore(name, value)
	if d.player.Rig(name) == nil {
		return err
	}
	if seq := d.player.Seq(name); first > seq+1 || seq > last {
		d.player.Forget(name)
		return fmt.Errorf("%w: it has %d to %d, the snapshot ends at %d", jetstream.ErrGap, first, last, seq)
	}
	d.kept[name] = keeping{at: time.Now()}
	return err
}

// record plays one record and, when no more waits, writes what came of it.
func (d *desk) record(ctx context.Context, r jetstream.Record, waiting int) error {
	d.p.waiting.Store(int64(waiting))
	d.p.newest.Store(r.Received.UnixMilli())
	fresh := r.Seq > d.written
	before := len(d.lines)
	d.lines = d.player.Take(r, d.lines, func(w *watch.Rig, o *watch.Outcome) {
		if d.p.m.o.Changed != nil {
			d.p.m.o.Changed(w, o, fresh)
		}
		if r.Kind == jetstream.Act && fresh {
			d.answer(r, o)
		}
	})
	if len(d.lines) > before {
		if r.Seq <= d.journal.Written() {
			d.lines = d.lines[:before] // a predecessor wrote them
		} else {
			d.newest = r.Seq
		}
	}
	d.records++
	if waiting > 0 && d.records < batchLines {
		return nil
	}
	d.records = 0
	if err := d.write(ctx); err != nil {
		return err
	}
	if waiting > 0 || r.Seq < d.caughtUp {
		return nil
	}
	if !d.opened {
		if err := d.offerSessions(ctx); err != nil {
			return err
		}
		d.opened = true
		d.p.watching.Store(true)
		d.p.m.say(d.p.name, nil)
	}
	if r.Kind == jetstream.Tick {
		d.look(ctx, &r)
		return d.keep(ctx, keepAtOnce, false)
	}
	return nil
}

func (d *desk) answer(r jetstream.Record, o *watch.Outcome) {
	var q Request
	if json.Unmarshal(r.Payload, &q) == nil && q.ID != "" {
		d.answers = append(d.answers, Answer{q.ID, o.Refused})
	}
}

// write puts the lines into the journal, and answers acts that they hold. Lines that find
// it full wait, up to maxHeld.
func (d *desk) write(ctx context.Context) error {
	if len(d.lines) > 0 && time.Now().After(d.retry) {
		err := d.journal.Append(ctx, d.newest, d.lines)
		switch {
		case err == nil:
			d.lines, d.retry = d.lines[:0], time.Time{}
			d.p.m.say(d.p.name+" journal", nil)
		case errors.Is(err, jetstream.ErrFull) && len(d.lines) < maxHeld:
			d.retry = time.Now().Add(time.Second)
			d.p.m.say(d.p.name+" journal", err)
			return nil
		default:
			return err
		}
	}
	if len(d.lines) > 0 {
		return nil
	}
	for _, a := range d.answers {
		if text, err := json.Marshal(a); err == nil {
			_ = d.p.m.o.Conn.Publish(AnswerSubject(a.ID), text) // who asked waits only so long
		}
	}
	d.answers = d.answers[:0]
	return nil
}

// keep takes snapshots of up to most rigs whose turn it is, of all with every, and has
// them written beside the way through. None goes before the journal has what led to it.
func (d *desk) keep(ctx context.Context, most int, every bool) error {
	if err := d.keptNow(ctx); err != nil || len(d.lines) > 0 {
		return err
	}
	names := d.player.Names()
	now := time.Now()
	for range names {
		if most == 0 || !every && len(d.writing) >= keepAtOnce {
			return nil
		}
		name := names[d.next%len(names)]
		d.next++
		k := d.kept[name]
		since := d.player.Taken(name) - k.taken
		if d.writing[name] || since == 0 || !every && now.Sub(k.at) < keepEvery && since < keepRecords {
			continue
		}
		most--
		value, err := d.player.Snapshot(name)
		if err != nil {
			return err
		}
		d.kept[name], d.writing[name] = keeping{d.player.Taken(name), now}, true
		revision := d.revisions[name]
		d.keepers.Go(func() error {
			revision, err := d.p.m.o.Store.Keep(ctx, name, value, revision)
			d.results <- kept{name, revision, err}
			return nil
		})
	}
	return nil
}

// kept is what became of a snapshot.
type kept struct {
	rig      string
	revision uint64
	err      error
}

// keptNow takes up what became of the snapshots that were written.
func (d *desk) keptNow(ctx context.Context) error {
	for {
		select {
		case k := <-d.results:
			delete(d.writing, k.rig)
			switch {
			case k.err == nil:
				d.revisions[k.rig] = k.revision
				d.p.m.say("bucket", nil)
			case errors.Is(k.err, jetstream.ErrGone):
				d.p.m.say("bucket", k.err)
				clear(d.revisions)
				clear(d.kept)
				if err := d.p.m.o.Store.Mend(ctx); err != nil {
					return err
				}
			default:
				return k.err
			}
		default:
			return nil
		}
	}
}

// leave writes all that is left, for who comes next.
func (d *desk) leave(ctx context.Context) error {
	d.retry = time.Time{}
	if err := d.write(ctx); err != nil {
		return err
	}
	_ = d.keepers.Wait()
	if err := d.keep(ctx, len(d.player.Names()), true); err != nil {
		return err
	}
	_ = d.keepers.Wait()
	return d.keptNow(ctx)
}
