package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// Too little finds a brake pressure that is far below what the brake evidently does:
//
//	at rest    f_s F r  >  restPart · T(p, k_most)     for hangTime, the hook carrying at
//	           least the block, the drive out, the spring calipers released
//	in motion  T_retarding − T_aux,most  >  motionPart · T(p, k_most)   for motionTime
//
//	F          hook load                                             N
//	f_s r      fast-line share and working radius: the load's torque at the drum
//	T(p, k)    service brake at the pressure shown and a health      N·m
//	k_most     the best that a lining grips, highFriction            –
//	T_aux,most auxiliary brake at full excitation by its curve       N·m
//
// A load that hangs still is held by something. Where it can only be the service brake,
// and the pressure shown could not hold a half of it, the pressure is wrong: frozen at
// its value before, or in another unit. In motion a lining cannot give three times its
// best either. The other way round, a pressure that gives less than it should, is a
// fading brake and never an excuse (see [friction]).
//
// undecided, the sums kept: hook load or pressure not known; drive engaged or not said
// to be out while the block hangs; spring calipers on, or their pressure not known on a
// rig that has them; the crown saver tripped.
//
// What is found is doubted until the pressure has held the load for hangTime as it
// should.
//
// Source: statics of the drum (PHYSICS sections 3 and 4); marks chosen here.
type tooLittle struct {
	restFor   float64 // s
	motionFor float64 // s
	fineFor   float64 // s that it holds the load as it should
}

const (
	restPart   = 2.0 // the load's torque over the most that the pressure gives
	hangTime   = 1.5 // s: over the bounce of the block on its line
	motionPart = 3.0
	motionTime = 1.5 // s
	restSpeed  = 0.02
	// retardsLeast of the load's torque must be seen retarding for the balance to tell.
	retardsLeast = 0.5
)

// judgePressure holds the brake pressure against the load that hangs or is braked.
func (d *Detector) judgePressure(now, dt float64) {
	l, i := &d.little, &d.ins[ingest.BrakePressure]
	if !i.heard(now) || !d.ins[ingest.HookLoad].live(now) || !d.brakeAlone(now) || dt > crossGap {
		return
	}
	full := float64(d.rig.Service.FullPressure)
	if !(full > 0) || !Known(d.load.force) {
		return
	}
	grip := d.serviceTorque(max(0, i.v/full), highFriction, hoist.Lowering)
	v := d.pos.motion.x[ixV]
	switch {
	case math.Abs(v) < restSpeed && math.Abs(d.cross.slow[byCounts]) < restSpeed:
		d.atRest(l, i, grip, dt)
	case v < -frozenSpeed:
		l.restFor = 0
		d.inMotion(l, i, grip, dt)
	default:
		l.restFor, l.motionFor = 0, 0
	}
}

func (d *Detector) atRest(l *tooLittle, i *instrument, grip, dt float64) {
	l.motionFor = 0
	block := float64(d.rig.TravellingMass) * gravity
	hangs := d.loadTorque()
	switch {
	case d.load.force < blockLow*block: // set down: nothing to hold
		l.restFor, l.fineFor = 0, 0
	case hangs > restPart*grip:
		l.fineFor = 0
		if l.restFor += dt; l.restFor >= hangTime {
			d.doubtPressure(i)
		}
	default:
		l.restFor = 0
		if l.fineFor += dt; l.fineFor >= hangTime && i.doubt != NoCause && i.doubt != TradedPlaces && i.before == 0 {
			i.doubt, i.factor = NoCause, 0
		}
	}
}

func (d *Detector) inMotion(l *tooLittle, i *instrument, grip, dt float64) {
	v, a, r := -d.pos.motion.x[ixV], d.pos.motion.x[ixA], d.pos.radius()
	n := float64(d.rig.Reeving.Lines)
	hangs := d.loadTorque()
	seen := hangs + float64(d.rig.Drawworks.Drum.Inertia)*n/r*a
	most := 0.0
	if d.rig.Auxiliary.Kind != hoist.NoAuxiliary {
		most, _ = d.auxiliaryCurve(v*n/r, math.Inf(1)) // at full excitation
	}
	left := seen - most
	if left > retardsLeast*hangs && left > motionPart*grip {
		if l.motionFor += dt; l.motionFor >= motionTime {
			d.doubtPressure(i)
		}
		return
	}
	l.motionFor = 0
}

// doubtPressure sets the pressure aside.
func (d *Detector) doubtPressure(i *instrument) {
	if i.doubt == NoCause {
		i.doubt, i.factor = HoldsWithTooLittle, 0
	}
}

// brakeAlone tells whether nothing but the service brake, and the auxiliary brake in
// motion, can be holding the drum back.
func (d *Detector) brakeAlone(now float64) bool {
	drive, saver := &d.ins[ingest.DriveEngaged], &d.ins[ingest.CrownSaver]
	if !drive.live(now) || drive.v != 0 || saver.live(now) && saver.v != 0 {
		return false
	}
	e := &d.ins[ingest.EmergencyPressure]
	return d.rig.Emergency.Calipers == 0 || e.live(now) && e.v >= releasedPart*float64(d.rig.Emergency.ReleasePressure)
}
