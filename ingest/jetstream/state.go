package jetstream

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	js "github.com/nats-io/nats.go/jetstream"
)

// Kept is a snapshot as it is kept.
type Kept struct {
	Value    []byte
	Revision uint64 // of the key; the next Keep names it
}

func stateKey(rig string) string { return strconv.Itoa(PartitionOf(rig)) + "." + rig }

// Snapshots returns the newest snapshot of each rig of a partition.
func (s *Store) Snapshots(ctx context.Context, partition int) (map[string]Kept, error) {
	prefix := strconv.Itoa(partition) + "."
	w, err := again(ctx, func(ctx context.Context) (js.KeyWatcher, error) {
		return s.bucketOfStates().Watch(context.WithoutCancel(ctx), prefix+">", js.IgnoreDeletes())
	})
	if err != nil {
		return nil, fmt.Errorf("snapshots of partition %d: %w", partition, gone(err))
	}
	defer w.Stop()
	out := map[string]Kept{}
	for {
		select {
		case e, ok := <-w.Updates():
			if !ok {
				return nil, fmt.Errorf("snapshots of partition %d: the servers ended the answer", partition)
			}
			if e == nil {
				return out, nil
			}
			out[strings.TrimPrefix(e.Key(), prefix)] = Kept{e.Value(), e.Revision()}
		case <-ctx.Done():
			return nil, fmt.Errorf("snapshots of partition %d: %w", partition, ctx.Err())
		}
	}
}

// Keep replaces a rig's snapshot where revision is still that of its key, 0 = there is
// none, and returns the new one. A write whose answer was lost is found again. ErrLost
// says that another has kept one since.
func (s *Store) Keep(ctx context.Context, rig string, value []byte, revision uint64) (uint64, error) {
	b := s.bucketOfStates()
	next, err := write(ctx, s, "KV_"+StateBucket, func(ctx context.Context) (uint64, error) {
		if revision == 0 {
			return b.Create(ctx, stateKey(rig), value)
		}
		return b.Update(ctx, stateKey(rig), value, revision)
	})
	if err == nil {
		return next, nil
	}
	if !refusedOrder(err) && !errors.Is(err, js.ErrKeyExists) {
		return revision, fmt.Errorf("snapshot of rig %s: %w", rig, gone(err))
	}
	kept, getErr := write(ctx, s, "KV_"+StateBucket, func(ctx context.Context) (js.KeyValueEntry, error) { return b.Get(ctx, stateKey(rig)) })
	switch {
	case errors.Is(getErr, js.ErrKeyNotFound): // it was deleted: there is nothing to go back to
		return s.Keep(ctx, rig, value, 0)
	case getErr != nil:
		return revision, fmt.Errorf("snapshot of rig %s: %w", rig, gone(getErr))
	case bytes.Equal(kept.Value(), value):
		return kept.Revision(), nil
	}
	return revision, fmt.Errorf("snapshot of rig %s: %w", rig, ErrLost)
}

// Mend makes the bucket of snapshots again where it is gone.
func (s *Store) Mend(ctx context.Context) error {
	b, err := s.bucket(ctx, StateBucket)
	if err == nil {
		s.mu.Lock()
		s.state = b
		s.mu.Unlock()
	}
	return err
}

func (s *Store) bucketOfStates() js.KeyValue {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.state
}

const settingsKey = "settings"

// Settings returns what the members of the group have agreed on, and its revision; nil
// where nothing is agreed yet.
func (s *Store) Settings(ctx context.Context) ([]byte, uint64, error) {
	e, err := write(ctx, s, "KV_"+GroupBucket, func(ctx context.Context) (js.KeyValueEntry, error) { return s.group.Get(ctx, settingsKey) })
	if errors.Is(err, js.ErrKeyNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("settings of the group: %w", gone(err))
	}
	return e.Value(), e.Revision(), nil
}

// Agree replaces the settings where revision is still theirs. ErrLost says that it is not.
func (s *Store) Agree(ctx context.Context, value []byte, revision uint64) error {
	_, err := write(ctx, s, "KV_"+GroupBucket, func(ctx context.Context) (uint64, error) {
		return s.group.Update(ctx, settingsKey, value, revision)
	})
	if err == nil {
		return nil
	}
	if refusedOrder(err) || errors.Is(err, js.ErrKeyExists) {
		if now, _, e := s.Settings(ctx); e == nil && bytes.Equal(now, value) {
			return nil
		}
		return fmt.Errorf("settings of the group: %w", ErrLost)
	}
	return fmt.Errorf("settings of the group: %w", gone(err))
}
