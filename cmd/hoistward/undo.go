package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"
)

// stopLimit is how long an ordered stop may take in all, but for stepLeast: so long each
// step has, whatever those before it took, for the state is saved by the last of them.
// What is not done then is reported and left.
const (
	stopLimit = 4 * time.Second
	stepLeast = 500 * time.Millisecond
)

// undo is the list of what was acquired; stop runs it backwards and reports every
// failure.
type undo struct {
	steps []undoStep
}

type undoStep struct {
	name string
	fn   func(context.Context) error
}

func (u *undo) add(name string, fn func(context.Context) error) {
	u.steps = append(u.steps, undoStep{name, fn})
}

func (u *undo) stop() (err error) {
	end := time.Now().Add(stopLimit)
	for _, s := range slices.Backward(u.steps) {
		ctx, cancel := context.WithTimeout(context.Background(), max(time.Until(end), stepLeast))
		e := s.fn(ctx)
		cancel()
		if e != nil {
			err = errors.Join(err, fmt.Errorf("stop %s: %w", s.name, e))
		}
	}
	u.steps = nil
	return err
}
