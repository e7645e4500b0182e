package detect

import (
	"math"

	"hoistward/ingest"
)

// Steps screens the readings of a channel against how far it can move between two of
// them. One that is too far is held back for one reading:
//
//	the next comes back    it was a spike: said, never used
//	the next stays there   a step: used, where the channel can step (load, pressure);
//	                       where the ratio is that of two units, a conflict of units,
//	                       not used until it is taken back
//
// A real step costs one reading of delay; an overload is confirmed by two readings
// anyway. Nothing is averaged: a filter would hide the peaks that matter.
const (
	stepHeight = 0.5 // m, beside fastestBlock times the interval
	stepSpin   = 3.0 // rad/s, beside a block acceleration of stepGain
	stepGain   = 4.0 // m/s²: emergency stops reach 1.5 to 3.7 (PHYSICS section 3)
	stepLoad   = 0.4 // of the present weight, or of the block's if that is more
	// stepLoadTime: a string's weight comes on over 2 to 3 s (field recording, 1 Hz), so
	// that slower readings may lie further apart in proportion, s.
	stepLoadTime = 0.25
	stepPressure = 0.35 // of full pressure
	stepTurns    = 0.5  // turns of the drum, beside its fastest
	// A step is used once so many readings in a row stay there: load and pressure can
	// step, a height or a count should not; and a channel that strayed within spikesFor
	// seconds has to stay longer.
	stayCanStep = 1
	stayCannot  = 3
	staySpiking = 5
	spikesFor   = 60.0
	// saidFor is how long a spike or step stays said, s.
	saidFor = 5.0
	// unitBand is how near a ratio must be to that of two units, relative.
	unitBand = 0.03
	// unitMotion: load and height do not change by a unit's ratio while the block moves
	// faster than this, m/s; set down in slips they may.
	unitMotion = 0.2
	// blockLow and blockHigh of the travelling weight are a hook that carries the block
	// alone: the rig file's figure and the instrument's own error (common practice).
	blockLow  = 0.8
	blockHigh = 1.2
)

// unitRatios are the ratios of units that are taken for one another: foot and metre,
// kN, klbf, tonne and kilopound, psi, bar and MPa, rpm and rad/s (exact definitions,
// rounded).
var unitRatios = [...]float64{3.28084, 4.44822, 2.20462, 9.80665, 10, 14.5038, 6.89476, 145.038, 9.54930, 2.24809}

// stepLimit is how far channel c can move in dt seconds, SI; counts in counts.
func (d *Detector) stepLimit(c ingest.Channel, dt float64) float64 {
	switch c {
	case ingest.BlockHeight:
		return fastestBlock*dt + stepHeight
	case ingest.DrumSpeed:
		return stepGain*dt/d.pos.perRadian() + stepSpin
	case ingest.DrumCounts:
		return (d.pos.fastestDrum()*dt/(2*math.Pi) + stepTurns) * d.rig.Drawworks.Encoder.CountsPerRevolution
	case ingest.HookLoad:
		block := float64(d.rig.TravellingMass) * gravity
		return stepLoad * max(1, dt/stepLoadTime) * max(block, orZero(d.load.weight))
	case ingest.BrakePressure:
		return stepPressure * float64(d.rig.Service.FullPressure)
	}
	return math.Inf(1)
}

func (d *Detector) between(c ingest.Channel, from, to float64) float64 {
	if enc := d.rig.Drawworks.Encoder; c == ingest.DrumCounts && enc.CountsPerRevolution > 0 {
		return math.Abs(enc.Difference(from, to))
	}
	return math.Abs(to - from)
}

// screen tells whether the value v of channel c, stamped event, may be used now.
func (d *Detector) screen(c ingest.Channel, v, event, now float64) bool {
	i := &d.ins[c]
	if !i.seen || event < i.event {
		return true
	}
	dt := event - i.event
	if i.period > gridLeast { // a slow source's stamps stray: two may lie close together
		dt = max(dt, i.period)
	}
	limit := d.stepLimit(c, dt)
	if i.before != 0 {
		d.unitTakenBack(c, i, v, limit)
		return true
	}
	switch {
	case d.between(c, i.v, v) <= limit:
		if i.holding {
			i.strayed = now
		}
		i.holding = false
		return true
	case !i.holding || d.between(c, i.held, v) > limit:
		if i.holding { // a third place: spikes follow each other
			i.strayed = now
		}
		i.holding, i.held, i.waits = true, v, 0
		return false
	}
	i.held = v
	if i.waits++; i.waits < i.stays(c, now) {
		return false
	}
	i.holding, i.stepped = false, true
	d.step(c, i, v, now)
	return true
}

// stays is for how many readings a step must stay before it is used.
func (i *instrument) stays(c ingest.Channel, now float64) int {
	switch {
	case i.strayed > 0 && now-i.strayed < spikesFor:
		return staySpiking
	case c == ingest.BlockHeight || c == ingest.DrumCounts:
		return stayCannot
	}
	return stayCanStep
}

// step takes a reading that stays where the ones before it went.
func (d *Detector) step(c ingest.Channel, i *instrument, v, now float64) {
	moving := math.Abs(d.pos.motion.x[ixV]) > unitMotion
	if r := unitRatio(i.v, v); r != 0 && moving && (c == ingest.HookLoad || c == ingest.BlockHeight) {
		i.doubt, i.factor, i.before = SpeaksAnotherUnit, r, i.v
		return
	}
	if c != ingest.HookLoad && c != ingest.BrakePressure {
		i.strayed = now
	}
}

// unitTakenBack takes a channel that spoke another unit back once it speaks its own
// again. While the block moves, that is a step back by the ratio. At rest a load may
// change by as much, so that it is taken back only by what the wrong unit cannot say:
// with a ratio over 1, a load no more than the block's own.
func (d *Detector) unitTakenBack(c ingest.Channel, i *instrument, v, limit float64) {
	own, other := i.before, i.before*i.factor
	moving := math.Abs(d.pos.motion.x[ixV]) > unitMotion
	block := float64(d.rig.TravellingMass) * gravity
	near := math.Abs(v-own) <= limit && math.Abs(v-own) < math.Abs(v-other)
	switch {
	case near && moving && math.Abs(v/i.v*i.factor-1) < unitBand:
		i.back = 1
	case near && i.back > 0:
		i.back++
	default:
		i.back = 0
	}
	switch {
	case i.back >= stayCannot:
	case c == ingest.HookLoad && i.factor > 1 && v > blockLow*block && v < blockHigh*block:
	case math.Abs(v-own) <= math.Abs(v-other):
		return // a load set down or taken on at rest: it may be either
	default:
		i.before += (v/i.factor - i.before) * 0.2 // the true value moves on behind the wrong unit
		return
	}
	i.doubt, i.factor, i.before, i.back = NoCause, 0, 0, 0
}

// unitRatio returns the ratio of two units that lies between two values, 0 for none.
func unitRatio(from, to float64) float64 {
	r := to / from
	if !(r > 0) || math.IsInf(r, 0) {
		return 0
	}
	for _, u := range unitRatios {
		if math.Abs(r/u-1) < unitBand {
			return u
		}
		if math.Abs(r*u-1) < unitBand {
			return 1 / u
		}
	}
	return 0
}

func (i *instrument) impossibleStep(now float64) Finding {
	switch {
	case !i.heard(now):
		return undecided()
	case i.doubt != NoCause && i.doubt != SpeaksAnotherUnit:
		return present(Medium, i.doubt, NotKnown(), NotKnown(), "")
	case i.strayed > 0 && now-i.strayed < saidFor:
		return present(Medium, StrayedFurther, NotKnown(), NotKnown(), "")
	}
	return absent(NotKnown(), NotKnown(), "")
}

func (i *instrument) unitConflict(now float64) Finding {
	switch {
	case i.doubt == SpeaksAnotherUnit:
		return present(Medium, SpeaksAnotherUnit, i.factor, NotKnown(), "times what it should be")
	case i.quality == ingest.Bad && i.reason == ingest.UnitConflict && now-i.named <= i.patience():
		return present(Medium, SaysAnotherUnit, NotKnown(), NotKnown(), "")
	case !i.heard(now):
		return undecided()
	}
	return absent(NotKnown(), NotKnown(), "")
}
