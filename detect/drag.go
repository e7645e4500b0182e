package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// drag finds a brake that rubs while it is released: service linings that do not back
// off, or spring-set calipers that do not clear.
//
//	T_drag = T_drive − J n/r a − f_u F r        going up, the drive's torque measured
//
//	T_drive      of the drive at the drum                    N·m
//	J n/r a      what speeds up the drum                     N·m
//	f_u F r      the load's torque at the drum, raising      N·m
//
// averaged over the frames of one lift in which the block moves steadily. Beside a heavy
// load it cannot be told from the error of the hook load, so it shows in light lifts.
//
//	θ_sensor − θ_model                          the brake released and turning
//
// is how much more the brake warmed, by its sensor, than the model says it could: with
// nothing pressed it only cools.
//
//	found     mean T_drag above dragPart of full torque and dragSpread times what the
//	          load's torque is uncertain by; or warming beyond warmedBy within warmTime
//	undecided neither the drive's torque nor a brake temperature is measured, or nothing
//	          has been lifted yet that shows it
//
// Evidence: brake pressure, drive torque, hook load, speed; or brake temperature.
type drag struct {
	sum, load, time float64 // N·m·s, N·m·s, s of the present lift
	torque          float64 // of the newest lift judged, N·m
	limit           float64
	byTorque        Condition

	released float64 // s that the brake has been off
	turned   float64 // s of them with the drum turning
	from     float64 // K, the sensor, filtered
	low      float64 // K, least of it since
	warmed   float64 // K
	byHeat   Condition
}

const (
	dragPart   = 0.02 // of full brake torque
	dragSpread = 3.0
	// loadSpread is what f_u F r is uncertain by beside the hook load: sheaves, radius.
	loadSpread  = 0.02
	dragGain    = 0.08 // m/s²
	liftLeast   = 3.0  // s of steady motion
	warmedBy    = 3.0  // K
	warmSettles = 15.0 // s: ring and body even out and the sensor follows
	warmFilter  = 5.0  // s
	warmTurning = 10.0 // s
)

func newDrag() drag { return drag{torque: math.NaN(), limit: math.NaN(), warmed: math.NaN()} }

// followDrag takes one frame.
func (d *Detector) followDrag(now, dt float64) {
	d.dragByTorque(now, dt)
	d.dragByHeat(now, dt)
}

func (d *Detector) dragByTorque(now, dt float64) {
	g, t := &d.drag, &d.ins[ingest.DriveTorque]
	v, a := d.pos.motion.x[ixV], d.pos.motion.x[ixA]
	if !d.moving(now) || v < stillSpeed || !t.live(now) || !Known(d.load.force) {
		g.sum, g.load, g.time = 0, 0, 0
		return
	}
	if p := d.pressureFraction(now); !(p < pressed) || math.Abs(a) > dragGain || d.balance.omega < turning {
		return
	}
	n, r := float64(d.rig.Reeving.Lines), d.pos.radius()
	load := d.rig.Reeving.FastLineFactor(hoist.Raising) * d.load.force * r
	g.sum += dt * (t.v - load - float64(d.rig.Drawworks.Drum.Inertia)*n/r*a)
	g.load += dt * load
	if g.time += dt; g.time < liftLeast {
		return
	}
	g.torque = g.sum / g.time
	u := math.Hypot(loadSpread, float64(d.rig.Uncertainty.HookLoad)) * g.load / g.time
	g.limit = max(dragPart*d.serviceTorque(1, 1, hoist.Lowering), dragSpread*u)
	switch {
	case g.torque > g.limit:
		g.byTorque = Present
	case g.torque < 0.7*g.limit && (g.byTorque != Present || dragSpread*u <= g.limit):
		g.byTorque = Absent
	}
}

func (d *Detector) dragByHeat(now, dt float64) {
	g, s := &d.drag, &d.ins[ingest.BrakeTemperature]
	p := d.pressureFraction(now)
	if d.rig.Service.Kind == hoist.BandBrake {
		return // a band that is touched lightly heats below what its gauge resolves
	}
	if !s.live(now) || !(p < pressed) {
		if g.released > warmSettles && g.turned > warmTurning && g.byHeat == Undecided {
			g.byHeat = Absent
		}
		g.released, g.turned = 0, 0
		return
	}
	g.released += dt
	if g.released < warmSettles {
		g.from, g.low = s.v, s.v
		return
	}
	if d.balance.omega > turning {
		g.turned += dt
	}
	g.from += (1 - math.Exp(-dt/warmFilter)) * (s.v - g.from)
	g.low = min(g.low, g.from)
	g.warmed = g.from - g.low
	switch {
	case g.turned > warmTurning && g.warmed > warmedBy:
		g.byHeat = Present
	case g.turned > 3*warmTurning && g.warmed < warmedBy/2:
		g.byHeat = Absent
	}
}

func (d *Detector) judgeDrag() Finding {
	g := &d.drag
	switch {
	case g.byTorque == Present:
		return present(Medium, RubsReleased, g.torque/1e3, g.limit/1e3, "kN.m")
	case g.byHeat == Present:
		return present(Medium, WarmsReleased, g.warmed, warmedBy, "K")
	case g.byTorque == Absent:
		return absent(g.torque/1e3, g.limit/1e3, "kN.m")
	case g.byHeat == Absent:
		return absent(g.warmed, warmedBy, "K")
	}
	return undecided()
}
