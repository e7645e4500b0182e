package main

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// A step that takes all the time there is leaves the others enough to save what they keep.
func TestAStopThatHangsLeavesTheOthersTheirTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var u undo
		var saved time.Duration
		u.add("state", func(ctx context.Context) error {
			end, _ := ctx.Deadline()
			saved = time.Until(end)
			return ctx.Err()
		})
		u.add("hangs", func(ctx context.Context) error {
			<-ctx.Done()
			return ctx.Err()
		})
		began := time.Now()
		err := u.stop()
		if !errors.Is(err, context.DeadlineExceeded) || saved != stepLeast || time.Since(began) != stopLimit {
			t.Errorf("got %v, %v left for the state, %v in all; want a deadline, %v and %v", err, saved, time.Since(began), stepLeast, stopLimit)
		}
	})
}
