package access

import (
	"math"
	"time"
)

// Lock-out: after freeTries wrong passwords in a row each further one makes whoever
// asks wait, twice as long as before, up to mostWait; a right one, or restAfter without
// a try, begins anew. So a person who mistypes waits seconds, and who guesses gets some
// hundred tries a day.
const (
	freeTries = 4
	firstWait = 5 * time.Second
	mostWait  = 15 * time.Minute
	restAfter = time.Hour

	mostTracked = 4096 // persons and addresses remembered at once
)

// tries is what is known of one person or one address.
type tries struct {
	wrong int
	last  time.Time
}

// lockout remembers who gave wrong passwords, by any key: a person's name, an address.
// What it answers is a function of what it was told and the times that came with it.
// It keeps mostTracked keys at most; when full it forgets those at rest, then the one
// that is longest ago.
type lockout struct{ by map[string]tries }

func newLockout() *lockout { return &lockout{by: map[string]tries{}} }

// wait returns how long the key must still wait at that time, 0 = it may try.
func (l *lockout) wait(key string, now time.Time) time.Duration {
	t, ok := l.by[key]
	if !ok || now.Sub(t.last) >= restAfter {
		return 0
	}
	// A clock that was set back must not lock anyone out for longer than the wait itself.
	left := min(t.last.Add(pause(t.wrong)).Sub(now), pause(t.wrong))
	return max(0, left)
}

func pause(wrong int) time.Duration {
	if wrong <= freeTries {
		return 0
	}
	steps := float64(wrong - freeTries - 1)
	return time.Duration(math.Min(float64(mostWait), float64(firstWait)*math.Exp2(math.Min(steps, 32))))
}

// wrong is told of a wrong password.
func (l *lockout) wrong(key string, now time.Time) {
	t, ok := l.by[key]
	if !ok {
		l.makeRoom(now)
	} else if now.Sub(t.last) >= restAfter {
		t.wrong = 0
	}
	l.by[key] = tries{wrong: t.wrong + 1, last: now}
}

// undo takes back one wrong password that was none.
func (l *lockout) undo(key string) {
	if t, ok := l.by[key]; ok && t.wrong > 0 {
		t.wrong--
		l.by[key] = t
	}
}

// right is told of a right password.
func (l *lockout) right(key string) { delete(l.by, key) }

func (l *lockout) makeRoom(now time.Time) {
	if len(l.by) < mostTracked {
		return
	}
	oldest, at := "", time.Time{}
	for key, t := range l.by {
		if now.Sub(t.last) >= restAfter {
			delete(l.by, key)
		} else if oldest == "" || t.last.Before(at) {
			oldest, at = key, t.last
		}
	}
	if len(l.by) >= mostTracked {
		delete(l.by, oldest)
	}
}
