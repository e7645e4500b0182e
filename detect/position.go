package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// position estimates where the block is and how it moves: the drum-wrap map and
// the height sensor as two witnesses (PHYSICS sections 16 and 17).
type position struct {
	rig      *hoist.Rig
	wrapMap  hoist.Map
	mapCause Cause // why the map is void; NoCause = usable
	tied     bool  // counts stand for wraps
	stale    bool  // no count comes: wraps are old
	counting bool
	counts   float64 // newest count
	countsAt float64 // its event time
	wraps    float64

	motion  motion
	started bool
	at      float64 // event time of the state, s
	heard   float64 // receipt of the newest height witness, s
	moved   float64 // receipt of the newest velocity witness, s
	sensors int     // readings of the sensor so far, up to enoughHeights
	strange int     // sensor readings in a row that cannot follow from the last

	apart      float64 // filtered sensor less drum, m
	apartSince float64 // event time since which they are apart while moving; NaN = not
	disagree   bool
	lastSensor float64
	sensorAt   float64 // event time of the newest sensor reading, s
	beat       grid    // of the sensor's stamps
	stretch    float64 // m, of the line under the newest load; NaN = not known
	stretchAt  float64 // its event time
	stretching float64 // m/s, its growth: the block sinks by it
	countSpeed float64 // m/s of the block by the newest counts
	loose      float64 // turns of the drum with the block hung off
	abruptTill float64 // event time until which the motion may change abruptly

	layerFrom, layerTo float64 // wraps of the layer last asked for
	layerRadius        float64 // its radius, m
}

const (
	// fastestBlock is beyond what a hoist does, m/s; operating hook speeds are
	// 0.5 to 1.8 m/s (PHYSICS section 2). A faster step is not motion.
	fastestBlock = 5.0
	// drumHeightNoise is the drum's own noise in height, m: counts, layer crossover.
	drumHeightNoise = 0.003
	// drumSpeedNoise is the noise of a drum-speed channel at the drum, rad/s.
	drumSpeedNoise = 0.05
	// Jerk densities, m²/s⁵. With the drum as witness the block is taken to move
	// quietly until a reading lies surprise standard deviations off; then a stop of
	// 3 m/s² in half a second is followed. With the sensor alone noise counts more:
	// at jerkSensor the innovations of the 1 Hz field recording lie beyond their own
	// 99 % band in 0.13 % of the readings in motion (testdata/field, 3,090 readings).
	jerkQuiet   = 0.3
	jerkAbrupt  = 30.0
	jerkSensor  = 0.05
	surprise    = 3.0
	abruptLasts = 0.3 // s
	// stampJitter is how far a slow source's stamps stray, in its intervals.
	stampJitter = 0.10
	// enoughHeights is how many sensor readings a speed needs.
	enoughHeights = 4
	// apartLimit and apartTime: the two witnesses disagree (section 17).
	apartLimit = 0.30
	apartClear = 0.15
	apartTime  = 1.0
	// hungOff is the part of the travelling weight below which the block does not hang
	// on the line, and looseTurns how far the drum may turn then.
	hungOff    = 0.3
	looseTurns = 0.5
	// stretchTime is the filter time of the line's stretching, s.
	stretchTime = 0.15
	// stillSpeed is below any wanted motion, m/s.
	stillSpeed = 0.02
)

func newPosition(rig *hoist.Rig) position {
	p := position{rig: rig, apartSince: math.NaN(), stretch: math.NaN()}
	m, err := hoist.NewMap(rig)
	p.wrapMap = m
	switch {
	case err != nil:
		p.mapCause = MapNeverSet
	case rig.Drawworks.Encoder.CountsPerRevolution > 0:
		p.mapCause = CountsNotTied
	}
	return p
}

// step takes the witnesses of one frame at event time t and receipt now. load is
// the hook load, N.
func (p *position) step(t, now float64, ins *[ingest.NumChannels]instrument, load float64) {
	counts, speed, sensor := &ins[ingest.DrumCounts], &ins[ingest.DrumSpeed], &ins[ingest.BlockHeight]
	p.stale = !counts.live(now)
	radius := p.layerRadius
	if sensor.fresh && !p.drumSpeaks(ins, now) {
		t = p.beat.time(t)
	}
	p.count(counts, t, load)
	p.changeLayer(radius)
	if p.started && t > p.at {
		p.motion.predict(t-p.at, p.jerk(ins, now))
		p.meetSurprise(t, ins)
	}
	p.at = max(p.at, t)
	if sensor.fresh {
		p.tie(sensor.v, load)
	}
	if p.tied && counts.fresh {
		p.drumHeight(now, load)
	}
	p.followStretch(t, load)
	if speed.fresh {
		p.drumSpeed(speed.v, p.news(ins), now)
	}
	if sensor.fresh {
		p.sensor(sensor, now, t, counts.live(now))
	}
}

func (p *position) jerk(ins *[ingest.NumChannels]instrument, now float64) float64 {
	if p.drumSpeaks(ins, now) {
		return jerkQuiet
	}
	return jerkSensor
}

// drumSpeaks tells whether the drum is a witness of the motion.
func (p *position) drumSpeaks(ins *[ingest.NumChannels]instrument, now float64) bool {
	return ins[ingest.DrumSpeed].live(now) || (p.tied && ins[ingest.DrumCounts].live(now))
}

// meetSurprise lets the motion change abruptly where the drum's speed shows it.
func (p *position) meetSurprise(t float64, ins *[ingest.NumChannels]instrument) {
	if speed := &ins[ingest.DrumSpeed]; speed.fresh && p.news(ins) == 1 {
		v, r := p.blockSpeed(speed.v)
		if nu, s := p.motion.innovation(rowVelocity, v-p.stretching, r); nu*nu > surprise*surprise*s {
			p.abruptTill = t + abruptLasts
		}
	}
	if t <= p.abruptTill {
		p.motion.addJerk(t-p.at, jerkAbrupt-jerkQuiet)
	}
}

// followStretch keeps how fast the line stretches: a load that comes on moves the
// block with the drum at rest. The rate is filtered a little, for the load's noise.
func (p *position) followStretch(t, load float64) {
	if p.mapCause == MapNeverSet || !p.started {
		return
	}
	stretch := float64(p.wrapMap.Stretch(units.Newton(load), units.Metre(p.motion.x[ixH])))
	if dt := t - p.stretchAt; dt > 0 && dt < 1 && Known(p.stretch) {
		p.stretching += (1 - math.Exp(-dt/stretchTime)) * ((stretch-p.stretch)/dt - p.stretching)
	} else {
		p.stretching = 0
	}
	p.stretch, p.stretchAt = stretch, t
}

// blockSpeed returns the block's speed by the drum's and its noise variance.
func (p *position) blockSpeed(omega float64) (v, variance float64) {
	k := p.perRadian()
	sd := drumSpeedNoise*k + 0.005*math.Abs(omega)*k
	return omega * k, sd * sd
}

func (p *position) drumHeight(now, load float64) {
	h := float64(p.wrapMap.Height(p.wraps, units.Newton(load)))
	if math.IsNaN(h) {
		p.void(CountsJumped)
		return
	}
	p.begin(h, now)
	p.motion.update(rowHeight, h, drumHeightNoise*drumHeightNoise)
	p.heard, p.moved = now, now
}

// sameSpeed is how many times in a row a drum speed says the same before the count,
// which is never the same while the drum turns, is taken to know better.
const sameSpeed = 3

// news returns 1, or by how much wider the newest drum speed is taken because it has
// not changed for a while: steady, or stuck.
func (p *position) news(ins *[ingest.NumChannels]instrument) float64 {
	same := ins[ingest.DrumSpeed].repeats - sameSpeed
	if same < 0 || !p.tied || !ins[ingest.DrumCounts].fresh {
		return 1
	}
	return 2 + float64(min(same, 8))
}

func (p *position) drumSpeed(omega, wider, now float64) {
	if !p.started || math.Abs(omega) > p.fastestDrum() {
		return
	}
	v, r := p.blockSpeed(omega)
	r *= wider * wider
	p.motion.update(rowVelocity, v-p.stretching, r)
	p.moved = now
}

func (p *position) begin(h, now float64) {
	if p.started {
		return
	}
	p.motion.start(h, float64(p.rig.Uncertainty.Height))
	p.started, p.heard = true, now
}

func (p *position) sensor(s *instrument, now, t float64, counting bool) {
	since := t - p.sensorAt
	p.lastSensor, p.sensorAt = s.v, t
	if p.tied {
		p.compare(s.v, t)
		switch {
		case counting && math.Abs(p.apart) > apartLimit: // one of the two is wrong: no mean of both
		case counting:
			p.motion.update(rowSensor, s.v, p.sensorVariance(s))
		default: // the count has gone: the sensor carries the height on, by the offset that it had
			b := p.motion.x[ixB]
			p.motion.update(rowHeight, s.v-b, p.sensorVariance(s)+p.motion.p[ixB][ixB])
			p.motion.x[ixB] = b
			p.sensors = min(p.sensors+1, enoughHeights)
			p.heard = now
			if p.sensors == enoughHeights {
				p.moved = now
			}
		}
		return
	}
	p.begin(s.v, now)
	r := p.sensorVariance(s)
	nu, _ := p.motion.innovation(rowHeight, s.v, r)
	if math.Abs(nu) > fastestBlock*max(s.period, since)+5*math.Sqrt(r) && p.sensors >= enoughHeights {
		if p.strange++; p.strange < 3 {
			return
		}
		p.motion.start(s.v, float64(p.rig.Uncertainty.Height))
		p.sensors = 0
	}
	p.strange = 0
	p.sensors = min(p.sensors+1, enoughHeights)
	p.motion.update(rowHeight, s.v, r)
	p.heard = now
	if p.sensors == enoughHeights {
		p.moved = now
	}
}

// sensorVariance is the sensor's own noise and, for slow sources, what an error
// of the stamp makes of it at the present speed.
func (p *position) sensorVariance(s *instrument) float64 {
	sd := float64(p.rig.Uncertainty.Height)
	jitter := stampJitter * s.period * math.Abs(p.motion.x[ixV])
	return sd*sd + jitter*jitter
}

// compare holds the two witnesses against each other while the block moves.
func (p *position) compare(sensor, t float64) {
	d := sensor - p.motion.x[ixH]
	p.apart += 0.3 * (d - p.apart)
	moving := math.Abs(p.motion.x[ixV]) > stillSpeed
	switch {
	case math.Abs(p.apart) < apartClear:
		p.apartSince, p.disagree = math.NaN(), false
	case math.Abs(p.apart) > apartLimit && moving && math.IsNaN(p.apartSince):
		p.apartSince = t
	case math.Abs(p.apart) > apartLimit && t-p.apartSince > apartTime:
		p.disagree = true
	}
}

func (p *position) whichSource(ins *[ingest.NumChannels]instrument, now float64) HeightSource {
	drum := p.tied && ins[ingest.DrumCounts].live(now)
	sensor := ins[ingest.BlockHeight].live(now)
	switch {
	case !p.started:
		return NoHeight
	case drum && sensor:
		return FromBoth
	case drum:
		return FromDrum
	case sensor:
		return FromSensor
	}
	return NoHeight
}

// envelope returns the highest and lowest height that the witnesses allow, m:
// the estimate, and the sensor too where the two disagree; never their mean.
func (p *position) envelope() (high, low float64) {
	high, low = p.motion.x[ixH], p.motion.x[ixH]
	if p.disagree {
		high, low = max(high, p.lastSensor), min(low, p.lastSensor)
	}
	return high, low
}

// heightBound is how far the block can be from the estimate, m, one-sided 99 %:
// the reference's uncertainty and the filter's, added linearly since an error of
// the reference stays (PHYSICS section 11).
func (p *position) heightBound() float64 {
	return hoist.Z99*float64(p.rig.Uncertainty.Height) + hoist.Z99*p.motion.sd(ixH)
}
