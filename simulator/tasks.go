package simulator

import "math"

// Task is what the driller is there to do.
type Task uint8

// The tasks.
const (
	Hold     Task = iota // stand with the brake set
	TripOut              // pull the string stand by stand
	TripIn               // run the string stand by stand
	Tripping             // some stands out, then in again, without end
	Casing               // run casing joint by joint
	Drill                // drill down a stand, ream it, connect
	Ream                 // up and down the last stand
	Hoisting             // raise the block once, and hold
	Lower                // lower the block once, and hold
	SlipCut              // slip and cut line, then trip in
	numTasks
)

var taskNames = [numTasks]string{
	"hold", "trip_out", "trip_in", "tripping", "run_casing", "drill", "ream", "hoist_once", "lower_once", "slip_and_cut",
}

// String returns the word used in scenario files.
func (t Task) String() string {
	if t < numTasks {
		return taskNames[t]
	}
	return "unknown task"
}

// steps of one stand; each task goes through its own list.
const (
	atLatch     = iota // elevators closed on the string at the bottom
	atPickUp           // take the weight out of the slips
	atRaise            // up with the string
	atSet              // slips set
	atSlackOff         // let the slips take the weight
	atBreak            // unscrew and rack the stand, elevators open
	atLowerE           // block down empty
	atStab             // at the top: elevators on a new stand, screwed in
	atLower            // down with the string
	atUnlatch          // elevators open at the bottom
	atRaiseE           // block up empty
	atDrill            // down at the rate of penetration
	atReamUp           // up and down again over the stand
	atReamDown         //
	atHang             // block hung off, line slipped
	atHold             // nothing more to do
	atOnce             // the single move of hoist_once and lower_once
	atBreakRest        // a pause after a fright
)

// tick is one look of the driller and what he then does. It runs every look
// seconds of the plant's time.
func (d *driller) tick(pl *plant, s *Scenario) {
	see := d.perceive(pl)
	d.follow(&pl.p.aux)
	d.since += look
	d.c.reset = false
	if d.pullNow {
		d.pullNow = false
		d.c.emergency = true
		pl.hit = impact{event: EmergencyPulled, speed: math.Abs(pl.v)}
		d.stop()
		d.activity = Stopped
		d.calm = 30
	}
	if pl.hit.event == CrownContact || pl.hit.event == FloorContact || pl.atCrown || pl.onFloor {
		d.over = true
	}
	if d.over {
		d.stop()
		d.park(pl)
		d.activity = Stopped
		return
	}
	if pl.saver.tripped {
		d.afterTrip(pl)
		return
	}
	if d.calm > 0 {
		d.rest(pl)
		return
	}
	d.work(pl, s, see)
}

// afterTrip waits out a trip with everything off, then resets it and goes back
// down before working on.
func (d *driller) afterTrip(pl *plant) {
	d.stop()
	d.park(pl)
	d.activity = Stopped
	d.absent = false
	d.tripWait += look
	if d.tripWait > 12 {
		d.tripWait = 0
		// Past the trip height the device is held over while the block is let down.
		d.c.reset = true
		d.goBack(pl)
	}
}

// rest holds the block after a fright, then goes back to the work.
func (d *driller) rest(pl *plant) {
	d.park(pl)
	d.alarm = 0
	d.activity = Stopped
	d.calm -= look
	if d.calm > 0 {
		return
	}
	if d.c.emergency && d.heldBy(pl) < 1.2 { // the lever alone would not hold: the handle stays pulled
		d.calm = 10
		return
	}
	d.c.emergency = false
	d.goBack(pl)
}

// heldBy is what his gauge tells him that the service brake could hold, over
// what hangs on it.
func (d *driller) heldBy(pl *plant) float64 {
	return d.capacity(pl) * pl.brake.pressure / pl.p.brake.full / (pl.pull * pl.drum.radiusAt(pl.wraps) / pl.p.lines)
}

// goBack plans the way on after a stop in mid-move: past the target it goes
// back to it, short of it it goes on, slower.
func (d *driller) goBack(pl *plant) {
	p := d.plan
	if !p.moving {
		return
	}
	up := p.target > pl.h
	cruise := 0.5 * p.cruise
	if up && p.loaded && d.auxFear {
		cruise = p.cruise
	}
	d.start(up, p.target, math.Max(cruise, d.creep), p.loaded)
}

// work takes the task one step on.
func (d *driller) work(pl *plant, s *Scenario, see view) {
	if d.plan.moving {
		d.activity = d.moveActivity(pl)
		d.onBottom(pl)
		if d.move(pl, see) {
			d.plan.moving = false
			d.next(pl, s)
		}
		return
	}
	d.park(pl)
	str := &pl.hoisted
	switch d.phase {
	case atLatch, atStab:
		d.activity = InSlips
		wait := d.latchTime
		if d.phase == atStab {
			wait += d.racking
		}
		if d.since > wait && (d.phase == atLatch || d.cool(pl)) {
			if d.phase == atStab {
				str.mass += s.Initial.StandMass
				d.depth += s.Initial.StandLength
				str.y, str.seat = pl.h+0.02, pl.h+0.02
			} else {
				str.y, str.seat = pl.h+0.02, pl.h+0.02
			}
			d.c.latch = true
			d.next(pl, s)
		}
	case atSet:
		d.activity = InSlips
		d.c.slips = true
		if d.since > d.slipsTime && str.inSlips {
			d.next(pl, s)
		}
	case atBreak, atUnlatch:
		d.activity = InSlips
		wait := d.latchTime
		if d.phase == atBreak {
			wait = d.breakTime + d.racking
		}
		if d.since > wait {
			d.c.latch = false
			if d.phase == atBreak {
				str.mass = math.Max(0, str.mass-s.Initial.StandMass)
				d.depth -= s.Initial.StandLength
			}
			d.stands++
			d.standsGo++
			d.next(pl, s)
		}
	case atHang:
		d.hang(pl, s)
	default:
		d.activity = Idle
	}
}

// coolBelow is how far under amber the friction brake is before the next stand goes
// down on it, K.
const coolBelow = 20.0

// cool tells whether the friction brake has room for the heat of another stand. Where
// the auxiliary brake cannot carry a heavy string alone, the friction brake sets the
// pace of running in: the stand waits in the slips until it has cooled (common
// practice). Whoever does not use the auxiliary brake does not heed this either.
func (d *driller) cool(pl *plant) bool {
	amber := float64(pl.p.rig.Heat.Amber)
	return d.auxFear || !(amber > 0) || pl.heat.ring < amber-coolBelow
}

// bitWeight is the part of the string's weight that rests on the hole bottom
// while drilling.
const bitWeight = 0.06

// onBottom sets the bit down while drilling and takes it off otherwise.
func (d *driller) onBottom(pl *plant) {
	str := &pl.hoisted
	want := 0.0
	if d.activity == Drilling && str.vy < -0.005 {
		want = bitWeight * str.mass * gravity
	}
	str.bottom += (want - str.bottom) * look / 1.5
}

// moveActivity names the present move.
func (d *driller) moveActivity(pl *plant) Activity {
	switch {
	case d.phase == atPickUp:
		return PickingUp
	case d.phase == atSlackOff:
		return SlackingOff
	case d.phase == atDrill:
		return Drilling
	case d.plan.up && d.plan.loaded:
		return RaisingLoaded
	case d.plan.up:
		return RaisingEmpty
	case d.plan.loaded:
		return LoweringLoaded
	}
	return LoweringEmpty
}

// hang has the block hung off while line is slipped, turn by turn.
func (d *driller) hang(pl *plant, s *Scenario) {
	d.activity = Slipping
	switch {
	case d.since < 10:
	case d.since < 10+s.Driller.SlipTurns/slipRate:
		pl.hungOff, pl.hungTurn = true, -2*math.Pi*slipRate
	case d.since < 30+s.Driller.SlipTurns/slipRate:
		pl.hungOff, pl.hungTurn = true, 0
	default:
		pl.hungOff, pl.w = false, 0
		pl.hit = impact{event: LineSlipped}
		pl.energy.start(pl)
		d.next(pl, s)
	}
}

// slipRate is how fast the drum is turned while line is slipped, turns a second.
const slipRate = 0.1

// next goes to the step after the present one and starts what it needs.
func (d *driller) next(pl *plant, s *Scenario) {
	d.since = 0
	d.phase = d.following(s)
	d.enter(pl, s)
}

// enter starts the move that the present step needs, if it needs one.
func (d *driller) enter(pl *plant, s *Scenario) {
	str := &pl.hoisted
	stretch := str.mass * gravity / pl.p.stringStiffness
	switch d.phase {
	case atPickUp:
		d.c.slips = false
		d.start(true, pl.h+stretch+0.15, 0.12, true)
	case atRaise:
		d.start(true, d.top+stretch, d.cruiseLoaded, true)
	case atSlackOff:
		d.start(false, str.y-0.06, 0.14, true)
	case atLowerE:
		d.start(false, d.bottom, d.lowerEmpty, false)
	case atLower:
		target := d.bottom + stretch
		if s.Driller.Task == Casing {
			target = pl.h - s.Initial.StandLength
		}
		cruise := d.lowerLoaded
		if d.auxFear {
			cruise = 0.3
		}
		d.start(false, math.Max(target, d.bottom), cruise, true)
	case atRaiseE:
		d.start(true, d.topFor(s), d.cruiseEmpty, false)
	case atDrill:
		d.start(false, d.bottom+stretch, s.Driller.Penetration, true)
	case atReamUp:
		d.start(true, d.top+stretch, 0.5*d.cruiseLoaded, true)
	case atReamDown:
		d.start(false, d.bottom+stretch, 0.6*d.lowerLoaded, true)
	case atOnce:
		d.start(s.Driller.Task == Hoisting, d.onceTarget(s), d.onceCruise(s), str.latched)
	}
}

func (d *driller) topFor(s *Scenario) float64 {
	if s.Driller.Task == Casing {
		return d.bottom + s.Initial.StandLength + 0.4
	}
	return d.top
}

func (d *driller) onceTarget(s *Scenario) float64 {
	if s.Driller.Task == Hoisting {
		return d.top
	}
	return d.bottom
}

func (d *driller) onceCruise(s *Scenario) float64 {
	loaded := s.Initial.Latched && !s.Initial.InSlips
	switch {
	case s.Driller.Task == Hoisting && loaded:
		return d.cruiseLoaded
	case s.Driller.Task == Hoisting:
		return d.cruiseEmpty
	case loaded:
		return d.lowerLoaded
	}
	return d.lowerEmpty
}

// following is the order of the work.
func (d *driller) following(s *Scenario) int {
	switch s.Driller.Task {
	case Hoisting, Lower:
		return atHold
	case Drill:
		return after(d.phase, drillOrder)
	case Ream:
		return after(d.phase, reamOrder)
	case Tripping:
		d.turnAround(s)
	case SlipCut:
		if d.phase == atHang {
			return atRaiseE
		}
	}
	if d.out {
		return after(d.phase, outOrder)
	}
	return after(d.phase, inOrder)
}

var (
	outOrder   = []int{atLatch, atPickUp, atRaise, atSet, atSlackOff, atBreak, atLowerE}
	inOrder    = []int{atStab, atPickUp, atLower, atSet, atSlackOff, atUnlatch, atRaiseE}
	drillOrder = []int{atStab, atPickUp, atDrill, atReamUp, atReamDown, atSet, atSlackOff, atUnlatch, atRaiseE}
	reamOrder  = []int{atReamUp, atReamDown}
)

func after(phase int, order []int) int {
	for i, p := range order {
		if p == phase {
			return order[(i+1)%len(order)]
		}
	}
	return order[0]
}

// turnAround goes from pulling to running, and back, at the end of a stand.
func (d *driller) turnAround(s *Scenario) {
	if d.standsGo < s.Driller.Stands {
		return
	}
	switch {
	case d.out && d.phase == atBreak: // the block is at the top: the stand just racked goes back
		d.out, d.standsGo, d.phase = false, 0, atRaiseE
	case !d.out && d.phase == atUnlatch: // at the bottom: latch on again
		d.out, d.standsGo, d.phase = true, 0, atLowerE
	}
}

// bitDepth is what a depth tracker would show.
func (d *driller) bitDepth(pl *plant) float64 {
	if pl.hoisted.latched && !pl.hoisted.inSlips {
		return d.depth - (pl.h - d.bottom)
	}
	return d.depth
}
