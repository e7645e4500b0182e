package jetstream

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"
)

// A request that met a server as it died has no answer: it is asked again. Chosen here,
// so that a rig is watched again well within 5 s.
const (
	askTime  = time.Second
	askPause = 50 * time.Millisecond
)

// again asks until there is an answer, if only a refusal, or ctx ends. What is asked must
// do no harm twice: a read, a write that names what it follows, or one with an id.
func again[T any](ctx context.Context, ask func(context.Context) (T, error)) (T, error) {
	for {
		try, cancel := context.WithTimeout(ctx, askTime)
		v, err := ask(try)
		cancel()
		if err == nil || ctx.Err() != nil || !unanswered(err) {
			return v, err
		}
		pause(ctx, askPause)
		if ctx.Err() != nil {
			return v, err
		}
	}
}

// write is again for what is written to a stream: one that is gone answers as little as
// one whose server died, so it is looked for.
func write[T any](ctx context.Context, s *Store, stream string, ask func(context.Context) (T, error)) (T, error) {
	return again(ctx, func(ctx context.Context) (T, error) {
		v, err := ask(ctx)
		if err != nil && unanswered(err) {
			if _, e := s.js.Stream(ctx, stream); errors.Is(e, js.ErrStreamNotFound) {
				return v, e
			}
		}
		return v, err
	})
}

func unanswered(err error) bool {
	for _, e := range []error{context.DeadlineExceeded, nats.ErrTimeout, nats.ErrNoResponders, js.ErrNoStreamResponse} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// pause waits for d, or for the end of ctx.
func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
