package main

import (
	"errors"
	"iter"
	"testing"

	"hoistward/ingest"
)

func counted(n int, end error, ended *bool) iter.Seq2[ingest.Entry, error] {
	return func(yield func(ingest.Entry, error) bool) {
		defer func() { *ended = true }()
		for i := range n {
			if !yield(ingest.Entry{Seq: uint64(i)}, nil) {
				return
			}
		}
		if end != nil {
			yield(ingest.Entry{}, end)
		}
	}
}

// What is read ahead comes in its order and whole, an error after all that came before
// it; and when the loop is left early, reading has ended.
func TestAheadKeepsOrder(t *testing.T) {
	broken := errors.New("torn")
	for _, n := range []int{0, 1, aheadBatch - 1, aheadBatch, aheadBatch + 1, 20*aheadBatch + 7} {
		for _, end := range []error{nil, broken} {
			for _, leave := range []int{-1, 0, aheadBatch / 2, 3 * aheadBatch} {
				got, ended := 0, false
				var last error
				for e, err := range ahead(counted(n, end, &ended)) {
					if err != nil {
						last = err
						continue
					}
					if e.Seq != uint64(got) {
						t.Fatalf("%d entries: got %d at place %d", n, e.Seq, got)
					}
					if got++; leave >= 0 && got > leave {
						break
					}
				}
				if !ended {
					t.Errorf("%d entries, left after %d: reading goes on", n, leave)
				}
				if left := leave >= 0 && n > leave; !left && (got != n || last != end) {
					t.Errorf("%d entries ending in %v: got %d and %v", n, end, got, last)
				}
			}
		}
	}
}
