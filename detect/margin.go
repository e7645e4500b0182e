package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// margin answers, for both directions, where the block would come to rest if the
// trip came now, and how long there is to act (PHYSICS section 18).
type margin struct {
	restUp, restUpBound     float64
	restDown, restDownBound float64
	crownRoom, floorRoom    float64
	slopeUp, slopeDown      float64
	toAct                   float64 // s; +Inf = no limit ahead; NaN = not known
	safeLowering            float64
	cannotStop              bool
	blind                   Blind
	why                     Cause
	degraded                Cause // what the answers that can be given lack
}

const (
	// speedNoise and accelerationNoise are the least standard deviations taken for
	// the block's speed and acceleration, m/s and m/s².
	speedNoise        = 0.01
	accelerationNoise = 0.05
	// fastestGain is the greatest acceleration that a drive or a load gives a block,
	// m/s²; what the filter shows beyond it while the motion changes is its own.
	fastestGain = 2.0
)

// marginNow works out the margin with the newest reading age seconds old.
func (d *Detector) marginNow(now, age float64) margin {
	m := margin{
		restUp: NotKnown(), restUpBound: NotKnown(), restDown: NotKnown(), restDownBound: NotKnown(),
		crownRoom: NotKnown(), floorRoom: NotKnown(), toAct: NotKnown(), safeLowering: NotKnown(),
	}
	if m.blind, m.why = d.blindness(now); m.blind == BlindCrown|BlindFloor {
		return m
	}
	if !Known(d.load.weight) {
		m.degraded = NoHookLoad
	}
	high, low := d.pos.envelope()
	pad := d.pos.heightBound()
	d.marginUp(&m, high, pad, age)
	if m.blind&BlindFloor == 0 {
		d.marginDown(&m, low, pad, age)
	}
	m.toAct = d.secondsToAct(&m)
	return m
}

// blindness says which answers cannot be given, and why.
func (d *Detector) blindness(now float64) (Blind, Cause) {
	both := BlindCrown | BlindFloor
	switch {
	case !d.pos.started:
		return both, NoHeightKnown
	case now-d.pos.heard > lostLeast && now-d.pos.heard > d.patience(ingest.BlockHeight, ingest.DrumCounts):
		return both, HeightTooOld
	case now-d.pos.moved > lostLeast && now-d.pos.moved > d.patience(ingest.DrumSpeed, ingest.DrumCounts, ingest.BlockHeight):
		return both, NoVelocityKnown
	case !Known(d.load.heaviest()):
		return BlindFloor, NoHookLoad
	}
	return 0, NoCause
}

// patience is the longest time for which the newest of these channels counts.
func (d *Detector) patience(cs ...ingest.Channel) float64 {
	longest := lostLeast
	for _, c := range cs {
		if d.ins[c].mapped {
			longest = max(longest, d.ins[c].patience())
		}
	}
	return longest
}

func (d *Detector) marginUp(m *margin, high, pad, age float64) {
	v, a := d.pos.motion.x[ixV], d.pos.motion.x[ixA]
	h := d.pos.motion.x[ixH]
	m.restUp, m.restUpBound = h, high+pad
	if v > 0 {
		c := d.stopCase(hoist.Raising, v, a, age)
		c.HookLoad = units.Newton(d.load.lightest())
		expected, bound, slope := d.rig.Stops(c, d.spread())
		m.restUp = h + float64(expected.Distance)
		m.restUpBound = high + pad + float64(bound.Distance)
		m.slopeUp = slope
		m.cannotStop = m.cannotStop || !bound.CanStop
	}
	m.crownRoom = float64(d.rig.Mast.CrownLimit) - m.restUpBound
}

func (d *Detector) marginDown(m *margin, low, pad, age float64) {
	v, a := d.pos.motion.x[ixV], d.pos.motion.x[ixA]
	h := d.pos.motion.x[ixH]
	floor := float64(d.rig.Mast.FloorLimit)
	m.restDown, m.restDownBound = h, low-pad
	weight := units.Newton(d.load.heaviest())
	if v < 0 {
		c := d.stopCase(hoist.Lowering, -v, -a, age)
		c.HookLoad = weight
		expected, bound, slope := d.rig.Stops(c, d.spread())
		m.restDown = h - float64(expected.Distance)
		m.restDownBound = low - pad - float64(bound.Distance)
		m.slopeDown = slope
		m.cannotStop = m.cannotStop || !bound.CanStop
	}
	m.floorRoom = m.restDownBound - floor
	if room := low - pad - floor; room > 0 {
		m.safeLowering = float64(d.rig.SafeLowering(weight, units.Metre(d.pos.radius()),
			units.FromCelsius(d.heat.bound()), d.friction.health(), units.Metre(room)))
	} else {
		m.safeLowering = 0
	}
}

func (d *Detector) stopCase(dir hoist.Direction, speed, acceleration, age float64) hoist.StopCase {
	return hoist.StopCase{
		Direction:        dir,
		Speed:            units.MetrePerSecond(speed),
		Acceleration:     units.MetrePerSecond2(min(acceleration, fastestGain)),
		Radius:           units.Metre(d.pos.radius()),
		BrakeTemperature: units.FromCelsius(d.heat.expected()),
		FrictionFactor:   d.friction.health(),
		PressureFraction: 1,
		Age:              units.Second(age),
	}
}

func (d *Detector) spread() hoist.Spread {
	friction := 0.0
	if d.friction.applications > 0 {
		friction = d.friction.sd()
	}
	return hoist.Spread{
		Speed:        units.MetrePerSecond(max(speedNoise, d.pos.motion.sd(ixV))),
		Acceleration: units.MetrePerSecond2(max(accelerationNoise, d.pos.motion.sd(ixA))),
		Temperature:  units.Kelvin((d.heat.bound() - d.heat.expected()) / hoist.Z99),
		Friction:     friction,
	}
}

// sureBand is how many standard deviations of the acceleration are left out of it in
// the time to act: a block that wavers about a steady speed is not speeding up.
const sureBand = 1.5

// sureAcceleration is the acceleration as far as it is beyond its own noise, m/s².
func (d *Detector) sureAcceleration() float64 {
	a, band := d.pos.motion.x[ixA], sureBand*d.pos.motion.sd(ixA)
	switch {
	case a > band:
		return a - band
	case a < -band:
		return a + band
	}
	return 0
}

// secondsToAct is the time until the bound, growing with the block's travel,
// touches the limit ahead.
func (d *Detector) secondsToAct(m *margin) float64 {
	v, a := d.pos.motion.x[ixV], d.sureAcceleration()
	switch {
	case v > stillSpeed:
		return hoist.SecondsToAct(units.Metre(m.crownRoom), units.MetrePerSecond(v), units.MetrePerSecond2(a), m.slopeUp)
	case v < -stillSpeed && Known(m.floorRoom):
		return hoist.SecondsToAct(units.Metre(m.floorRoom), units.MetrePerSecond(-v), units.MetrePerSecond2(-a), m.slopeDown)
	case v < -stillSpeed:
		return NotKnown()
	}
	return math.Inf(1)
}
