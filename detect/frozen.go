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
// judged: without motion there is nothing to see. A channel whose value does not
// usually change from reading to reading (coarse steps) is given longer.
const (
	frozenSpeed  = 0.15 // m/s of the block that the other witness must show
	frozenCounts = 0.35 // s: a turning drum changes its count with each reading
	frozenHeight = 0.70 // s
	frozenOther  = 2.0  // s: load and pressure waver less
	frozenLeast  = 3    // readings that must have shown the same value
	// livelyPart is how often a value must usually change, while the block moves, for
	// sameness to mean anything.
	livelyPart = 0.5
)

// follow keeps how lively the channel is while the block moves, and how often it has
// said the same now.
func (i *instrument) follow(same, moving bool) {
	if !same {
		i.repeats = 0
	} else {
		i.repeats++
	}
	if moving && i.repeats < frozenLeast { // a frozen run teaches nothing
		x := 1.0
		if same {
			x = 0
		}
		i.lively += 0.05 * (x - i.lively)
	}
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
	case i.frozen:
		return present(Medium, UnchangedWhileMoving, still, limit, "s")
	}
	if still > limit && i.repeats >= frozenLeast && now-d.movedSince(c, now) > limit && d.shouldChange(c, i) {
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
	case ingest.HookLoad, ingest.DrumSpeed:
		return i.lively > livelyPart
	case ingest.BrakePressure:
		full := float64(d.rig.Service.FullPressure)
		return i.lively > livelyPart && i.v > pressed*full && i.v < 0.98*full
	}
	return false
}

// movedSince is since when every live witness other than c shows motion, receipt
// time; now where one does not, or there is none.
func (d *Detector) movedSince(c ingest.Channel, now float64) float64 {
	since := math.Inf(-1)
	for k, w := range motionWitnesses {
		if w != c && d.ins[w].live(now) {
			since = math.Max(since, d.motionSince[k])
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
		math.Abs(d.sensorSpeed) > frozenSpeed && d.ins[ingest.BlockHeight].repeats < frozenLeast,
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

// followSensor keeps the height sensor's own speed, filtered over about half a second.
func (d *Detector) followSensor() {
	s := &d.ins[ingest.BlockHeight]
	if !s.fresh {
		return
	}
	if dt := s.event - d.sensorAt; dt > 0 && dt < 2 {
		d.sensorSpeed += (1 - math.Exp(-dt/0.4)) * ((s.v-d.sensorWas)/dt - d.sensorSpeed)
	}
	d.sensorWas, d.sensorAt = s.v, s.event
}
