package simulator

import (
	"math"

	"hoistward/detect/hoist"
)

// watcher answers, from the truth, where the block would stop at the worst of
// what the rig file allows: friction, dead time, release 2.33 standard deviations
// to the bad side, retarding torque lost going down. It is the tests' own, plainer
// than the plant.
type watcher struct {
	rig  *hoist.Rig
	drum winding
}

func (w *watcher) stop(x *Truth, a float64) float64 {
	r := w.drum.radiusAt(x.Wraps)
	n := float64(w.rig.Reeving.Lines)
	k := w.rig.Reeving.SheaveFactor
	kn := math.Pow(k, n)
	s, u := w.rig.Service, w.rig.Uncertainty
	mu := (s.Friction - 2.33*u.Friction) * curveAt(s.Fade, x.Ring)
	full := 2 * mu * float64(s.FullPressure) * float64(s.PistonArea) * float64(s.Calipers) * float64(s.EffectiveRadius)
	dead, rise := float64(s.DeadTime)+2.33*float64(u.DeadTime), float64(s.RiseTime)*1.2
	release := float64(w.rig.Drawworks.DriveRelease) + 2.33*float64(u.Release)
	m, g := x.HookLoad/gravity, gravity
	v, pos := math.Abs(x.Velocity), 0.0
	up := x.Velocity > 0
	share := (k - 1) * kn / (kn - 1)
	if !up {
		share = (k - 1) / (k * (kn - 1))
	}
	mass := 1.02*float64(w.rig.Drawworks.Drum.Inertia)*n/r + share*m*r
	weight := share * m * g * r
	drive := math.Max(0, mass*a+weight)
	const dt = 0.002
	for t := 0.0; v > 0; t += dt {
		brake := full * math.Max(0, math.Min(1, (t-dead)/rise))
		dec := (brake + weight) / mass
		if up && t < release {
			dec -= drive / mass
		}
		if !up {
			dec = (brake - weight) / mass
		}
		dec = math.Min(dec, g)
		pos += v * dt
		v -= dec * dt
		if t > 60 {
			return math.Inf(1)
		}
	}
	return pos
}

// room is how much is left to the limit ahead after stop, 1.5 s at this speed
// and 0.3 m; below 0 an alarm that wants 1.5 s to act would sound.
func (w *watcher) room(x *Truth) float64 {
	m := w.rig.Mast
	v := x.Velocity
	if math.Abs(v) < 0.02 {
		return 1
	}
	need := w.stop(x, x.Acceleration) + 1.5*math.Abs(v) + 0.3
	if v > 0 {
		return float64(m.CrownLimit) - x.Height - need
	}
	return x.Height - float64(m.FloorLimit) - need
}
