package notify

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/journal"
	"hoistward/alarms/pair"
)

// place is how far a destination has come, as it stands on disk.
type place struct {
	Version    int    `json:"version"` // placeVersion; 0 = before there were versions, the same in all else
	Journal    string `json:"journal"` // which one; empty = it had no line yet
	Seq        int64  `json:"seq"`     // everything up to this number is dealt with
	Sent       uint64 `json:"sent"`
	SetAside   uint64 `json:"set_aside"`
	PassedOver uint64 `json:"passed_over"`

	Told pair.Spans `json:"told,omitempty"` // of one of a pair: what it sent here itself, and did not leave to the other
}

// placeVersion is the version of a place that this program writes.
const placeVersion = 1

// errNewer is of a place that a newer program wrote.
var errNewer = errors.New("a newer hoistward wrote it")

// outbox is one destination's way through the journal. One goroutine reads; done may
// be called from another.
type outbox struct {
	name  string
	path  string // of the place
	tail  tail
	keep  time.Duration
	now   func() time.Time
	log   *zap.Logger
	voice Voice // nil = this monitor is none of a pair

	passed int64 // up to here all is dealt with, but for what the pair finds is news again
	given  int64 // number of the newest event that next gave
	mu     sync.Mutex
	place  place
	told   bool // so was the newest that was dealt with
	dirty  bool
	saved  time.Time
}

// saveEvery is the least time between two writings of a place while events flow. What
// a crash takes of it is sent again.
const saveEvery = 100 * time.Millisecond

// openOutbox takes up the place of the destination name. One that is new begins with
// what comes after now; one whose place was damaged begins with the oldest that is
// still sent.
func openOutbox(o *Options, name string) (*outbox, error) {
	b := &outbox{name: name, path: filepath.Join(o.Dir, name+".json"), tail: tail{path: o.Journal},
		keep: o.Keep, now: o.Clock, voice: o.Voice, log: o.Log.With(zap.String("destination", name))}
	if err := b.tail.open(0); err != nil {
		return nil, err
	}
	p, err := readPlace(b.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		p = place{Seq: b.tail.length()}
	case err != nil:
		aside := b.path + ".damaged-"
		if errors.Is(err, errNewer) {
			aside = b.path + ".newer-"
		}
		aside += o.Clock().UTC().Format("20060102T150405Z")
		b.log.Error("the destination's place is not readable: it begins again with the oldest that is still sent, under the same ids",
			zap.Error(err), zap.String("set_aside", aside), zap.NamedError("moving", os.Rename(b.path, aside)))
		p = place{}
	case p.Journal == b.tail.id && p.Seq > b.tail.length():
		b.log.Error("the journal is shorter than this destination had come to, as after a loss of power: it goes on with the journal's end",
			zap.Int64("had_seq", p.Seq), zap.Int64("length", b.tail.length()))
		p.Seq = b.tail.length()
	case p.Journal != "" && p.Journal != b.tail.id:
		b.log.Error("the journal is another one than this destination had come to: it begins with the new one's start; what the old one held after its place is not sent",
			zap.String("had_journal", p.Journal), zap.Int64("had_seq", p.Seq), zap.String("journal", b.tail.id))
		p.Seq = 0
	}
	p.Version, p.Journal = placeVersion, b.tail.id
	b.place, b.dirty = p, true
	b.rewind()
	return b, b.save()
}

func readPlace(path string) (place, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return place{}, err
	}
	var p place
	err = json.Unmarshal(b, &p)
	if p.Version > placeVersion {
		return place{}, fmt.Errorf("%s: got version %d, want %d at most: %w", path, p.Version, placeVersion, errNewer)
	}
	if err != nil {
		return place{}, err
	}
	if p.Seq < 0 {
		return place{}, fmt.Errorf("seq: got %d, want a place in the journal", p.Seq)
	}
	return p, nil
}

// rewind goes back to the first event that is not known to be dealt with. Where the
// journal was replaced meanwhile, the place is in the new one or at its start.
func (b *outbox) rewind() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.place.Journal != "" && b.place.Journal != b.tail.id {
		b.log.Warn("the journal was replaced before this destination had all of it", zap.Int64("seq", b.place.Seq))
		b.place.Journal, b.place.Seq, b.dirty = b.tail.id, 0, true
	}
	if b.voice != nil {
		if from, any := b.voice.Rewind(b.name); any && from < b.place.Seq {
			b.passed = max(b.passed, b.place.Seq)
			b.place.Seq, b.dirty = from, true
		}
	}
	b.tail.seek(b.place.Seq)
	b.given = b.place.Seq
}

// next returns the next event; false = there is none yet. A journal that was moved or
// removed is read to its end; the new one begins when all of the old one is dealt with.
func (b *outbox) next() (record, bool, error) {
	before := b.tail.pos
	r, ok, err := b.tail.next()
	if !ok && err == nil && b.allDone() {
		if ok, err = b.tail.follow(); ok {
			b.given, before = 0, 0
			r, ok, err = b.tail.next()
		}
	}
	if ok && b.voice != nil && !b.ask(&r, before) {
		return record{}, false, nil
	}
	if ok {
		r.old = b.now().Sub(r.event.Time) > b.keep
		b.given = r.seq
	}
	return r, ok, err
}

func (b *outbox) allDone() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.place.Seq >= b.given
}

// tally is what became of some events.
type tally struct{ sent, aside, passed uint64 }

// done says that everything up to number seq of the journal is dealt with.
func (b *outbox) done(r *record, n tally) {
	b.mu.Lock()
	p := &b.place
	if n.passed > 0 && p.PassedOver == 0 {
		b.log.Error("events are passed over: they waited longer than is kept", zap.Duration("keep", b.keep))
	}
	p.Journal, p.Seq = r.journal, r.seq
	p.Sent += n.sent
	p.SetAside += n.aside
	p.PassedOver += n.passed
	if b.voice != nil {
		told := n.sent+n.passed > 0
		if told {
			p.Told = p.Told.Add(r.journal, r.seq, b.told)
		}
		b.told = told
	}
	b.dirty = true
	due := time.Since(b.saved) >= saveEvery
	b.mu.Unlock()
	if due {
		_ = b.save() // said by save; tried again with the next
	}
}

// save puts the place on disk.
func (b *outbox) save() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.dirty {
		return nil
	}
	text, err := json.Marshal(b.place)
	if err == nil {
		err = journal.ReplaceFile(b.path, append(text, '\n'))
	}
	b.saved = time.Now()
	if err != nil {
		b.log.Error("the destination's place cannot be kept: after a crash, events go out again", zap.Error(err))
		return fmt.Errorf("outbox %s: %w", b.name, err)
	}
	b.dirty = false
	return nil
}

// at returns the place, and how many bytes of the journal lie after it.
func (b *outbox) at(length int64) (place, int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.place, max(0, length-b.place.Seq)
}
