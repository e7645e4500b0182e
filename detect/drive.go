package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// drive finds a drive that goes on pulling after it was let go: the drum balance still
// shows its torque, going up.
//
//	T_drive = M a + f_u F r + T_friction(p)
//
//	M a         J n/r a, what speeds up the drum, a up-positive     N·m
//	f_u F r     the load's torque at the drum, raising              N·m
//	T_friction  of the friction brake at its pressure and health    N·m
//
// It was let go when the brake is set (setPart of full pressure, which no driller
// hoists against), when the crown saver has tripped, when the clutch says that it is
// out, or when release pressure of the spring-set calipers is lost. From then on it may
// take the rig's release time, with its uncertainty, and releaseMore for valve, filter
// and pressure to come through; after that there must be none.
//
//	found     T_drive above drivePart of the load's torque, and above driveSpread standard
//	          deviations of what the balance knows, for driveTime
//	          or the clutch, where it tells, has not come out since, the block at rest or not
//	undecided no motion upward, no let-go seen, hook load or pressure not known
//
// Going down it is not judged: a one-way drive that drags then only slows the load.
//
// Evidence: hook load, drum speed, brake pressure; clutch, crown saver and release
// pressure tell when it was let go.
type drive struct {
	letGo    float64 // s since it was let go; NaN = it was not
	turned   float64 // s of hoisting before, the brake off
	in       bool    // the clutch has said since then that it is in
	pulls    float64 // s that its torque has shown
	torque   float64 // N·m; NaN = cannot be seen now
	present  bool
	byClutch bool
}

const (
	setPart     = 0.30
	releaseMore = 0.5 // s
	drivePart   = 0.5
	driveSpread = 3.0
	driveTime   = 0.3 // s
	// A lift is hoistedFor s above hoistedAt m/s: slower, picking up a load, drillers take
	// it on clutch and brake together.
	hoistedFor = 1.0
	hoistedAt  = 0.25
)

func newDrive() drive { return drive{letGo: math.NaN(), torque: math.NaN()} }

// followDriveRelease takes one frame.
func (d *Detector) followDriveRelease(now, dt float64) {
	x := &d.drive
	x.torque = math.NaN()
	clutch := &d.ins[ingest.DriveEngaged]
	v := d.pos.motion.x[ixV]
	up := d.moving(now) && v > stillSpeed && d.moves(now)
	x.in = x.in && clutch.live(now) && clutch.v != 0
	switch {
	case !up && !x.in, !d.toldToLetGo(now):
		turned := x.turned
		*x = newDrive()
		if up && v > hoistedAt && d.pressureFraction(now) < pressed {
			turned += dt
		}
		if up {
			x.turned = turned
		}
		return
	case Known(x.letGo):
		x.letGo += dt
	case x.turned >= hoistedFor:
		x.letGo, x.in = 0, clutch.live(now) && clutch.v != 0
	}
	u := float64(d.rig.Uncertainty.Release)
	if !(x.letGo > float64(d.rig.Drawworks.DriveRelease)+2*u+releaseMore) {
		return
	}
	x.byClutch = x.in
	p := d.pressureFraction(now)
	if !up || !Known(p) || !Known(d.load.force) {
		return
	}
	n, r := float64(d.rig.Reeving.Lines), d.pos.radius()
	load := d.rig.Reeving.FastLineFactor(hoist.Raising) * d.load.force * r
	grip := d.serviceTorque(p, d.friction.health(), hoist.Raising)
	x.torque = float64(d.rig.Drawworks.Drum.Inertia)*n/r*d.pos.motion.x[ixA] + load + grip
	sd := math.Hypot(2*d.balanceNoise(), (gripSpread+d.friction.sd())*grip)
	switch {
	case x.torque > drivePart*load && x.torque > driveSpread*sd:
		x.pulls += dt
		x.present = x.present || x.pulls >= driveTime
	case x.torque < drivePart/2*load:
		x.pulls, x.present = 0, false
	default:
		x.pulls = 0
	}
}

// toldToLetGo tells whether the drive should be out by what is seen.
func (d *Detector) toldToLetGo(now float64) bool {
	saver, clutch := &d.ins[ingest.CrownSaver], &d.ins[ingest.DriveEngaged]
	e := &d.ins[ingest.EmergencyPressure]
	switch {
	case d.pressureFraction(now) > setPart,
		saver.live(now) && saver.v != 0,
		clutch.live(now) && clutch.v == 0:
		return true
	}
	return d.rig.Emergency.Calipers > 0 && e.live(now) && e.v < releasedPart*float64(d.rig.Emergency.ReleasePressure)
}

func (d *Detector) judgeDrive(now float64) Finding {
	x := &d.drive
	limit := drivePart * d.loadTorque() / 1e3
	switch {
	case x.byClutch:
		return present(High, ClutchStaysIn, x.letGo, float64(d.rig.Drawworks.DriveRelease), "s")
	case x.present:
		return present(High, PullsAfterLetGo, x.torque/1e3, limit, "kN.m")
	case !d.ins[ingest.BrakePressure].live(now) || !Known(d.load.force):
		return undecided()
	}
	return absent(x.torque/1e3, limit, "kN.m")
}
