package detect

import (
	"math"

	"hoistward/ingest"
)

// Speeds holds the three witnesses of the motion against each other: the drum's speed,
// the drum's count and the height sensor. Each says how fast the block goes:
//
//	v_s = ω r/n      v_c = 2π (ΔN/N_rev)/Δt · r/n      v_h = Δh/Δt
//
//	ω      drum speed                     rad/s
//	ΔN     counts between two readings, N_rev a revolution
//	r/n    travel a radian of the drum    m
//	Δh     change of the height sensor    m
//
//	one reading   v_s and v_c differ by more than they can: the one that lies further
//	              from how the block moved a moment ago is not used
//	one reading   v_s has left the motion by Δv while v_c, the mean over the same time,
//	              has not by onlyOne of it: a block that slows evenly shows half of Δv
//	              there, so the drum speed alone has stepped, and is not used; the same
//	              the other way round is a count that has stepped
//	several       over crossTime of motion the filtered speeds differ: the one that the
//	              third contradicts is doubted, and not used until it has agreed again
//	              for crossBack of motion
//	backward      the ratio is −1: the sign is turned; where drum speed and count agree
//	              and the sensor goes the other way, both of the drum are
//	undecided     fewer than two witnesses; of two alone the height, or the count, is
//	              held the better one, since a speed has to be added up to be a height
//
// The mean of two drum speeds is held against the count between them, which is right
// to the second order in the time between, so that a hard stop is no contradiction.
//
// Source: geometry of the drum (PHYSICS section 2); voting chosen here.
type speeds struct {
	slow  [numWitnesses]float64 // m/s, filtered over crossFilter
	known [numWitnesses]float64 // s of readings that the filter rests on, up to crossFilter·3
	last  [numWitnesses]float64 // event time of the newest

	counts   float64 // newest raw count
	countsAt float64 // its event time
	counted  bool
	now      float64 // m/s by the newest count; NaN = none with this frame
	newest   float64 // m/s by the newest two counts
	newestAt float64 // event time of the later one; NaN = none yet

	spin   float64 // newest drum speed, rad/s
	spinAt float64
	spinOK bool // it was used
	meanOf float64
	meanAt float64

	against [numWitnesses]float64 // s of motion for which the others contradict it
	agreed  [numWitnesses]float64 // s of motion for which they bear it out again
	turned  float64               // s for which both of the drum go against the sensor
	was     float64               // event time of the frame before
}

// The witnesses of the motion.
const (
	bySpeed = iota
	byCounts
	bySensor
	numWitnesses
)

var witnessChannel = [numWitnesses]ingest.Channel{ingest.DrumSpeed, ingest.DrumCounts, ingest.BlockHeight}

const (
	crossFilter = 0.4  // s: the sensor's own noise, 7 mm a reading at 10 Hz, becomes 0.03 m/s
	crossSpeed  = 0.15 // m/s: a lag of 0.03 s in a stop at 4 m/s², and the noise
	crossPart   = 0.10 // of the speed: stamps that stray by a tenth of their interval
	crossSlow   = 0.10 // of the filtered speeds of the drum
	crossSensor = 0.30 // where one is the sensor's, which lags and wavers
	crossJump   = 0.30 // m/s² · s a second of interval, of the mean over it
	onlyOne     = 0.15 // of the change that drum speed shows
	crossTime   = 0.30 // s of motion, of three witnesses
	crossTwo    = 1.50 // s, of drum speed and height sensor alone
	crossBack   = 2.0  // s of motion in agreement
	crossMoves  = 0.15 // m/s: from here on the block moves
	crossGap    = 1.5  // s: counts further apart show no speed of the present
	backward    = 0.30 // by which a ratio may differ from −1
)

// speedOfCounts takes a count that came with this frame.
func (d *Detector) speedOfCounts() {
	s, c := &d.cross, &d.ins[ingest.DrumCounts]
	s.now = math.NaN()
	enc := d.rig.Drawworks.Encoder
	if !c.came || !(enc.CountsPerRevolution > 0) {
		return
	}
	if dt := c.event - s.countsAt; s.counted && dt > 0 && dt < crossGap {
		turns := enc.Difference(s.counts, c.v) / enc.CountsPerRevolution
		if v := turns * 2 * math.Pi / dt * d.pos.perRadian(); math.Abs(v) < fastestBlock { // else a jump
			s.now, s.newest, s.newestAt = v, v, c.event
		}
	}
	s.counted, s.counts, s.countsAt = true, c.v, c.event
}

// fits tells whether a drum speed, stamped event, goes with the count of this frame.
func (d *Detector) fits(omega, event float64) bool {
	s := &d.cross
	old, limit := event-s.newestAt, 1.0
	if !(old < crossGap) || !d.countsUsable() {
		return true
	}
	k := d.pos.perRadian()
	dt := event - s.spinAt
	v, room := omega*k, stepGain*(old+dt/2)
	switch {
	case !s.spinOK: // it did not go before: to be used again it must go well
		limit, room = 0.5, 0
	case Known(s.now) && dt > 0 && dt < crossGap && s.stepsAlone(v, d.pos.motion.x[ixV]):
		return false
	case Known(s.now) && dt > 0 && dt < crossGap:
		v, room = (omega+s.spin)*k/2, crossJump*dt
	}
	return math.Abs(v-s.newest) <= limit*(crossSpeed+crossPart*max(math.Abs(v), math.Abs(s.newest)))+max(room, 0)
}

// stepsAlone tells whether a drum speed has left the motion as it was, and the count has not.
func (s *speeds) stepsAlone(v, was float64) bool {
	return math.Abs(v-was) > crossSpeed && math.Abs(s.now-was) < onlyOne*math.Abs(v-was)
}

// countsUsable tells whether the counts show the drum's speed: they may do so without
// being tied to a height.
func (d *Detector) countsUsable() bool {
	i := &d.ins[ingest.DrumCounts]
	return !i.frozen && i.doubt == NoCause && d.pos.mapCause != CountsJumped
}

// judgeSpeeds compares the witnesses of this frame and sets aside what is contradicted.
func (d *Detector) judgeSpeeds(event, now float64) {
	s := &d.cross
	dt := event - s.was
	s.was = event
	d.meetReadings(event)
	d.filterSpeeds()
	if dt > 0 && dt < crossGap {
		d.vote(dt, now)
	}
}

// meetReadings sets aside one reading of drum speed or count, where they cannot both be.
func (d *Detector) meetReadings(event float64) {
	s, sp, c := &d.cross, &d.ins[ingest.DrumSpeed], &d.ins[ingest.DrumCounts]
	if !sp.came {
		return
	}
	used := sp.fresh
	if used && !d.fits(sp.v, sp.event) {
		v, w, was := sp.v*d.pos.perRadian(), s.newest, d.pos.motion.x[ixV]
		alone := Known(s.now) && math.Abs(v-was) < onlyOne*math.Abs(w-was) // the speed has not moved, the count has
		if d.pos.started && c.fresh && (c.repeats > 0 || alone) && math.Abs(w-was) > math.Abs(v-was)+crossSpeed {
			c.fresh = false
		} else {
			sp.fresh, used = false, false
		}
	}
	s.spin, s.spinAt, s.spinOK = sp.v, sp.event, used
}

// filterSpeeds takes the newest readings into the filtered speeds.
func (d *Detector) filterSpeeds() {
	s := &d.cross
	take := func(k int, v, at float64) {
		dt := at - s.last[k]
		s.last[k] = at
		if !(dt > 0 && dt < crossGap) {
			s.slow[k], s.known[k] = v, 0
			return
		}
		s.slow[k] += (1 - math.Exp(-dt/crossFilter)) * (v - s.slow[k])
		s.known[k] = min(3*crossFilter, s.known[k]+dt)
	}
	if i := &d.ins[ingest.DrumSpeed]; i.came {
		v := i.v
		if dt := i.event - s.meanAt; dt > 0 && dt < crossGap { // as the count: over the interval
			v = (v + s.meanOf) / 2
		}
		take(bySpeed, v*d.pos.perRadian(), i.event)
		s.meanOf, s.meanAt = i.v, i.event
	}
	if Known(s.now) {
		take(byCounts, s.now, s.countsAt)
	}
	if h := &d.ins[ingest.BlockHeight]; h.came {
		if dt := h.event - d.sensorAt; dt > 0 {
			take(bySensor, (h.v-d.sensorWas)/dt, h.event)
		}
		d.sensorWas, d.sensorAt = h.v, h.event
	}
}

// speaks tells whether a witness has something to say now, believed or not.
func (d *Detector) speaks(k int, now float64) bool {
	i := &d.ins[witnessChannel[k]]
	if !i.heard(now) || d.cross.known[k] < 2*crossFilter || i.frozen {
		return false
	}
	switch k {
	case byCounts:
		return d.pos.mapCause != CountsJumped
	case bySensor:
		return i.doubt == NoCause
	}
	return true
}

func (s *speeds) apart(a, b int) bool {
	x, y, part := s.slow[a], s.slow[b], crossSlow
	if a == bySensor || b == bySensor {
		part = crossSensor
	}
	return math.Abs(x-y) > crossSpeed+part*max(math.Abs(x), math.Abs(y))
}

// nearer tells whether b lies nearer to c than a does.
func (s *speeds) nearer(a, b, c int) bool {
	return math.Abs(s.slow[b]-s.slow[c]) < math.Abs(s.slow[a]-s.slow[c])
}

// vote doubts the witness that the others contradict, dt seconds of motion on.
func (d *Detector) vote(dt, now float64) {
	s := &d.cross
	var has [numWitnesses]bool
	for k := range has {
		has[k] = d.speaks(k, now)
	}
	if d.bothBackward(has) && !d.depthIsHeight(now) {
		if s.turned += dt; s.turned >= crossTwo {
			d.ins[ingest.DrumSpeed].doubt, d.ins[ingest.DrumCounts].doubt = RunsBackward, RunsBackward
			d.pos.void(RunsBackward)
		}
	} else {
		s.turned = 0
	}
	for k := range has {
		against, needs := d.contradicted(k, has)
		switch {
		case !has[k]:
			s.against[k], s.agreed[k] = 0, 0
		case against:
			s.agreed[k] = 0
			if s.against[k] += dt; s.against[k] >= needs {
				d.doubtWitness(k, has)
			}
		default:
			s.against[k] = 0
			d.bearOut(k, has, dt)
		}
	}
}

// contradicted tells whether the other witnesses speak against k, and for how long they
// must.
func (d *Detector) contradicted(k int, has [numWitnesses]bool) (bool, float64) {
	s := &d.cross
	a, b := (k+1)%numWitnesses, (k+2)%numWitnesses
	switch {
	case !has[k]:
		return false, 0
	case k == bySpeed && has[byCounts] && has[bySensor]:
		return s.apart(bySpeed, byCounts) && !s.apart(byCounts, bySensor) && s.nearer(bySpeed, byCounts, bySensor), crossTime
	case k == byCounts && has[bySpeed] && has[bySensor] && !s.apart(byCounts, bySensor): // too slow to be clear: for longer
		return s.apart(bySpeed, byCounts) && !s.apart(bySpeed, bySensor) && s.nearer(byCounts, bySpeed, bySensor), crossTwo
	case has[a] && has[b]:
		return s.apart(k, a) && s.apart(k, b) && !s.apart(a, b), crossTime
	case k == bySpeed && has[byCounts]:
		return s.apart(bySpeed, byCounts), crossTime
	case k == bySpeed && has[bySensor]:
		return s.apart(bySpeed, bySensor) && d.ins[ingest.BlockHeight].repeats < frozenLeast, crossTwo
	}
	return false, 0
}

// bothBackward tells whether drum speed and count agree, and the sensor goes the other
// way just as fast.
func (d *Detector) bothBackward(has [numWitnesses]bool) bool {
	s := &d.cross
	y := s.slow[bySensor]
	return has[bySpeed] && has[byCounts] && has[bySensor] && math.Abs(y) > crossMoves &&
		math.Abs(s.slow[bySpeed]/y+1) < backward && math.Abs(s.slow[byCounts]/y+1) < backward
}

func (d *Detector) doubtWitness(k int, has [numWitnesses]bool) {
	i := &d.ins[witnessChannel[k]]
	if k == bySensor { // two heights apart are told as such: heights disagree
		return
	}
	other := byCounts
	if k == byCounts || !has[byCounts] {
		other = bySensor
	}
	if i.doubt == NoCause {
		i.doubt = OtherThanCounts
		if other == bySensor {
			i.doubt = OtherThanHeight
		}
	}
	if y := d.cross.slow[other]; math.Abs(y) > crossMoves {
		switch r := d.cross.slow[k] / y; {
		case math.Abs(r+1) < backward:
			i.doubt = RunsBackward
		case unitRatio(1, r) != 0:
			i.doubt, i.factor = SpeaksAnotherUnit, unitRatio(1, r)
		}
	}
	if k == bySpeed && i.repeats >= frozenLeast && i.at-i.changed > d.cross.against[k]+2*crossFilter {
		i.frozen, i.doubt = true, NoCause // until it changes
	}
	if k == byCounts && d.pos.tied {
		d.pos.void(CountsJumped)
	}
}

// bearOut takes a doubted witness back when it has agreed for long enough in motion.
func (d *Detector) bearOut(k int, has [numWitnesses]bool, dt float64) {
	s, i := &d.cross, &d.ins[witnessChannel[k]]
	if i.doubt == NoCause || i.doubt == TradedPlaces || !i.came || math.Abs(s.slow[k]) < crossMoves {
		return
	}
	for o := range has {
		if o != k && has[o] && s.apart(k, o) {
			s.agreed[k] = 0
			return
		}
	}
	if s.agreed[k] += dt; s.agreed[k] >= crossBack {
		i.doubt, i.factor = NoCause, 0
	}
}
