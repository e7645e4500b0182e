package pair_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/alarms/pair"
)

var begin = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// world is two members and a broker, each second cut into ten.
type world struct {
	now     time.Time
	members [2]*node
	broker  bool
}

type node struct {
	state pair.State
	in    pair.Input
	up    bool
	cut   bool // from the broker
	lives int
	next  time.Time // of its next beat
}

func newWorld() *world {
	w := &world{now: begin, broker: true}
	for i, name := range []string{"a", "b"} {
		w.members[i] = &node{in: pair.Input{AloneAfter: 10 * time.Second, Me: pair.Beat{Member: name, Software: "x", Rigs: "y", Watched: 1}}}
		w.start(i)
	}
	return w
}

func (w *world) start(i int) {
	m := w.members[i]
	if m.up {
		return
	}
	m.up, m.lives = true, m.lives+1
	m.in.Me.Life = string(rune('0' + m.lives%10))
	m.in.Peer, m.in.Echo = pair.Heard{}, time.Time{}
	m.state = pair.State{Since: w.now}
}

// kill takes a member away; its will is delivered where it can be.
func (w *world) kill(i int, will bool) {
	m := w.members[i]
	if !m.up {
		return
	}
	m.up = false
	if o := w.members[1-i]; will && w.broker && !m.cut && o.up && !o.cut {
		o.in.Peer.Gone = true
	}
}

// tick goes a tenth of a second on.
func (w *world) tick() {
	w.now = w.now.Add(100 * time.Millisecond)
	for i, m := range w.members {
		if !m.up {
			continue
		}
		if !w.now.Before(m.next) {
			m.next = w.now.Add(time.Second)
			if w.broker && !m.cut {
				m.in.Echo = w.now
				beat := m.in.Me
				beat.Speaks, beat.Term = m.state.Role.Speaks(), m.state.Term
				if o := w.members[1-i]; o.up && !o.cut {
					o.in.Peer = pair.Heard{Beat: beat, At: w.now}
				}
			}
		}
		was := m.state.Role
		m.state, _ = pair.Step(m.state, w.now, &m.in)
		if m.state.Role != was && m.state.Role.Speaks() != was.Speaks() {
			m.next = w.now // what it does now is said at once
		}
	}
}

func (w *world) run(d time.Duration) {
	for end := w.now.Add(d); w.now.Before(end); {
		w.tick()
	}
}

func (w *world) speakers() (n int) {
	for _, m := range w.members {
		if m.up && m.state.Role.Speaks() {
			n++
		}
	}
	return n
}

// Whatever happened before, a whole pair with its broker has one that speaks within
// 10 s, and one that stands by; and while the broker reaches both without a break,
// the two never speak together for more than the fifth of a second that a word takes.
func TestOneSpeaks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld()
		together, calm := 0, w.now
		for range rapid.IntRange(0, 30).Draw(t, "events") {
			i := rapid.IntRange(0, 1).Draw(t, "member")
			switch rapid.IntRange(0, 6).Draw(t, "what") {
			case 0:
				w.kill(i, true)
			case 1:
				w.kill(i, false)
			case 2:
				w.start(i)
			case 3:
				w.members[i].cut = !w.members[i].cut
				calm = w.now
			case 4:
				w.broker = !w.broker
				calm = w.now
			case 5:
				w.members[i].in.Me.Watched = rapid.IntRange(0, 2).Draw(t, "watched")
			}
			for range rapid.IntRange(1, 80).Draw(t, "tenths") {
				w.tick()
				if w.members[0].cut || w.members[1].cut || !w.broker {
					calm = w.now
				}
				if w.speakers() == 2 && w.now.Sub(calm) > 3*time.Second {
					together++
				} else {
					together = 0
				}
				if together > 2 {
					t.Fatalf("both speak at %v: %+v %+v", w.now.Sub(begin), w.members[0].state, w.members[1].state)
				}
			}
		}
		w.broker = true
		for i, m := range w.members {
			m.cut, m.in.Me.Watched = false, 1
			w.start(i)
		}
		w.run(20 * time.Second)
		if w.speakers() != 1 || w.members[0].state.Role != pair.Standby && w.members[1].state.Role != pair.Standby {
			t.Fatalf("a whole pair: %+v and %+v", w.members[0].state, w.members[1].state)
		}
	})
}

// The take-over: at once with a will, within 5 s without one; and who is cut off is
// silent before the other speaks.
func TestTakeOver(t *testing.T) {
	for _, tc := range []struct {
		name string
		do   func(w *world)
		most time.Duration
	}{
		{"killed", func(w *world) { w.kill(0, true) }, 300 * time.Millisecond},
		{"gone without a word", func(w *world) { w.kill(0, false) }, 5 * time.Second},
		{"cut off", func(w *world) { w.members[0].cut = true }, 5 * time.Second},
		{"deaf", func(w *world) { w.members[0].in.Me.Watched = 0 }, 8 * time.Second},
	} {
		t.Run(tc.name, func(t *testing.T) {
			w := newWorld()
			w.run(10 * time.Second)
			if w.members[0].state.Role != pair.Speaking || w.members[1].state.Role != pair.Standby {
				t.Fatalf("at the start: %s and %s", w.members[0].state.Role, w.members[1].state.Role)
			}
			tc.do(w)
			begun := w.now
			for w.members[1].state.Role != pair.Speaking {
				w.tick()
				if w.now.Sub(begun) > tc.most {
					t.Fatalf("b does not speak after %v: %+v", tc.most, w.members[1].state)
				}
			}
			if a := w.members[0]; a.up && a.state.Role.Speaks() {
				t.Errorf("a is %s while b speaks", a.state.Role)
			}
		})
	}
}

// Without the broker, silence ends: the one that spoke last first, then the other; and
// one of them alone speaks again when it is back.
func TestNobodyIsSilentForEver(t *testing.T) {
	w := newWorld()
	w.run(10 * time.Second)
	w.broker = false
	w.run(14 * time.Second)
	if a, b := w.members[0].state.Role, w.members[1].state.Role; a != pair.Alone || b.Speaks() {
		t.Errorf("14 s without the broker: %s and %s", a, b)
	}
	w.run(4 * time.Second)
	if b := w.members[1].state.Role; b != pair.Alone {
		t.Errorf("18 s without the broker b is %s", b)
	}
	w.broker = true
	w.run(10 * time.Second)
	if w.speakers() != 1 {
		t.Errorf("the broker is back: %s and %s", w.members[0].state.Role, w.members[1].state.Role)
	}
}

func TestWhoDoesNotFitIsRefused(t *testing.T) {
	for want, change := range map[string]func(b *pair.Beat){
		"version": func(b *pair.Beat) { b.Software = "newer" }, "rigs": func(b *pair.Beat) { b.Rigs = "others" },
	} {
		w := newWorld()
		w.kill(1, false)
		w.run(10 * time.Second)
		change(&w.members[1].in.Me)
		w.start(1)
		w.run(10 * time.Second)
		if a, b := w.members[0].state.Role, w.members[1].state.Role; a != pair.Speaking || b != pair.Refused {
			t.Errorf("%s: %s and %s, want the newcomer refused", want, a, b)
		}
	}
	s := pair.State{Since: begin}
	in := pair.Input{Me: pair.Beat{Member: "a", Life: "1"}, Twin: pair.Heard{Beat: pair.Beat{Member: "a", Life: "2"}, At: begin}}
	if s, why := pair.Step(s, begin.Add(time.Second), &in); s.Role != pair.Refused || why == "" {
		t.Errorf("a twin: %s %q", s.Role, why)
	}
}
