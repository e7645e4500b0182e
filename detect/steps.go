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
	stepHeight   = 0.5  // m, beside fastestBlock times the interval
	stepSpin     = 3.0  // rad/s, beside a block acceleration of stepGain
	stepGain     = 4.0  // m/s²: emergency stops reach 1.5 to 3.7 (PHYSICS section 3)
	stepLoad     = 0.4  // of the present weight, or of the block's if that is more
	stepPressure = 0.35 // of full pressure
	stepTurns    = 0.5  // turns of the drum, beside its fastest
	// crossPart and crossSpin are by how much drum speed and count may differ, the one
	// being a reading older, rad/s; crossReadings how often in a row they must.
	crossPart     = 0.35
	crossSpin     = 2.0
	crossReadings = 3
	// saidFor is how long a spike or step stays said, s.
	saidFor = 5.0
	// unitBand is how near a ratio must be to that of two units, relative.
	unitBand = 0.03
	// unitMotion: load and height do not change by a unit's ratio while the block moves
	// faster than this, m/s; set down in slips they may.
	unitMotion = 0.2
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
		return stepLoad * math.Max(block, orZero(d.load.weight))
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
	if c == ingest.DrumSpeed && d.countsContradict(i, v) {
		return false
	}
	limit := d.stepLimit(c, event-i.event)
	if i.ratio != 0 {
		return d.unitTakenBack(i, v, limit)
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
		i.holding, i.held = true, v
		return false
	}
	i.holding = false
	return d.step(c, i, v, now)
}

// step takes a reading that stays where the one before it went.
func (d *Detector) step(c ingest.Channel, i *instrument, v, now float64) bool {
	moving := math.Abs(d.pos.motion.x[ixV]) > unitMotion
	if r := unitRatio(i.v, v); r != 0 && moving && c != ingest.DrumCounts && c != ingest.BrakePressure {
		i.ratio, i.before = r, i.v
		return false
	}
	if c != ingest.HookLoad && c != ingest.BrakePressure {
		i.strayed = now
	}
	return true
}

// unitTakenBack tells whether a channel that spoke another unit speaks its own again:
// its value is nearer to where it went on from than to that times the ratio.
func (d *Detector) unitTakenBack(i *instrument, v, limit float64) bool {
	own, other := i.before, i.before*i.ratio
	if math.Abs(v-own) > limit || math.Abs(v-own) > math.Abs(v-other) {
		i.before = i.before + (v/i.ratio-i.before)*0.2 // the true value moves on behind the wrong unit
		return false
	}
	i.ratio = 0
	return true
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
	case i.contrary != 0 && unitRatio(1, i.contrary) == 0:
		return present(Medium, OtherThanCounts, NotKnown(), NotKnown(), "")
	case i.strayed > 0 && now-i.strayed < saidFor:
		return present(Medium, StrayedFurther, NotKnown(), NotKnown(), "")
	}
	return absent(NotKnown(), NotKnown(), "")
}

func (i *instrument) unitConflict(now float64) Finding {
	switch {
	case i.ratio != 0:
		return present(Medium, SpeaksAnotherUnit, i.ratio, NotKnown(), "times what it was")
	case unitRatio(1, i.contrary) != 0:
		return present(Medium, SpeaksAnotherUnit, unitRatio(1, i.contrary), NotKnown(), "times what it should be")
	case !i.heard(now):
		return undecided()
	}
	return absent(NotKnown(), NotKnown(), "")
}

// countsContradict tells whether the drum's count has shown another speed than v for
// crossReadings readings: then the speed is in another unit, or not the drum's.
func (d *Detector) countsContradict(i *instrument, v float64) bool {
	if !d.pos.tied || d.ins[ingest.DrumCounts].repeats > 0 || !d.framed {
		i.against = 0
		return false
	}
	w := d.pos.countSpeed / d.pos.perRadian()
	if math.Abs(v-w) <= crossPart*math.Max(math.Abs(v), math.Abs(w))+crossSpin {
		i.against, i.contrary = 0, 0
		return false
	}
	if i.against++; i.against < crossReadings {
		return false
	}
	i.contrary = v / w
	return true
}
