package simulator

import (
	"math"
	"math/rand/v2"

	"hoistward/detect/hoist"
)

type driveParams struct {
	power      float64 // W at the drum
	maxTorque  float64 // N·m at the drum
	maxSpeed   float64 // rad/s, torque is cut above
	release    float64 // s, from let-go to no torque, as a mean
	lag        float64 // s, of torque behind its command
	gain, iran float64 // speed loop, 1/s and 1/s
}

func drawDrive(rig *hoist.Rig, radius, spread float64, r *rand.Rand) driveParams {
	d := rig.Drawworks
	power := 0.92 * float64(d.RatedPower)
	load := float64(d.RatedLoad)
	lines := float64(rig.Reeving.Lines)
	torque := 1.6 * load * radius / lines
	if load == 0 {
		torque = power / (0.3 * lines / radius) // full power from 0.3 m/s of block speed up
	}
	return driveParams{
		power:     power,
		maxTorque: math.Min(torque, 0.5*float64(rig.Line.BreakingStrength)*radius),
		maxSpeed:  3.0 * lines / radius,
		release:   around(r, float64(d.DriveRelease), or(float64(rig.Uncertainty.Release), 0.08), spread, 0.02),
		lag:       0.08,
		gain:      2.5,
		iran:      1.2,
	}
}

// drive is a one-way drive behind a clutch: it pulls or idles, it does not
// brake. Let go, it keeps its torque until the clutch has emptied.
type drive struct {
	engaged  bool    // clutch carries torque
	letGo    float64 // s since the clutch was told to open; negative: not told
	held     float64 // torque at let-go, N·m
	integral float64 // N·m
	torque   float64 // N·m at the drum

	extraRelease float64 // s that the clutch goes on driving after it was told to open, fault
	lastRef      float64 // rad/s asked for before let-go
	late         float64 // s that it has
	stuck        bool    // fault: the clutch does not open while set
	limit        float64 // fault: share of torque left, 1 = sound
}

func (d *drive) limitAt(p *driveParams, w float64) float64 {
	t := min(p.maxTorque, p.power/max(w, 1e-3)) * d.limit
	if w > p.maxSpeed {
		return 0
	}
	return t
}

// step moves the drive on by dt: want tells whether the driller holds the clutch
// in, ref is the drum speed asked for, w the drum speed, inertia about what the
// drive must turn, hold the torque that the load asks at rest.
func (d *drive) step(p *driveParams, dt float64, want bool, ref, w, inertia, hold float64) {
	switch {
	case want && (!d.engaged || d.letGo >= 0):
		d.engaged, d.letGo = true, -1
		d.integral = 0.9 * hold
	case !want && d.engaged && d.letGo < 0 && !d.stuck:
		d.letGo, d.held = 0, d.torque
	}
	if !d.engaged {
		d.torque = 0
		return
	}
	if d.letGo >= 0 && d.late < d.extraRelease {
		d.late += dt // the clutch drags on: the drive still holds its speed
		d.speedLoop(p, dt, d.lastRef, w, inertia)
		d.held = d.torque
		return
	}
	if d.letGo >= 0 {
		d.letGo += dt
		rel := p.release
		d.torque = d.held * max(0, min(1, (1.3*rel-d.letGo)/(0.6*rel+1e-9)))
		if d.letGo >= 1.3*rel {
			d.engaged, d.letGo, d.torque = false, -1, 0
		}
		return
	}
	d.lastRef, d.late = ref, 0
	d.speedLoop(p, dt, ref, w, inertia)
}

// speedLoop sets the torque that a drive on speed control gives.
func (d *drive) speedLoop(p *driveParams, dt, ref, w, inertia float64) {
	limit := d.limitAt(p, w)
	err := ref - w
	command := inertia*p.gain*err + d.integral
	if (command < limit || err < 0) && (command > 0 || err > 0) {
		d.integral += inertia * p.gain * p.iran * err * dt
	}
	command = max(0, min(limit, command))
	d.torque += (command - d.torque) * min(1, dt/p.lag)
}
