package access

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestLockoutGrowsAndEnds(t *testing.T) {
	l, now := newLockout(), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	want := []time.Duration{0, 0, 0, 0, 5, 10, 20, 40, 80, 160, 320, 640, 900, 900}
	for i, w := range want {
		l.wrong("k", now)
		if got := l.wait("k", now); got != w*time.Second {
			t.Errorf("after %d wrong: wait %v, want %v", i+1, got, w*time.Second)
		}
		now = now.Add(l.wait("k", now))
		if got := l.wait("k", now); got != 0 {
			t.Errorf("after the wait: %v", got)
		}
	}
	l.right("k")
	l.wrong("k", now)
	if got := l.wait("k", now); got != 0 {
		t.Errorf("after a right one: %v", got)
	}
}

// Whatever is tried when: no key waits longer than the longest wait, also with a clock
// that jumps; what one key does costs no other anything; the table stays bounded; and a
// guesser who tries whenever he may gets few tries a day.
func TestLockoutProperties(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l, now := newLockout(), time.Unix(1_700_000_000, 0)
		for range rapid.IntRange(1, 60).Draw(r, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(-7200, 7200).Draw(r, "jump")) * time.Second)
			key := rapid.SampledFrom([]string{"a", "b"}).Draw(r, "key")
			other := map[string]string{"a": "b", "b": "a"}[key]
			before := l.wait(other, now)
			if rapid.Bool().Draw(r, "right") {
				l.right(key)
			} else {
				l.wrong(key, now)
			}
			if got := l.wait(key, now); got < 0 || got > mostWait {
				r.Fatalf("wait %v", got)
			}
			if l.wait(other, now) != before {
				r.Fatalf("%s changed %s", key, other)
			}
		}
	})
	l, start := newLockout(), time.Unix(1_700_000_000, 0)
	n := 0
	for now := start; now.Sub(start) < 24*time.Hour; n++ {
		l.wrong("k", now)
		now = now.Add(max(time.Second, l.wait("k", now)))
	}
	if n > 150 {
		t.Errorf("%d guesses in a day", n)
	}
}

func TestLockoutTableIsBounded(t *testing.T) {
	l, now := newLockout(), time.Unix(1_700_000_000, 0)
	for i := range mostTracked + 500 {
		l.wrong(fmt.Sprint(i), now.Add(time.Duration(i)*time.Millisecond))
	}
	if len(l.by) != mostTracked {
		t.Errorf("%d keys", len(l.by))
	}
	if _, ok := l.by[fmt.Sprint(mostTracked+499)]; !ok {
		t.Error("the newest was forgotten")
	}
}
