package main

import (
	"iter"

	"hoistward/ingest"
)

// aheadBatch entries are handed on at a time, and at most aheadBatches of them lie ready:
// some 3 MB, whatever the length of the recording.
const (
	aheadBatch   = 512
	aheadBatches = 4
)

// ahead hands on what seq gives, in its order, while the next of it is being read: a
// recording is read and decoded on one processor and judged on another. The reading never
// runs further ahead than aheadBatches; it has ended when the loop over it ends.
func ahead(seq iter.Seq2[ingest.Entry, error]) iter.Seq2[ingest.Entry, error] {
	return func(yield func(ingest.Entry, error) bool) {
		type batch struct {
			entries []ingest.Entry
			err     error
		}
		ready, free, stop := make(chan batch, aheadBatches), make(chan []ingest.Entry, aheadBatches+2), make(chan struct{})
		go func() {
			defer close(ready)
			var b batch
			send := func() bool {
				select {
				case ready <- b:
				case <-stop:
					return false
				}
				b.entries = nil
				return true
			}
			for e, err := range seq {
				if err != nil {
					b.err = err
					break
				}
				if b.entries == nil {
					select {
					case b.entries = <-free:
					default:
						b.entries = make([]ingest.Entry, 0, aheadBatch)
					}
				}
				if b.entries = append(b.entries, e); len(b.entries) == aheadBatch && !send() {
					return
				}
			}
			send()
		}()
		defer func() {
			close(stop)
			for range ready { // until the reader has ended
			}
		}()
		for b := range ready {
			for i := range b.entries {
				if !yield(b.entries[i], nil) {
					return
				}
			}
			if b.err != nil {
				yield(ingest.Entry{}, b.err)
				return
			}
			select {
			case free <- b.entries[:0]:
			default:
			}
		}
	}
}
