package wits

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"hoistward/ingest"
)

// ErrClosed is what Next returns once the source is closed and its queue empty.
var ErrClosed = errors.New("wits: closed")

// Message is one whole frame, or the beginning of what was none.
type Message struct {
	ingest.Message
	Reject ingest.Reject // RejectBrokenFrame where it is none
}

// Source takes frames from one sender. Several may live in one program.
type Source struct {
	o       SourceOptions
	queue   chan Message
	dropped atomic.Uint64
	cancel  context.CancelFunc
	ctx     context.Context
	ended   chan struct{}

	telling sync.Mutex // held while OnStatus is told, so that it hears in order

	mu      sync.Mutex
	started bool
	status  Status
	stats   Stats
	ever    bool      // a connection was open once
	conn    net.Conn  // the one that counts; nil: none
	opened  time.Time // of conn
	newest  time.Time // whole frame of conn
	why     string    // there is no connection
	address net.Addr  // listened on

	replaced time.Time // the newest time that a connection took the place of another
	contest  string    // in words
}

// NewSource checks the options. Nothing is opened before Start.
func NewSource(o SourceOptions) (*Source, error) {
	o.defaults()
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("wits %s: %w", o.Name, err)
	}
	s := &Source{o: o, queue: make(chan Message, o.QueueLen), ended: make(chan struct{})}
	s.ctx, s.cancel = context.WithCancel(context.Background())
	s.status = Status{Source: o.Name, Since: o.Now().UTC()}
	return s, nil
}

// Start begins to connect or to listen, and goes on until Close. It returns at
// once.
func (s *Source) Start() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.started && s.ctx.Err() == nil {
		s.started = true
		go s.run()
	}
}

// Close ends the connection, then the queue: what was taken before can still be
// read with Next. It returns when all is ended, or with an error when ctx is done.
func (s *Source) Close(ctx context.Context) error {
	s.mu.Lock()
	s.cancel()
	if !s.started {
		s.started = true
		close(s.queue)
		close(s.ended)
	}
	s.mu.Unlock()
	select {
	case <-s.ended:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("wits %s: close: %w", s.o.Name, ctx.Err())
	}
}

// Next returns the oldest waiting message, or waits for one. After Close it gives
// what is left and then ErrClosed.
func (s *Source) Next(ctx context.Context) (Message, error) {
	select {
	case m, ok := <-s.queue:
		if !ok {
			return m, ErrClosed
		}
		return m, nil
	case <-ctx.Done():
		return Message{}, ctx.Err()
	}
}

// Status returns the present state.
func (s *Source) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

// Stats returns the counts up to now.
func (s *Source) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.stats
	n.Dropped, n.Waiting = s.dropped.Load(), len(s.queue)
	return n
}

// Addr returns the address that is listened on, nil where there is none yet.
func (s *Source) Addr() net.Addr {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.address
}

// run is the loop that waits: it opens connections, one after the other, until
// Close, and looks at the age of the frames.
func (s *Source) run() {
	var all sync.WaitGroup
	all.Go(func() {
		tick := time.NewTicker(max(min(lookEvery, s.o.QuietAfter/4), time.Millisecond))
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				s.judge()
			case <-s.ctx.Done():
				return
			}
		}
	})
	s.judge()
	if s.o.Connect != "" {
		s.dial()
	} else {
		s.listen()
	}
	all.Wait()
	s.judge()
	close(s.queue)
	close(s.ended)
}

// lookEvery is the longest between looks at the age of the frames.
const lookEvery = 250 * time.Millisecond

// judge works out the state from what is known, and tells of a change.
func (s *Source) judge() {
	s.telling.Lock()
	defer s.telling.Unlock()
	now := s.o.Now()
	s.mu.Lock()
	old := s.status
	next := Status{Source: s.o.Name, State: old.State, Since: old.Since}
	next.State, next.Detail = s.state(now)
	if next.State != old.State {
		next.Since = now.UTC()
	}
	s.status = next
	s.mu.Unlock()
	if next.State == old.State && next.Detail == old.Detail {
		return
	}
	s.o.Log.Info("sender link", zap.String("source", next.Source), zap.Stringer("state", next.State), zap.String("detail", next.Detail))
	s.o.OnStatus(next)
}

func (s *Source) state(now time.Time) (State, string) {
	since := s.opened
	if s.newest.After(since) {
		since = s.newest
	}
	switch {
	case s.ctx.Err() != nil:
		return Closed, ""
	case s.conn == nil && s.ever:
		return Lost, s.why
	case s.conn == nil:
		return NeverConnected, s.why
	case now.Sub(since) >= s.o.QuietAfter:
		return Quiet, fmt.Sprintf("no whole frame for %v", s.o.QuietAfter)
	case s.newest.IsZero():
		return Connected, s.contested(now)
	}
	return Receiving, s.contested(now)
}

// contestSpan is how long it is said that a connection took the place of another.
const contestSpan = time.Minute

func (s *Source) contested(now time.Time) string {
	if s.replaced.IsZero() || now.Sub(s.replaced) > contestSpan {
		return ""
	}
	return s.contest
}

// offer adds m, discarding the oldest messages when full. It never waits for the
// reader.
func (s *Source) offer(m Message) {
	for {
		select {
		case s.queue <- m:
			return
		default:
		}
		select {
		case <-s.queue:
			s.dropped.Add(1)
		default: // the reader made room first
		}
	}
}
