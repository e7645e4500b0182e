package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// heading finds a brake that goes on to amber at the pace of the last stands (PHYSICS
// section 19).
//
//	Q = ∫ T_friction ω dt over a stand, t_s its time, ω̄ its mean drum speed, each over
//	the last paceStands stands; then hoist.TwoNode.Forecast
//
//	T_friction  of the friction brake, by the drum balance   N·m
//	ω           drum speed                                   rad/s
//
// A stand runs from one set-down of the string in the slips to the next. It is reckoned
// anew with each stand, from the expected temperature: the bound has its own alarm.
//
// Evidence: hook load and drum speed or counts; brake pressure sharpens it.
type heading struct {
	was     bool // a string hung there
	begun   bool // the present stand was seen from its start
	present stand
	last    [paceStands]stand
	n       int
	toAmber float64 // stands; NaN = not known
	toRed   float64
	settles float64 // °C
}

// stand is what one stand brought.
type stand struct{ heat, time, turned float64 } // J, s, rad

const (
	paceStands = 3
	// headingAt is how many stands ahead it is told, headingClear where it clears: at the
	// usual 3 to 5 minutes a stand some 20 minutes, time to change the pace.
	headingAt    = 5.0
	headingClear = 7.0
	// standLeast and standMost bound what counts as the pace of work: a shorter lift is
	// no stand, and after a longer pause another pace begins.
	standLeast = 20.0   // s
	standMost  = 3600.0 // s
)

func newHeading() heading {
	return heading{toAmber: math.NaN(), toRed: math.NaN(), settles: math.NaN()}
}

// followHeading takes one frame.
func (d *Detector) followHeading(dt float64) {
	h, b := &d.heading, &d.balance
	if !Known(d.load.weight) {
		h.begun, h.present = false, stand{}
		return
	}
	h.present.time += dt
	if Known(b.friction) {
		h.present.heat += b.heating * b.omega * dt
		h.present.turned += b.omega * dt
	}
	if h.was && !d.load.loaded { // set down
		h.end(&d.heat.brake, d.rig)
	}
	h.was = d.load.loaded
}

// end takes the present stand into the pace.
func (h *heading) end(brake *hoist.TwoNode, rig *hoist.Rig) {
	s := h.present
	whole := h.begun
	if whole && s.time < standLeast {
		return
	}
	h.begun, h.present = true, stand{}
	if s.time > standMost {
		*h = newHeading()
		h.begun = true
		return
	}
	if !whole {
		return
	}
	h.last[h.n%paceStands] = s
	h.n++
	n := min(h.n, paceStands)
	var sum stand
	for _, x := range h.last[:n] {
		sum.heat, sum.time, sum.turned = sum.heat+x.heat, sum.time+x.time, sum.turned+x.turned
	}
	f := brake.Forecast(hoist.Pace{
		HeatPerStand: units.Joule(sum.heat / float64(n)),
		TimePerStand: units.Second(sum.time / float64(n)),
		DrumSpeed:    units.RadianPerSecond(sum.turned / sum.time),
	}, rig.Heat.Amber, rig.Heat.Red)
	h.toAmber, h.toRed, h.settles = f.StandsToAmber, f.StandsToRed, f.Settles.Celsius()
}

// judge finds amber within the next stands. A brake that is past amber already has the
// alarm for that.
func (h *heading) judge(was Condition) Finding {
	if h.n < 2 || !Known(h.toAmber) {
		return undecided()
	}
	mark := headingAt
	if was == Present {
		mark = headingClear
	}
	if h.toAmber <= mark {
		return present(Low, AmberAtThisPace, h.toAmber, headingAt, "stands")
	}
	return absent(h.toAmber, headingAt, "stands")
}
