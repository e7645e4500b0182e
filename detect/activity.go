package detect

import "math"

// Operation is what the hoist's motion is part of.
type Operation uint8

// The operations.
const (
	OperationUnknown Operation = iota
	Drilling                   // string lowered at a rate of penetration
	Reaming                    // string raised and lowered over the same stretch
	Connection                 // string in slips between stands drilled
	TrippingIn                 // stands run in, slips between them included
	TrippingOut                // stands pulled
	SlipAndCut                 // block hung off while line is slipped
	Holding                    // string hangs still, out of slips
	numOperations
)

// String returns the word of the trade, in the form of files.
func (o Operation) String() string {
	return [...]string{"unknown", "drilling", "reaming", "connection", "tripping_in", "tripping_out",
		"slip_and_cut", "holding"}[min(o, numOperations-1)]
}

// Work is what the hoist is at, beside the motion of the moment.
type Work struct {
	Operation    Operation
	InSlips      bool
	BlockWeight  Number // N, learned light hook; NaN = no hook load yet
	StringWeight Number // N, learned hook load with the string, block included; NaN = none yet
	Stands       int    // times that the string went into the slips after a move of standTravel
}

// activity follows slips, learned weights and operation.
//
//	looks for   in slips or not, and what the moves since the last slips amount to
//	evidence    static hook load, block height and speed
//	slips       hook load below block + slipsIn·gap for slipsTime; out above
//	            block + slipsOut·gap for slipsTime; gap = string − block, at least
//	            gapLeast·block. Between the two the state stays.
//	weights     levels that the load rests at, each followed with weightFollow
//	operation   by the mean speed over slowWindow and by the travel up and down since
//	            the slips; a new one counts once it has held for operationTime
//	undecided   hook load or motion not known: unknown, and nothing is learned
//
// A spike or the ring of a string set down moves none of it: two frames are less than
// slipsTime. A fixed limit near the weight of a light string would (common practice is
// one); the limits here follow both weights.
type activity struct {
	block, str float64 // N
	inSlips    bool
	turning    float64 // s that the load has spoken against the slips state
	steady     float64 // s that the load has rested
	rested     float64 // N, at which
	slow       float64 // m/s, mean over slowWindow
	up, down   float64 // m, of the string since it left the slips
	drilled    float64 // s of drilling since it left the slips
	trips      int     // stands pulled (run: below 0) one after the other
	next       Operation
	nextFor    float64
	now        Operation
	stands     int
	hung       float64 // s that nothing hangs on the line
}

const (
	slipsIn       = 0.35
	slipsOut      = 0.65
	slipsTime     = 1.0  // s, over a ring of the string set down
	gapLeast      = 0.22 // of the block
	newString     = 1.28 // over the block, a rest there is a string
	steadyBand    = 0.04 // of the load
	steadyTime    = 3.0  // s
	weightFollow  = 20.0 // s
	slowWindow    = 20.0 // s
	operationTime = 4.0  // s
	// drillingFastest is above rates of penetration: 0.05 m/s is 180 m/h.
	drillingFastest = 0.05
	drillingLeast   = 0.0004 // m/s, 1.4 m/h
	drilledLeast    = 20.0   // s of drilling that make the moves about it reaming
	tripStands      = 2      // of a trip, before its slips are not a connection's
	reamTravel      = 2.0    // m both ways, over the same stretch
	standTravel     = 4.0    // m, less than any joint of pipe (common practice: 9 m)
	hungTime        = 10.0   // s
)

func newActivity(block float64) activity {
	return activity{block: block, str: math.NaN(), rested: math.NaN()}
}

// step takes the static hook load w, the block's speed v and its step of height dh.
func (a *activity) step(dt, w, v, dh float64) {
	if !(dt > 0) || math.IsNaN(w+v+dh) {
		if math.IsNaN(w + v + dh) {
			a.now, a.next, a.nextFor = OperationUnknown, OperationUnknown, 0
		}
		return
	}
	dt = min(dt, 5)
	a.rest(dt, w)
	a.slips(dt, w)
	if math.Abs(v) < stillSpeed && math.Abs(a.slow) > drillingFastest {
		a.slow = 0 // the move is over
	}
	a.slow += (1 - math.Exp(-dt/slowWindow)) * (v - a.slow)
	if !a.inSlips {
		a.up, a.down = a.up+max(dh, 0), a.down+max(-dh, 0)
	}
	if a.hung += dt; w > hungOff*a.block {
		a.hung = 0
	}
	a.operate(dt, v)
}

// rest learns the weights from loads that stand still.
func (a *activity) rest(dt, w float64) {
	if !(math.Abs(w-a.rested) <= steadyBand*w) {
		a.rested, a.steady = w, 0
		return
	}
	a.rested += (1 - math.Exp(-dt/steadyTime)) * (w - a.rested)
	if a.steady += dt; a.steady < steadyTime || w < hungOff*a.block {
		return
	}
	k := 1 - math.Exp(-dt/weightFollow)
	switch {
	case math.IsNaN(a.str) && w > newString*a.block:
		a.str = w
	case math.IsNaN(a.str) || w < (a.block+a.str)/2:
		a.block += k * (w - a.block)
	default:
		a.str = max(a.str+k*(w-a.str), (1+gapLeast)*a.block)
	}
}

func (a *activity) gap() float64 {
	g := gapLeast * a.block
	if a.str-a.block > g {
		g = a.str - a.block
	}
	return g
}

func (a *activity) slips(dt, w float64) {
	// A string just hung on that is much lighter than the last is out all the same.
	out := min(a.block+slipsOut*a.gap(), newString*a.block)
	against := a.inSlips && w > out || !a.inSlips && w < a.block+min(slipsIn*a.gap(), gapLeast/2*a.block)
	if !against {
		a.turning = 0
		return
	}
	if a.turning += dt; a.turning < slipsTime {
		return
	}
	a.turning, a.inSlips = 0, !a.inSlips
	if a.inSlips {
		a.spell()
	}
	if !a.inSlips {
		a.up, a.down, a.slow, a.drilled = 0, 0, 0, 0
	}
}

// spell takes what the string did from slips to slips. One stand pulled may be part
// of a connection, as of a single pulled up to be broken out; tripStands make a trip.
func (a *activity) spell() {
	way := max(a.up, a.down) > standTravel
	if way {
		a.stands++
	}
	switch {
	case a.drilled > drilledLeast:
		a.trips = 0
	case way && a.up > 2*a.down:
		a.trips = max(a.trips, 0) + 1
	case way && a.down > 2*a.up:
		a.trips = min(a.trips, 0) - 1
	}
}

// operate finds what the present work is; it counts once it has held.
func (a *activity) operate(dt, v float64) {
	o := a.candidate(v)
	if o != a.next {
		a.next, a.nextFor = o, 0
	}
	if a.nextFor += dt; a.nextFor < operationTime {
		return
	}
	a.now = o
	if o == Drilling {
		a.drilled += dt
	}
}

func (a *activity) candidate(v float64) Operation {
	both := min(a.up, a.down)
	switch {
	case a.hung > hungTime:
		return SlipAndCut
	case a.inSlips && a.trips >= tripStands:
		return TrippingOut
	case a.inSlips && a.trips <= -tripStands:
		return TrippingIn
	case a.inSlips:
		return Connection
	case math.Abs(v) <= drillingFastest && -a.slow > drillingLeast && -a.slow < drillingFastest:
		return Drilling
	case math.Abs(a.slow) <= drillingLeast && math.Abs(v) < stillSpeed:
		return Holding
	case math.Abs(v) <= drillingFastest && a.now != OperationUnknown:
		return a.now
	case both > reamTravel || a.drilled > drilledLeast:
		return Reaming
	case a.up > a.down:
		return TrippingOut
	}
	return TrippingIn
}

// followActivity takes the frame into the activity; before is the height before it.
func (d *Detector) followActivity(dt, before float64) {
	a := &d.activity
	if d.pos.started {
		a.step(dt, d.load.weight, d.pos.motion.x[ixV], d.pos.motion.x[ixH]-before)
	}
	d.result.Work = Work{BlockWeight: a.block, StringWeight: a.str, Stands: a.stands}
	if Known(d.load.weight) {
		d.result.Work.Operation, d.result.Work.InSlips = a.now, a.inSlips
	}
}
