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
// number and in bytes; a full one discards its oldest messages and counts them.
type queue struct {
	mu      sync.Mutex
	ring    []Message
	first   int
	n       int
	bytes   int
	limit   int // bytes
	dropped uint64
	closed  bool
	wake    chan struct{} // holds a token while there may be something to see
}

func newQueue(messages, bytes int) *queue {
	return &queue{ring: make([]Message, messages), limit: bytes, wake: make(chan struct{}, 1)}
}

// offer adds m. It never waits for the reader.
func (q *queue) offer(m Message) {
	q.mu.Lock()
	for q.n > 0 && (q.n == len(q.ring) || q.bytes+len(m.Payload) > q.limit) {
		q.pop()
		q.dropped++
	}
	if q.closed {
		q.dropped++
	} else {
		q.ring[(q.first+q.n)%len(q.ring)] = m
		q.n++
		q.bytes += len(m.Payload)
	}
	q.mu.Unlock()
	q.signal()
}

func (q *queue) pop() Message {
	m := q.ring[q.first]
	q.ring[q.first] = Message{}
	q.first = (q.first + 1) % len(q.ring)
	q.n--
	q.bytes -= len(m.Payload)
	return m
}

func (q *queue) signal() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// next returns the oldest message, waiting for one if need be.
func (q *queue) next(ctx context.Context) (Message, error) {
	for {
		q.mu.Lock()
		if q.n > 0 {
			m := q.pop()
			more := q.n > 0 || q.closed
			q.mu.Unlock()
			if more {
				q.signal() // another reader may be waiting
			}
			return m, nil
		}
		closed := q.closed
		q.mu.Unlock()
		if closed {
			q.signal()
			return Message{}, ErrClosed
		}
		select {
		case <-q.wake:
		case <-ctx.Done():
			return Message{}, ctx.Err()
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
