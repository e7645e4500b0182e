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
// do no harm twice: a read, or a write that names what it follows.
func again[T any](ctx context.Context, ask func(context.Context) (T, error)) (T, error) {
	for {
		try, cancel := context.WithTimeout(ctx, askTime)
		v, err := ask(try)
		cancel()
		if err == nil || ctx.Err() != nil || !unanswered(err) {
			return v, err
		}
		select {
		case <-ctx.Done():
			return v, err
		case <-time.After(askPause):
		}
	}
}

func unanswered(err error) bool {
	for _, e := range []error{context.DeadlineExceeded, nats.ErrTimeout, nats.ErrNoResponders, js.ErrNoStreamResponse} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}
