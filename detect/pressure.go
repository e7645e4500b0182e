package detect

import (
	"math"

	"hoistward/ingest"
)

// pressure finds a service brake whose pressure does not reach what is asked, or sinks.
// The lever is not measured, so what is asked is known in two cases only:
//
//	tripped  the crown saver has tripped: full pressure is asked. It must come to
//	         tripPart of full within dead time, rise and tripMore.
//	sinking  the brake is held and nobody moves it: pressure goes down in a steady slow
//	         way, sinkRate a second or more, no step faster than a hand makes, for
//	         sinkTime and by sinkLeast of full in all.
//
// A hand that eases the lever is faster than sinkFastest, or it stops. A block let down
// by hand, drilling or setting slips, needs pressure near what just holds the load; so
// sinking is judged only at rest, with the pressure well above that or the spring-set
// calipers holding. What sinks unused, with the brake off, cannot be known.
//
// It is told from fade by what it looks at: pressure alone. A faded lining has its
// pressure and little torque; here the pressure itself is missing.
//
//	undecided no brake pressure; what the saver asked and did not get, while the
//	          saver itself is not known
//
// Evidence: brake pressure; crown saver; hook load for what holds.
type pressure struct {
	tripped float64 // s since the crown saver tripped; NaN = it has not
	peak    float64 // of full, where the present sinking began
	newest  float64 // of full, filtered
	sinking float64 // s
	low     bool
	missing bool
}

const (
	tripPart    = 0.80
	tripMore    = 0.7 // s
	sinkRate    = 0.005
	sinkFastest = 0.08 // of full a second
	sinkTime    = 4.0  // s
	sinkLeast   = 0.06
	sinkFilter  = 0.5 // s
	sinkBack    = 0.9 // of where it began: it is back
	firmHold    = 1.3 // times what holds the load
)

func newPressure() pressure { return pressure{tripped: math.NaN()} }

// followPressure takes one frame.
func (d *Detector) followPressure(now, dt float64) {
	x, p := &d.pressure, d.pressureFraction(now)
	if !Known(p) || !(dt > 0) {
		return
	}
	d.afterTrip(p, now, dt)
	before := x.newest
	x.newest += (1 - math.Exp(-dt/sinkFilter)) * (p - x.newest)
	rate := (before - x.newest) / dt
	switch {
	case x.low && x.newest > sinkBack*x.peak, p < pressed:
		x.low, x.sinking, x.peak = false, 0, x.newest
	case x.low:
	case x.newest > x.peak, rate > sinkFastest, !d.mustStay(x.newest, now):
		x.sinking, x.peak = 0, x.newest
	default:
		x.sinking += dt
		fell := x.peak - x.newest
		switch {
		case x.sinking < sinkTime:
		case fell < sinkRate*x.sinking: // it stays
			x.sinking, x.peak = 0, x.newest
		default:
			x.low = fell >= sinkLeast
		}
	}
}

// mustStay tells whether nobody would let the pressure sink now: the brake holds a load
// well, or the spring-set calipers hold it.
func (d *Detector) mustStay(p, now float64) bool {
	if !Known(d.load.force) || !d.load.loaded {
		return false
	}
	holds := d.grip(p) > firmHold*d.loadTorque() || !d.calipersClear(now)
	return math.Abs(d.pos.motion.x[ixV]) < stillSpeed && holds
}

// afterTrip holds the pressure against what the crown saver asks.
func (d *Detector) afterTrip(p, now, dt float64) {
	x, saver := &d.pressure, &d.ins[ingest.CrownSaver]
	switch {
	case !saver.live(now): // what it said last stays
		return
	case saver.v == 0:
		x.tripped, x.missing = math.NaN(), false
		return
	case math.IsNaN(x.tripped):
		x.tripped = 0
	}
	x.tripped += dt
	late := float64(d.rig.Service.DeadTime+d.rig.Service.RiseTime) + tripMore
	x.missing = x.tripped > late && p < tripPart
}

func (d *Detector) judgePressureLow(now float64) Finding {
	x, p := &d.pressure, d.pressureFraction(now)
	full := float64(d.rig.Service.FullPressure) / 1e6
	switch {
	case !Known(p), x.missing && !d.ins[ingest.CrownSaver].live(now):
		return undecided()
	case x.missing:
		return present(High, TripLacksPressure, p*full, tripPart*full, "MPa")
	case x.low:
		return present(High, PressureSinks, p*full, x.peak*full, "MPa")
	}
	return absent(p*full, NotKnown(), "MPa")
}
