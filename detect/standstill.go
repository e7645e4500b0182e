package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// standstill is what a load at rest on the friction brake shows of the lining.
//
//	held    the drum has stood for restTime on a steady pressure: friction is at least
//	        what carries the load there (hoist.Rig.Held), no more is known
//	creep   the drum turns slowly and steadily on a steady pressure that is meant to hold
//	        (followCreep): then friction is just that
//
// A load that the slips, the hole or the auxiliary brake carries too would be one that
// the brake does not hold; an auxiliary brake other than a motor gives nothing at rest, and
// a hook load is what hangs on the line, not the string's weight.
//
// Source: static balance of drum and load, PHYSICS section 20.
type standstill struct {
	since    float64 // event time since which the drum stands; NaN = it does not
	pressure float64 // then, of full
	told     bool
}

const (
	restTime   = 2.0  // s
	restSteady = 0.05 // of full
	restLeast  = 0.15 // of full: below, a gauge's zero says too much
)

func (d *Detector) followStandstill(t, now, dt float64) {
	r := &d.rest
	p := d.pressureFraction(now)
	ok := d.load.loaded && !d.load.doubt && Known(d.load.force) && p > restLeast && d.calipersClear(now) && d.driveOut(now) &&
		d.rig.Auxiliary.Kind != hoist.MotorBraking
	if ok && d.creepFor >= creepTime && !r.told {
		if k := d.holds(p); k > 0 {
			d.friction.low.Take(min(k, hoist.MostFactor), heldSpread)
			r.told = true
		}
	}
	if !ok || d.moves(now) || math.Abs(p-r.pressure) > restSteady {
		r.since, r.pressure = t, p
		if !ok || d.creepFor == 0 {
			r.told = false
		}
		return
	}
	if t-r.since >= restTime && !r.told {
		d.friction.hold(d.holds(p))
		r.told = true
	}
}

// holds is the friction factor that carries the present load at a pressure.
func (d *Detector) holds(p float64) float64 {
	pressure := units.Pascal(p-d.gauge.zero) * d.rig.Service.FullPressure
	return d.rig.Held(units.Newton(d.load.force), units.Metre(d.pos.radius()), pressure, units.FromCelsius(d.heat.expected()))
}
