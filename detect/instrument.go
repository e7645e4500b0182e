package detect

import (
	"hoistward/ingest"
)

// instrument is what is known of one channel between frames. Times are seconds of
// receipt since the detector's epoch.
type instrument struct {
	mapped   bool
	seen     bool    // a good or uncertain value came
	came     bool    // it came with the present frame
	fresh    bool    // and is believed
	v        float64 // newest good or uncertain value, SI
	at       float64 // its receipt
	event    float64 // its event time
	period   float64 // usual interval, s; 0 = not learned
	stated   bool    // period is the site's and not learned
	named    float64 // receipt of the newest message that named the channel
	quality  ingest.Quality
	reason   ingest.Reason
	changed  float64 // receipt of the newest change of v
	holding  bool    // a reading that is too far away is held back
	held     float64 // it
	strayed  float64 // receipt of the newest spike or impossible step; 0 = none
	stepped  bool    // the present value lies a step from those before
	beyonds  int     // readings in a row that no rig like this can show
	waits    int     // with holding: readings in a row that stayed at held
	doubt    Cause   // found to be wrong by another witness: not believed; NoCause = it is
	factor   float64 // with doubt, of another unit: by which it is off
	back     int     // with doubt, of another unit: readings in a row that speak its own again
	before   float64 // with a unit found by its step: what it would say in its own unit
	repeats  int     // readings in a row that said the same
	longest  int     // most of them, in motion, before it changed again
	lively   float64 // part of the readings that changed by its own noise, 0 to 1
	seenMove int     // readings that lively rests on, up to livelyReadings
	frozen   bool    // found to stand still while it should move: not believed until it changes
	lag      float64 // s by which the newest came later than the least lag, or its beat
	late     bool

	toldPlain bool // the findings on range, step and unit are in the result as absent
}

// Limits of silence. A channel is lost after three of its usual intervals, but
// not within a second: at the trade's usual 5 to 10 Hz one late message is not a
// loss, and a block at 1.5 m/s goes 1.5 m in a second (PHYSICS section 0, item 7).
const (
	lostPeriods   = 3.0
	lostLeast     = 1.0
	lostUnlearned = 3.0 // before an interval is learned
	firstWait     = 5.0 // a mapped channel may take this long to come at all
	longestPeriod = 10.0
)

// take reads channel c of a frame that came at now.
func (d *Detector) take(c ingest.Channel, r *ingest.Reading, now float64) {
	i := &d.ins[c]
	i.came, i.fresh, i.stepped = false, false, false
	if !r.Fresh {
		return
	}
	i.mapped = true
	i.named = now
	value := d.believable(c, r.Value)
	v, ok := value.Float()
	event := r.At.Sub(d.epoch).Seconds()
	if ok && !d.screen(c, v, event, now) {
		value, ok = ingest.BadValue(ingest.ImpossibleStep), false
	}
	i.quality, i.reason = value.Quality, value.Reason
	if !ok {
		i.beyond(c, value.Reason)
		return
	}
	i.beyonds = 0
	i.lateness(d, event, min(now, d.seconds(r.Received)))
	i.follow(d, c, v)
	if i.seen {
		i.learn(now - i.at)
	}
	if !i.seen || v != i.v {
		i.changed, i.frozen = now, false
	}
	i.seen, i.came, i.fresh = true, true, !i.frozen && i.doubt == NoCause
	i.v, i.at, i.event = v, now, event
}

// beyond takes a reading that cannot be. A brake pressure twice in a row beyond what
// the rig has is in another unit, and what of it lies in range is no better.
func (i *instrument) beyond(c ingest.Channel, why ingest.Reason) {
	if c != ingest.BrakePressure || why != ingest.OutOfRange {
		return
	}
	if i.beyonds++; i.beyonds >= 2 && i.doubt == NoCause {
		i.doubt = BeyondFullPressure
	}
}

func (i *instrument) learn(interval float64) {
	if i.stated {
		return
	}
	interval = min(interval, longestPeriod)
	if i.period == 0 {
		i.period = interval
		return
	}
	i.period += 0.05 * (interval - i.period)
}

func (i *instrument) patience() float64 {
	if i.period == 0 {
		return lostUnlearned
	}
	return max(lostLeast, lostPeriods*i.period)
}

// firstWait is how long the channel may take to come at all.
func (i *instrument) firstWait() float64 {
	if i.stated {
		return max(firstWait, lostPeriods*i.period)
	}
	return firstWait
}

// live tells whether the newest value may still be used at now.
func (i *instrument) live(now float64) bool {
	return i.heard(now) && !i.frozen && i.doubt == NoCause
}

// heard tells whether values come, believed or not.
func (i *instrument) heard(now float64) bool {
	return i.seen && now-i.at <= i.patience()
}

// lost judges the channel at now: never came, or too long ago.
func (i *instrument) lost(now float64) Finding {
	switch {
	case !i.mapped:
		return undecided()
	case !i.seen && now < i.firstWait():
		return undecided()
	case !i.seen:
		return present(Medium, i.silence(NeverArrived), now, i.firstWait(), "s")
	case !i.heard(now):
		return present(Medium, i.silence(NoValueSince), now-i.at, i.patience(), "s")
	}
	return absent(now-i.at, i.patience(), "s")
}

// silence tells a source that says "no value" from one that says nothing.
func (i *instrument) silence(otherwise Cause) Cause {
	if i.named <= i.at {
		return otherwise
	}
	switch i.reason {
	case ingest.Null:
		return SourceSaysNull
	case ingest.OutOfRange:
		return OutsideRange
	case ingest.ImpossibleStep:
		return StrayedFurther
	case ingest.UnitConflict:
		return SaysAnotherUnit
	}
	return SourceSaysBad
}

func (i *instrument) outOfRange() Finding {
	switch {
	case !i.mapped || (i.quality == ingest.Bad && i.reason != ingest.OutOfRange):
		return undecided()
	case i.quality == ingest.Bad:
		return present(Medium, OutsideRange, NotKnown(), NotKnown(), "")
	}
	return absent(NotKnown(), NotKnown(), "")
}

// minimum lists the channels that every stop-margin answer rests on: their loss
// is urgent.
func minimum(c ingest.Channel) bool {
	switch c {
	case ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.BrakePressure:
		return true
	}
	return false
}
