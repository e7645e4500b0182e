package detect

import (
	"math"

	"hoistward/ingest"
)

// Frozen finds a channel that keeps one value while the motion, by another witness,
// shows that it should change.
//
//	evidence    value unchanged for its own time, another witness of motion moving
//	            faster than frozenSpeed for as long
//	then        the value is not believed, from there until it changes
//	undecided   no value, or no other witness
//
// A value that may well stand still (a block at rest, a brake that is off) is never
// judged: without motion there is nothing to see. Load and pressure are judged only where
// their value usually wavers from reading to reading, and for twice as long as they were
// ever the same in motion before (coarse steps). A drum speed that stands still may be a
// steady one: it is frozen where the other witnesses contradict it (see [speeds]).
const (
	frozenSpeed  = 0.15 // m/s of the block that the other witness must show
	frozenCounts = 0.35 // s: a turning drum changes its count with each reading
	frozenHeight = 0.70 // s
	frozenOther  = 2.0  // s: load and pressure waver less
	frozenLeast  = 3    // readings that must have shown the same value
	// livelyPart is how often a value must usually change by its own noise for sameness
	// to mean anything.
	livelyPart = 0.5
	// wanderGain: while the block speeds up by less, m/s², a change of the value is its
	// own noise and not the motion's.
	wanderGain = 0.15
	// livelyReadings is over how many readings that is kept, and livelyLeast
	// how many there must have been.
	livelyReadings = 20
	livelyLeast    = 5
)

// follow keeps how lively the channel is where it should change, how often it has said
// the same now.
func (i *instrument) follow(d *Detector, c ingest.Channel, v float64) {
	if !i.seen {
		return
	}
	same := v == i.v
	if !same {
		if !i.frozen && d.moving(i.at) {
			i.longest = max(i.longest, i.repeats)
		}
		i.repeats = 0
	} else {
		i.repeats++
	}
	teaches := math.Abs(d.pos.motion.x[ixA]) < wanderGain
	if c == ingest.BrakePressure {
		teaches = d.wavers(v)
	}
	if teaches && i.repeats < frozenLeast { // a frozen run teaches nothing
		x := 1.0
		if same {
			x = 0
		}
		i.seenMove = min(i.seenMove+1, livelyReadings)
		i.lively += (x - i.lively) / float64(i.seenMove)
	}
}

// wavers tells whether a brake pressure is one at which it wavers: not shut, nor wide
// open.
func (d *Detector) wavers(p float64) bool {
	full := float64(d.rig.Service.FullPressure)
	return p > pressed*full && p < 0.98*full
}

func frozenTime(c ingest.Channel) float64 {
	switch c {
	case ingest.DrumCounts:
		return frozenCounts
	case ingest.BlockHeight:
		return frozenHeight
	}
	return frozenOther
}

func (d *Detector) judgeFrozen(c ingest.Channel, now float64) Finding {
	i := &d.ins[c]
	still, limit := now-i.changed, frozenTime(c)
	switch {
	case !i.heard(now):
		return undecided()
	case i.frozen && c == ingest.BrakeTemperature: // found by heat
		return present(Medium, UnchangedWhileHeated, still, NotKnown(), "s")
	case i.frozen:
		return present(Medium, UnchangedWhileMoving, still, limit, "s")
	}
	if still > limit && i.repeats >= max(frozenLeast, 2*i.longest) && now-d.movedSince(c, now) > limit && d.shouldChange(c, i) {
		i.frozen = true
		d.pos.distrust(c)
		return present(Medium, UnchangedWhileMoving, still, limit, "s")
	}
	return absent(still, limit, "s")
}

// shouldChange tells whether sameness means anything for this channel now.
func (d *Detector) shouldChange(c ingest.Channel, i *instrument) bool {
	switch c {
	case ingest.DrumCounts, ingest.BlockHeight:
		return true
	case ingest.HookLoad, ingest.DeadLineTension:
		return i.lively > livelyPart && i.seenMove >= livelyLeast
	case ingest.BrakePressure:
		return i.lively > livelyPart && i.seenMove >= livelyLeast && d.wavers(i.v)
	}
	return false
}

// movedSince is since when every live witness other than c shows motion, receipt
// time; now where one does not, or there is none.
func (d *Detector) movedSince(c ingest.Channel, now float64) float64 {
	since := math.Inf(-1)
	for k, w := range motionWitnesses {
		if w != c && d.ins[w].live(now) {
			since = max(since, d.motionSince[k])
		}
	}
	if math.IsInf(since, 0) {
		return now
	}
	return since
}

// motionWitnesses are the channels that show motion by themselves.
var motionWitnesses = [...]ingest.Channel{ingest.DrumSpeed, ingest.DrumCounts, ingest.BlockHeight}

// followMotion keeps since when each witness shows the block moving. A witness that
// has stood still for a while shows no motion, whatever the others say.
func (d *Detector) followMotion(now float64) {
	moves := [len(motionWitnesses)]bool{
		math.Abs(d.ins[ingest.DrumSpeed].v)*d.pos.perRadian() > frozenSpeed,
		math.Abs(d.pos.countSpeed) > frozenSpeed && d.ins[ingest.DrumCounts].repeats == 0,
		math.Abs(d.cross.slow[bySensor]) > frozenSpeed && d.ins[ingest.BlockHeight].repeats < frozenLeast,
	}
	for k, m := range moves {
		switch {
		case !m:
			d.motionSince[k] = math.Inf(1)
		case math.IsInf(d.motionSince[k], 1):
			d.motionSince[k] = now
		}
	}
}
