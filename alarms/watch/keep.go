package watch

import (
	"fmt"
	"time"
)

// keepMost is how many states are kept in one tick: making one takes as long as some
// tens of readings, which wait meanwhile. Chosen here.
const keepMost = 16

// keepDue keeps the states that are due, keepMost of them, going on where the last
// tick stopped.
func (l *Loop) keepDue() {
	left := keepMost
	for range l.order {
		rig := l.order[l.keeps%len(l.order)]
		since := l.now.Sub(l.kept[rig])
		if l.unsaved[rig] && since >= keepSoon || since >= keepAnyway {
			if left == 0 {
				return
			}
			left--
			l.keep(rig)
		}
		l.keeps = (l.keeps + 1) % len(l.order)
	}
}

// A rig's state is kept for a restart with every act, a second after an event (with
// many rigs as soon as it is its turn; the journal has what came since), and each minute
// for what goes on without events.
const (
	keepSoon   = time.Second
	keepAnyway = time.Minute
)

func (l *Loop) keep(rig string) {
	l.unsaved[rig], l.kept[rig] = false, l.now
	if l.o.States == nil {
		return
	}
	state, err := l.fleet.Rig(rig).State()
	if err != nil {
		l.o.Trouble(fmt.Errorf("rig %s: %w", rig, err))
		return
	}
	l.o.States.Keep(rig, state)
}

func (l *Loop) keepAll() {
	for _, rig := range l.order {
		l.keep(rig)
	}
}
