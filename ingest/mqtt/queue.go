package mqtt

import (
	"context"
	"errors"
	"sync"
	"time"
)

// ErrClosed is what Next returns once the client is closed and its queue empty.
var ErrClosed = errors.New("mqtt: closed")

// Message is one message as it came. Nothing in it has been checked.
type Message struct {
	Topic     string
	Pattern   int    // index in Options.Topics; -1 = it came by a plain filter
	Rig       string // taken from the topic; "" if the topic holds none
	Unknown   bool   // the topic is of no pattern and no filter
	Payload   []byte
	Received  time.Time // UTC
	QoS       byte
	Retained  bool // kept by the broker from an unknown past: must not drive an alarm
	Duplicate bool // sent again by the broker; the first may or may not have come
}

// queue holds messages between the network and their reader. It is bounded in
// number and in bytes. Each rig has a line of its own, in the order of receipt, and the
// lines are served in turn: a rig that sends a thousand times its rate waits for itself
// and delays no other. When the queue is full the oldest message of the longest line is
// discarded, and counted. Messages of no rig are one line.
type queue struct {
	mu      sync.Mutex
	lines   map[string]*line // those that hold something
	turn    *line            // the one served next; they are a ring
	spare   []*line
	places  []place
	free    int32 // first free place, by number from 1; 0 = none
	n       int
	most    int
	bytes   int
	limit   int // bytes
	dropped uint64
	closed  bool
	wake    chan struct{} // holds a token while there may be something to see
}

// place holds one message of a line.
type place struct {
	m    Message
	next int32 // place behind it in its line, or next free one, by number from 1; 0 = none
}

// line is what waits of one rig.
type line struct {
	rig         string
	first, last int32
	n           int
	next, prev  *line
}

func newQueue(messages, bytes int) *queue {
	return &queue{lines: map[string]*line{}, most: messages, limit: bytes, wake: make(chan struct{}, 1)}
}

// offer adds m. It never waits for the reader.
func (q *queue) offer(m Message) {
	q.mu.Lock()
	if q.closed {
		q.dropped++
	} else {
		// Added first: a line that lost its only message to make room would lose its turn.
		q.push(m)
		for q.n > 1 && (q.n > q.most || q.bytes > q.limit) {
			q.pop(q.longest(m.Rig))
			q.dropped++
		}
	}
	q.mu.Unlock()
	q.signal()
}

// longest returns the longest line, or that of rig where it is longer than the average:
// the others then need not be looked at.
func (q *queue) longest(rig string) *line {
	if l := q.lines[rig]; l != nil && l.n*len(q.lines) > q.n {
		return l
	}
	long := q.turn
	for l := long.next; l != q.turn; l = l.next {
		if l.n > long.n {
			long = l
		}
	}
	return long
}

func (q *queue) push(m Message) {
	at := q.free
	if at == 0 {
		q.places = append(q.places, place{})
		at = int32(len(q.places))
	} else {
		q.free = q.places[at-1].next
	}
	q.places[at-1] = place{m: m}
	l := q.lines[m.Rig]
	if l == nil {
		l = q.open(m.Rig)
	}
	if l.n == 0 {
		l.first = at
	} else {
		q.places[l.last-1].next = at
	}
	l.last = at
	l.n++
	q.n++
	q.bytes += len(m.Payload)
}

// open puts a line without messages into the ring, to be served last.
func (q *queue) open(rig string) *line {
	var l *line
	if n := len(q.spare); n > 0 {
		l, q.spare = q.spare[n-1], q.spare[:n-1]
	} else {
		l = &line{}
	}
	*l = line{rig: rig, next: l, prev: l}
	if t := q.turn; t == nil {
		q.turn = l
	} else {
		l.next, l.prev = t, t.prev
		t.prev.next, t.prev = l, l
	}
	q.lines[rig] = l
	return l
}

// pop takes the oldest message of a line.
func (q *queue) pop(l *line) Message {
	at := l.first
	p := &q.places[at-1]
	m := p.m
	l.first = p.next
	*p = place{next: q.free}
	q.free = at
	l.n--
	q.n--
	q.bytes -= len(m.Payload)
	if l.n == 0 {
		q.shut(l)
	}
	return m
}

func (q *queue) shut(l *line) {
	delete(q.lines, l.rig)
	if q.turn == l {
		q.turn = l.next
	}
	if l.next == l {
		q.turn = nil
	} else {
		l.prev.next, l.next.prev = l.next, l.prev
	}
	l.rig = ""
	q.spare = append(q.spare, l)
}

// serve takes the next message in turn.
func (q *queue) serve() Message {
	l := q.turn
	q.turn = l.next
	return q.pop(l)
}

func (q *queue) signal() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// next returns the next message, waiting for one if need be.
func (q *queue) next(ctx context.Context) (Message, error) {
	var one [1]Message
	_, err := q.some(ctx, one[:])
	return one[0], err
}

// some fills to with what waits, in turn, and returns how many that were, waiting for
// one if need be.
func (q *queue) some(ctx context.Context, to []Message) (int, error) {
	for {
		q.mu.Lock()
		n := min(len(to), q.n)
		for i := range n {
			to[i] = q.serve()
		}
		more, closed := q.n > 0 || q.closed, q.closed
		q.mu.Unlock()
		switch {
		case n > 0:
			if more {
				q.signal() // another reader may be waiting
			}
			return n, nil
		case closed:
			q.signal()
			return 0, ErrClosed
		}
		select {
		case <-q.wake:
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
}

func (q *queue) close() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	q.signal()
}

func (q *queue) state() (waiting int, dropped uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.n, q.dropped
}
