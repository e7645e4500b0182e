package main

import (
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// lossyLines is how many writes wait for a reader that does not read.
const lossyLines = 4096

// lossy is a writer that never waits: what a stuck terminal or a full pipe does not take
// is dropped, counted and said once it takes again. The loop prints through it.
type lossy struct {
	out     io.Writer
	lines   chan []byte
	dropped atomic.Uint64
	done    chan struct{}
	waiting atomic.Int64 // lines that were taken and are not written yet
	mu      sync.Mutex
	closed  bool
}

func newLossy(out io.Writer) *lossy {
	l := &lossy{out: out, lines: make(chan []byte, lossyLines), done: make(chan struct{})}
	go func() {
		defer close(l.done)
		for line := range l.lines {
			l.own()
			_, _ = out.Write(line) // nobody reads: nobody to tell
			l.waiting.Add(-1)
		}
		l.own()
	}()
	return l
}

// own says what was lost.
func (l *lossy) own() {
	if n := l.dropped.Swap(0); n > 0 {
		fmt.Fprintf(l.out, "%d lines before this one were not printed: they were not read\n", n)
	}
}

func (l *lossy) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return len(p), nil
	}
	l.waiting.Add(1)
	select {
	case l.lines <- append([]byte(nil), p...):
	default:
		l.waiting.Add(-1)
		l.dropped.Add(1)
	}
	return len(p), nil
}

// Sync waits until what was taken is written, for a second at most: whoever reads may
// have stopped.
func (l *lossy) Sync() error {
	for end := time.Now().Add(time.Second); l.waiting.Load() > 0 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	return nil
}

// close writes what waits, for a second at most. What is written after it is dropped.
func (l *lossy) close() {
	l.mu.Lock()
	if !l.closed {
		l.closed = true
		close(l.lines)
	}
	l.mu.Unlock()
	select {
	case <-l.done:
	case <-time.After(time.Second):
	}
}
