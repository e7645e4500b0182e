package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// Detectors of brakes that are set, or should hold.

const (
	// releasedPart of the release pressure is what keeps spring-set calipers clear; below
	// it they begin to touch (common practice: full release well below supply).
	releasedPart = 0.7
	// creepHold is the capacity at the present pressure, a lining as it is known to be,
	// over what the load needs, from which the block is meant to hold.
	creepHold  = 1.2
	creepLeast = 0.01 // m/s, beyond the filter's own wandering at rest
	creepMost  = 0.50 // m/s; faster is lowering
	creepGain  = 0.10 // m/s²: still slowing is no creep
	creepTime  = 1.0  // s
	heldTime   = 3.0  // s
	setTime    = 0.5  // s: over a gauge's noise of 1 to 2 % of full
	heldPart   = 0.85 // of the pressure that held: less is a driller letting off
)

// judgeEmergencySet finds release pressure lost: the spring calipers are on.
//
//	evidence    release pressure below releasedPart of the rig's
//	urgency     emergency while the drum turns, for then they drag or stop it
//	undecided   no such calipers, or no release pressure
func (d *Detector) judgeEmergencySet(now float64) Finding {
	e, i := &d.rig.Emergency, &d.ins[ingest.EmergencyPressure]
	if e.Calipers == 0 || !i.live(now) {
		return undecided()
	}
	limit := releasedPart * float64(e.ReleasePressure)
	if i.v >= limit {
		return absent(i.v/1e6, limit/1e6, "MPa")
	}
	u := High
	if d.moving(now) {
		u = Emergency
	}
	return present(u, ReleasePressureLost, i.v/1e6, limit/1e6, "MPa")
}

// judgeCrownSaver tells of a crown saver that says it has tripped.
func (d *Detector) judgeCrownSaver(now float64) Finding {
	i := &d.ins[ingest.CrownSaver]
	switch {
	case !i.live(now):
		return undecided()
	case i.v != 0:
		return present(High, CrownSaverSays, NotKnown(), NotKnown(), "")
	}
	return absent(NotKnown(), NotKnown(), "")
}

// followCreep adds up how long the drum has turned, load down and no slower, with the
// brake meant to hold. It is meant to hold where it is pressed hard enough,
//
//	T(p, k) > creepHold · f_d F r
//
// or where it held the load for heldTime at such a pressure and has not been let off
// since: the pressure is still heldPart of what held. A pressure at which the load only
// just stood is not meant to hold: a driller who eases it by what no gauge shows lets the
// block down. In both the block goes creepLeast < −v < creepMost and does not slow by
// creepGain. The pressure is filtered, for the gauge's noise.
//
//	T        torque of the service brake at that pressure and health k     N·m
//	f_d F r  the load's torque at the drum                                 N·m
//
// A lining that holds stops the block; one that lets it go on at such a pressure grips
// less than it is known to. A lining known to be faded is told as such, not as creep.
func (d *Detector) followCreep(now, dt float64) {
	v, a := -d.pos.motion.x[ixV], d.pos.motion.x[ixA]
	p := d.pressureFraction(now)
	if !d.load.loaded || !Known(p) || !Known(d.load.force) || p < pressed {
		d.creepFor, d.heldFor, d.setAt = 0, 0, orZero(p)
		return
	}
	d.setAt += (1 - math.Exp(-dt/setTime)) * (p - d.setAt)
	set := min(p, d.setAt) // what is let off counts at once
	hard := d.serviceTorque(set, d.friction.health(), hoist.Lowering) > creepHold*d.loadTorque()
	if !d.moves(now) {
		d.creepFor = 0
		if d.heldFor += dt; !hard {
			d.heldFor = 0
		}
		d.heldAt += (1 - math.Exp(-dt/heldTime)) * (p - d.heldAt)
		return
	}
	held := d.heldFor >= heldTime && set > heldPart*d.heldAt
	switch {
	case !hard && !held:
		d.creepFor, d.heldFor, d.heldAt = 0, 0, p
	case v > creepLeast && v < creepMost && a < creepGain:
		d.creepFor += dt
	default:
		d.creepFor = 0
	}
}

// moves tells whether the drum itself shows motion, not the filter alone.
func (d *Detector) moves(now float64) bool {
	c := &d.ins[ingest.DrumCounts]
	if c.live(now) && d.pos.tied {
		return math.Abs(d.pos.countSpeed) > creepLeast/2
	}
	s := &d.ins[ingest.DrumSpeed]
	return s.live(now) && math.Abs(s.v)*d.pos.perRadian() > creepLeast
}

func (d *Detector) judgeCreep(now float64) Finding {
	v := math.Abs(d.pos.motion.x[ixV])
	switch {
	case !d.ins[ingest.BrakePressure].live(now) || !Known(d.load.force):
		return undecided()
	case d.creepFor >= creepTime:
		return present(Emergency, TurnsWhileSet, v, creepLeast, "m/s")
	}
	return absent(v, creepLeast, "m/s")
}
