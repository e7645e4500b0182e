package detect

import (
	"math"
	"testing"
)

const klbf = 4448.22

// hand works an activity by hand at 10 Hz.
type hand struct {
	activity
}

func newHand(block float64) *hand { return &hand{activity: newActivity(block * klbf)} }

// move moves the block by dh in so many seconds under a load of w klbf.
func (x *hand) move(seconds, dh, w float64) *hand {
	n := int(seconds * 10)
	for range n {
		x.step(0.1, w*klbf, dh/seconds, dh/float64(n))
	}
	return x
}

// A stand run in: down with the string, slips, up light, pick up.
func (x *hand) runIn(w float64) *hand {
	return x.move(50, -28, w).move(5, 0, w).move(20, 0, 30).move(30, 28, 30).move(20, 0, 30).move(4, 0.2, w+2)
}

func (x *hand) pull(w float64) *hand {
	return x.move(50, 28, w).move(5, 0, w).move(20, 0, 30).move(30, -28, 30).move(20, 0, 30).move(4, 0.2, w-2)
}

// Setting slips from 90 klbf down to 25 with a ring of two readings to 130, a light
// string of 31 ± 2 klbf over a block of 25, and a spike: the state moves with the
// string, not with the ring, the ripple or the spike.
func TestSlipsStateStandsFirm(t *testing.T) {
	x := newHand(25)
	x.move(30, 0, 25).move(30, 0, 90)
	changes, was := 0, x.inSlips
	see := func(w float64, n int) {
		for range n {
			x.step(0.1, w*klbf, 0, 0)
			if x.inSlips != was {
				changes, was = changes+1, x.inSlips
			}
		}
	}
	if was {
		t.Fatal("in slips with 90 klbf on the hook")
	}
	see(25, 2)
	see(130, 2)
	see(25, 40)
	if changes != 1 || !x.inSlips {
		t.Errorf("%d changes as the slips were set, in slips %v; want one", changes, x.inSlips)
	}
	see(130, 2) // a spike
	see(25, 20)
	if changes != 1 {
		t.Errorf("a spike changed it")
	}
	light := newHand(25)
	light.move(60, 0, 25).move(60, 0, 33)
	n, last := 0, light.inSlips
	for k := range 600 {
		light.step(0.1, (33+2*math.Sin(float64(k)))*klbf, 0, 0)
		if light.inSlips != last {
			n, last = n+1, light.inSlips
		}
	}
	if n != 0 {
		t.Errorf("the slips state of a light string flipped %d times", n)
	}
}

func TestOperations(t *testing.T) {
	x := newHand(30).move(60, 0, 30)
	for range 4 {
		x.runIn(100)
	}
	x.move(40, -22, 100)
	if x.now != TrippingIn || x.stands != 4 {
		t.Errorf("%v, %d stands; want tripping_in and 4", x.now, x.stands)
	}
	if !(math.Abs(x.block/klbf-30) < 1 && math.Abs(x.str/klbf-100) < 4) {
		t.Errorf("block %.1f, string %.1f klbf; want 30 and 100", x.block/klbf, x.str/klbf)
	}
	x.move(5, 0, 100).move(20, 0, 30)
	if x.now != TrippingIn {
		t.Errorf("in the slips of a trip: %v", x.now)
	}
	x.move(4, 0.2, 100).move(300, -3, 100) // 36 m/h
	if x.now != Drilling {
		t.Errorf("going down at 36 m/h: %v", x.now)
	}
	if x.move(20, 8, 100); x.now != Reaming {
		t.Errorf("up 8 m off the bottom: %v", x.now)
	}
	if x.move(5, 0, 100).move(30, 0, 30); x.now != Connection {
		t.Errorf("in slips after drilling: %v", x.now)
	}
	for range 3 {
		x.pull(100)
	}
	if x.move(30, 17, 100); x.now != TrippingOut {
		t.Errorf("pulling stands: %v", x.now)
	}
	if x.move(120, 0, 100); x.now != Holding {
		t.Errorf("string hung still: %v", x.now)
	}
	if x.move(20, 0, 0.5); x.now != SlipAndCut {
		t.Errorf("block hung off: %v", x.now)
	}
	if x.step(0.1, math.NaN(), 0, 0); x.now != OperationUnknown {
		t.Errorf("without a hook load: %v", x.now)
	}
	block, str := x.block, x.str
	x.step(0, 50*klbf, 0, 0) // a repeated time
	if x.block != block || x.str != str || x.now != OperationUnknown {
		t.Error("a repeated time moved it")
	}
}
