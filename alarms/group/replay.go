package group

import (
	"context"
	"errors"

	"hoistward/ingest/jetstream"
)

// Replay plays a partition's log from its first record to the record upTo, as one member
// that watched it all along would have, and returns the journal lines. They are those of
// the partition's journal where the log still reaches back to where its rigs began.
func Replay(ctx context.Context, store *jetstream.Store, s *Settings, partition int, upTo uint64) ([]byte, error) {
	if upTo == 0 {
		return nil, nil
	}
	p, err := NewPlayer(s, nil)
	if err != nil {
		return nil, err
	}
	var lines []byte
	end := errors.New("the end")
	err = store.Follow(ctx, partition, 0, func(r jetstream.Record, _ int) error {
		if r.Seq <= upTo {
			lines = p.Take(r, lines, nil)
		}
		if r.Seq >= upTo {
			return end
		}
		return nil
	})
	if errors.Is(err, end) {
		err = nil
	}
	return lines, err
}
