// Package historian forwards what is recorded to a historian that takes line
// protocol over HTTP, in order and completely.
//
// The recorder's files are the queue. Of each rig a place is kept, the Seq up to
// which everything is with the server; it moves, on disk, after the server has
// confirmed. After an outage or a restart of either side, forwarding goes on from
// the place, oldest first: what happens now comes when what was missed is there.
// Between a confirmation and the moving of the place a process may die; the points
// are then sent again. A point is what has the same measurement, tags and time: a
// server that overwrites such a one, as InfluxDB does, has every point once.
//
// Points are measurement hoist, tag rig, a float field for each channel (SI) and
// each number of an estimate; measurement alarm for journal lines. A value that is
// not good is not written: where it was bad there is no field, and fields
// CHANNEL_quality and CHANNEL_reason say so. Other fields of the point stay.
//
// A refused batch is halved until what the server will not have is found, down to
// one field of one point: that is put aside with the server's words, and counted.
// Nothing else is dropped. What is not the point's fault (no way there, no right, no
// bucket, overload) is tried again for as long as it takes, with growing pauses, and
// after the pause that the server asks for.
//
// Bounds: one batch is in memory; back-fill is held to a rate; after each pass the
// forwarder rests as long as it has worked. It runs in a goroutine of its own and
// reads the files in short transactions: recording and watching never wait for it.
//
// The package may not decide what a value means, and may not write recordings.
package historian

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"hoistward/ingest/record"
)

// Options of a Forwarder. The zero value of a field without a default means "none".
type Options struct {
	URL        string // of the server, http:// or https://
	Org        string
	Bucket     string // or, for InfluxDB 1.8, database or database/retention policy
	TokenFile  string // a file with the token alone, read again after each refusal of it
	User       string // basic authorization in place of a token, with PasswordFile
	Password   string // its file
	CAFile     string
	Recordings string           // folder of the recorder
	State      string           // folder for places and refused points
	Clock      func() time.Time // the recorder's; nil = time.Now

	Interval time.Duration // between looks at the recordings, 1 s
	Timeout  time.Duration // of one request, 30 s
	Batch    int           // points in one request, 5,000
	Rate     int           // points a second at most, 20,000
	RetryMin time.Duration // first pause after a failure, 1 s
	RetryMax time.Duration // longest pause of our own, 60 s; a server may ask for up to an hour

	saved func() // tests: called when places have been saved
}

func (o Options) withDefaults() Options {
	set(&o.Interval, time.Second)
	set(&o.Timeout, 30*time.Second)
	set(&o.Batch, 5000)
	set(&o.Rate, 20000)
	set(&o.RetryMin, time.Second)
	set(&o.RetryMax, time.Minute)
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.saved == nil {
		o.saved = func() {}
	}
	return o
}

func set[T int | time.Duration](v *T, to T) {
	if *v <= 0 {
		*v = to
	}
}

// Status says how forwarding goes.
type Status struct {
	State    string        // "forwarding", "catching up", "waiting", "refused" or "stopped"
	Sent     uint64        // points confirmed since the start, repeats included
	Requests uint64        // sent, refused ones included
	Refused  uint64        // points or fields of points put aside, since the start
	LeftOut  uint64        // lines that could not be put into line protocol, put aside too
	Behind   time.Duration // age of the oldest entry that is not with the server; 0 = none
	Error    string        // why it is waiting, or what went wrong last
	ErrorAt  time.Time     // UTC
	RetryAt  time.Time     // UTC; zero while it does not wait
	Words    string        // of the server, about the last point refused
	Notes    []string      // damage found at the start and what was done
	Rigs     []RigStatus
}

// RigStatus is the place of one rig.
type RigStatus struct {
	Rig      string
	Seq      uint64    // everything up to it is with the server, or put aside
	Received time.Time // of that entry, UTC
	Refused  uint64    // in all, over restarts
}

// Forwarder forwards recordings. All methods may be called from any goroutine.
type Forwarder struct {
	o      Options
	post   *poster
	places *places
	feed   *feed
	aside  *aside
	apart  suspects
	most   int // points that one request may have, as the server has shown; 0 = not known

	ctx   context.Context
	abort context.CancelFunc // gives up a request
	stop  chan struct{}
	done  chan struct{}
	once  sync.Once

	mu     sync.Mutex
	status Status
	oldest time.Time // receipt of the oldest entry not yet with the server; zero = none
	err    error     // set before done is closed
}

// Open starts a forwarder. It is called before the recorder takes anything, so that
// what is in the folder is complete, and closed after the recorder.
func Open(o Options) (*Forwarder, error) {
	o = o.withDefaults()
	if err := os.MkdirAll(o.State, 0o755); err != nil {
		return nil, fmt.Errorf("historian: %w", err)
	}
	post, err := newPoster(&o)
	if err != nil {
		return nil, fmt.Errorf("historian: %w", err)
	}
	last, err := record.LastSeq(o.Recordings)
	if err != nil {
		return nil, fmt.Errorf("historian: %w", err)
	}
	pl, note, err := openPlaces(filepath.Join(o.State, placesFile), o.Clock())
	if err != nil {
		return nil, fmt.Errorf("historian: %w", err)
	}
	f := &Forwarder{o: o, post: post, places: pl, apart: suspects{},
		aside: &aside{path: filepath.Join(o.State, refusedFile), most: asideMost},
		stop:  make(chan struct{}), done: make(chan struct{})}
	f.status.State = "forwarding"
	if note != "" {
		f.status.Notes = append(f.status.Notes, note)
	}
	pl.rewind(last)
	f.feed = newFeed(o.Recordings, last, pl)
	f.ctx, f.abort = context.WithCancel(context.Background())
	go f.run()
	return f, nil
}

// Close sends what is recorded until ctx ends, then stops; it is called when the
// recorder is closed. Nothing is sent after it has returned. What is left is sent
// after the next start, so an unreachable server is no error here.
func (f *Forwarder) Close(ctx context.Context) error {
	f.once.Do(func() { close(f.stop) })
	select {
	case <-f.done:
		return f.err
	case <-ctx.Done():
	}
	f.abort()
	<-f.done
	return f.err
}

// Status returns how forwarding goes.
func (f *Forwarder) Status() Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.status
	s.Notes = append([]string(nil), s.Notes...)
	s.Rigs = f.places.list()
	if !f.oldest.IsZero() {
		s.Behind = max(0, f.o.Clock().Sub(f.oldest))
	}
	return s
}

// Place returns the Seq up to which everything of a rig is with the server, or put aside.
func (f *Forwarder) Place(rig string) uint64 { return f.places.of(rig).seq }

func (f *Forwarder) update(change func(*Status)) {
	f.mu.Lock()
	change(&f.status)
	f.mu.Unlock()
}

// run forwards until it is stopped, then once more what is left.
func (f *Forwarder) run() {
	defer close(f.done)
	for f.pass() {
	}
	if f.ctx.Err() == nil {
		f.feed.whole = true // the recorder is closed
		f.last()
	}
	f.post.close()
	f.err = f.places.close()
	f.update(func(s *Status) { s.State, s.RetryAt = "stopped", time.Time{} })
}

// pass forwards one batch and rests. False means stop.
func (f *Forwarder) pass() bool {
	start := time.Now()
	b, err := f.next()
	if err != nil {
		f.fail(err)
	}
	if b.empty() {
		return f.rest(max(f.o.Interval, time.Since(start)))
	}
	for pause := f.o.RetryMin; ; pause = min(2*pause, f.o.RetryMax) {
		err := f.forward(b)
		if err == nil {
			break
		}
		wait := jitter(pause)
		if t := new(trouble); errors.As(err, &t) && t.after > 0 {
			wait = t.after
		}
		f.wait(err, wait)
		if !f.rest(wait) {
			return false
		}
	}
	worked := time.Since(start)
	share := time.Duration(float64(len(b.points)) / float64(f.o.Rate) * float64(time.Second))
	if b.more {
		return f.rest(max(worked, share-worked))
	}
	return f.rest(max(f.o.Interval, worked))
}

// last sends what is left at the stop, without waiting for anything.
func (f *Forwarder) last() {
	for f.ctx.Err() == nil {
		b, err := f.next()
		if err != nil {
			f.fail(err)
		}
		if b.empty() {
			return
		}
		if err := f.forward(b); err != nil {
			f.fail(err)
			return
		}
	}
}

// next reads a batch.
func (f *Forwarder) next() (*batch, error) {
	b, err := f.feed.next(f.o.Batch)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.oldest = b.oldest
	f.status.LeftOut += uint64(len(b.left))
	if f.status.RetryAt.IsZero() {
		f.status.State = "forwarding"
		if b.more {
			f.status.State = "catching up"
		}
	}
	return b, err
}

// forward delivers b and moves the places.
func (f *Forwarder) forward(b *batch) error {
	d := delivery{f: f, refused: b.left}
	if err := d.deliver(f.ctx, b.points); err != nil {
		return err
	}
	if err := f.aside.add(f.o.Clock(), d.refused); err != nil {
		return fmt.Errorf("refused points cannot be put aside: %w", err)
	}
	if err := f.places.save(b.places, d.refused); err != nil {
		return fmt.Errorf("the place cannot be saved: %w", err)
	}
	f.mu.Lock()
	f.status.Sent += uint64(d.taken)
	f.status.Refused += uint64(len(d.refused))
	if n := len(d.refused); n > 0 {
		f.status.Words = d.refused[n-1].words
	}
	if f.status.RetryAt = (time.Time{}); !b.more {
		f.oldest = time.Time{}
	}
	if f.status.State == "waiting" || f.status.State == "refused" {
		f.status.State = "forwarding"
	}
	f.mu.Unlock()
	f.o.saved()
	return nil
}

func (f *Forwarder) fail(err error) {
	f.update(func(s *Status) { s.Error, s.ErrorAt = err.Error(), f.o.Clock().UTC() })
}

func (f *Forwarder) wait(err error, pause time.Duration) {
	f.fail(err)
	f.update(func(s *Status) {
		s.State, s.RetryAt = "waiting", f.o.Clock().Add(pause).UTC()
		if t := new(trouble); errors.As(err, &t) && t.refused {
			s.State = "refused"
		}
	})
}

// rest pauses; false means stop.
func (f *Forwarder) rest(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-f.stop:
		return false
	}
}
