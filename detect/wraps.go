package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// The drum-wrap map as one witness of the height: how the count is followed through it,
// what ties the count to it, and what voids it (PHYSICS sections 2 and 16).

// countGap is the longest gap of counts that is bridged without a look at what the
// other witnesses say of it, s.
const countGap = 0.5

// count follows the encoder; a step that no drum can make voids the map.
func (p *position) count(c *instrument, t, load float64) {
	enc := p.rig.Drawworks.Encoder
	if !c.fresh || enc.CountsPerRevolution <= 0 {
		return
	}
	if !p.counting {
		p.counting, p.counts, p.countsAt = true, c.v, t
		if ref := p.rig.Reference; p.mapCause == CountsNotTied && ref.HasCounts {
			p.wraps = ref.Wraps + enc.Difference(ref.Counts, c.v)/enc.CountsPerRevolution
			p.tied, p.mapCause = true, NoCause
		}
		return
	}
	turns := enc.Difference(p.counts, c.v) / enc.CountsPerRevolution
	dt := t - p.countsAt
	p.counts, p.countsAt = c.v, t
	if c.stepped || math.Abs(turns)*2*math.Pi > p.fastestDrum()*max(dt, 0)+0.5 || p.strayed(turns, dt, load) {
		p.void(CountsJumped)
		return
	}
	p.wraps += turns
	if dt > 0 {
		p.countSpeed = turns * 2 * math.Pi / dt * p.perRadian()
	}
	p.slipped(turns, load)
}

// strayed tells whether counts that come after a gap do not go on from where the
// motion, by the other witnesses, has taken the block meanwhile.
func (p *position) strayed(turns, dt, load float64) bool {
	if !p.tied || dt < countGap {
		return false
	}
	h := float64(p.wrapMap.Height(p.wraps+turns, units.Newton(load)))
	return math.Abs(h-p.motion.x[ixH]) > apartLimit+hoist.Z99*p.motion.sd(ixH)
}

func (p *position) fastestDrum() float64 {
	return fastestBlock / p.perRadian()
}

func (p *position) void(c Cause) {
	p.tied, p.mapCause = false, c
	p.disagree, p.apart, p.apartSince = false, 0, math.NaN()
	p.motion.x[ixB], p.motion.p[ixB] = 0, [4]float64{}
	for i := range 4 {
		p.motion.p[i][ixB] = 0
	}
}

// tie lets the first height reading say which wrap the counts stand at, where the
// reference did not.
func (p *position) tie(height, load float64) {
	if p.mapCause != CountsNotTied || !p.counting {
		return
	}
	w := p.wrapMap.Wraps(units.Metre(height), units.Newton(load))
	if math.IsNaN(w) {
		return
	}
	p.wraps, p.tied, p.mapCause = w, true, NoCause
}

// distrust lets go of a witness that was found frozen: a sensor no longer speaks
// against the drum, and counts that stood still while the drum turned have lost it.
func (p *position) distrust(c ingest.Channel) {
	switch {
	case c == ingest.BlockHeight:
		p.disagree, p.apart, p.apartSince = false, 0, math.NaN()
	case c == ingest.DrumCounts && p.tied:
		p.void(CountsJumped)
	}
}

// slipped finds line that is slipped through: the drum turns while the block hangs
// in the mast, off the line. Then wraps no longer mean the same height.
func (p *position) slipped(turns, load float64) {
	if load > hungOff*float64(p.rig.TravellingMass)*gravity {
		p.loose = 0
		return
	}
	if p.loose += math.Abs(turns); p.loose > looseTurns && p.mapCause == NoCause {
		p.void(LineSlipped)
	}
}

// perRadian is the block's travel a radian of the drum, r/n, m.
func (p *position) perRadian() float64 { return p.radius() / float64(p.rig.Reeving.Lines) }

// radius is the working radius of the drum, from the wraps, else from the height,
// else that of the second layer.
func (p *position) radius() float64 {
	if p.tied && !p.stale {
		return p.radiusAt(p.wraps)
	}
	if p.started && p.mapCause != MapNeverSet {
		w := p.wrapMap.Wraps(units.Metre(p.motion.x[ixH]), p.rig.Reference.HookLoad)
		if r := p.radiusAt(w); r > 0 {
			return r
		}
	}
	return p.radiusAt(1.5 * p.rig.Drawworks.Drum.WrapsPerLayer)
}

// changeLayer takes the block's speed from the layer whose radius was before to the one that
// line now comes from: the drum turns on as it did, and the line's speed steps with the
// radius.
//
//	v ← v r/r_before
//
// Left to the filter, the step would look like an acceleration of the drum, and with the
// drum's inertia like a torque that no brake gave.
//
// Source: v = ω r/n (PHYSICS section 2).
func (p *position) changeLayer(before float64) {
	if r := p.radius(); p.tied && p.started && before > 0 && r > 0 {
		p.motion.x[ixV] *= r / before
	}
}

// radiusAt is the radius of the layer of so many wraps; it is asked for many times a
// frame, and the layer of the last answer is kept.
func (p *position) radiusAt(wraps float64) float64 {
	if !(wraps >= p.layerFrom && wraps < p.layerTo) {
		drum := &p.rig.Drawworks.Drum
		k := float64(drum.Layer(wraps))
		if k == 0 {
			return math.NaN()
		}
		p.layerFrom, p.layerTo = (k-1)*drum.WrapsPerLayer, k*drum.WrapsPerLayer
		p.layerRadius = float64(drum.Radius(wraps, p.rig.Line.Diameter))
	}
	return p.layerRadius
}
