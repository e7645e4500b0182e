package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// SetReference takes a new known point of the drum-wrap map: the block stands at
// ref.BlockHeight now. The map is usable at once where counts come, else with the
// first. The error says why no map can be made of it; then nothing has changed.
func (d *Detector) SetReference(ref hoist.Reference) error {
	rig := *d.rig
	rig.Reference = ref
	m, err := hoist.NewMap(&rig)
	if err != nil {
		return err
	}
	d.rig = &rig
	p := &d.pos
	p.rig, p.wrapMap = &rig, m
	p.void(NoCause)
	enc := rig.Drawworks.Encoder
	switch {
	case enc.CountsPerRevolution <= 0:
	case p.counting && ref.HasCounts:
		p.wraps = ref.Wraps + enc.Difference(ref.Counts, p.counts)/enc.CountsPerRevolution
		p.tied = true
	default:
		p.mapCause = CountsNotTied
	}
	if p.started {
		p.motion.start(float64(ref.BlockHeight), float64(rig.Uncertainty.Height))
	}
	return nil
}

// VoidMap says that the drum-wrap map holds no longer, for the cause given.
func (d *Detector) VoidMap(c Cause) { d.pos.void(c) }

// Counts returns the newest reading of the drum's counter, NaN where none came.
func (d *Detector) Counts() Number {
	if !d.pos.counting {
		return NotKnown()
	}
	return d.pos.counts
}

// WrapsAt returns the wraps on the drum at a block height and a hook load, N, by the
// geometry of the reference in force; NaN where there is none. After a slip or a cut
// it means nothing.
func (d *Detector) WrapsAt(height, load float64) Number {
	if d.pos.mapCause == MapNeverSet {
		return NotKnown()
	}
	return d.pos.wrapMap.Wraps(units.Metre(height), units.Newton(load))
}

// RunOn returns how far the empty block runs on after a trip at a height while it
// rises at a speed, and the length that 99 % of stops stay below, m: what a proof test
// of the crown saver is compared with. NaN where it cannot be worked out.
func (d *Detector) RunOn(height, speed float64) (expected, bound Number) {
	radius := d.pos.radius()
	if w := d.WrapsAt(height, float64(d.rig.Reference.HookLoad)); Known(w) {
		radius = float64(d.pos.wrapMap.Radius(w))
	}
	c := d.stopCase(hoist.Raising, speed, 0, 0)
	c.HookLoad = units.Newton(float64(d.rig.TravellingMass) * gravity)
	c.Radius = units.Metre(radius)
	best := d.rig.Stop(c)
	worst, _ := d.rig.StopBound(c, d.spread())
	if !best.CanStop || !worst.CanStop || math.IsInf(float64(worst.Distance), 0) {
		return NotKnown(), NotKnown()
	}
	return float64(best.Distance), float64(worst.Distance)
}

// LoadNow returns the newest hook load, N; where none is known that of the reference.
func (d *Detector) LoadNow() Number {
	if hook := &d.ins[ingest.HookLoad]; hook.seen {
		return hook.v
	}
	return float64(d.rig.Reference.HookLoad)
}
