package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// coolant finds coolant of the auxiliary brake that is too hot, and coolant that does
// not flow, where its temperature is measured. Flow itself is not: it shows in how fast
// the coolant cools once the brake makes no heat,
//
//	θ(t) = θ₀ e^{−t/τ},  τ = C/(ṁ c_w)
//
//	θ   coolant over the coldest that it was seen      K
//	C   heat capacity of rotor and water               J/K
//	ṁ c_w  heat capacity flow of the coolant           W/K
//
// A deep-rig brake of 560 L/min (39 kW/K; PHYSICS section 5) has a τ of well under a
// minute; idleWindow on, nearly half of θ is gone even at a quarter of that flow.
// Without flow next to nothing is.
//
//	hot       above its limit
//	flow low  in idleWindow of no braking, θ from warmCoolant up falls by less than
//	          coolsLeast of itself; it flows again where it falls by coolsAgain
//	undecided no sensor, or, for the flow, no such window seen yet
//
// It holds where the coolant is measured at the brake: a sensor past a closed valve
// cools with the pipe.
//
// Evidence: coolant temperature; drum speed for when the brake makes heat.
type coolant struct {
	coldest float64 // K; NaN = none seen
	idle    float64 // s without braking
	from    float64 // K, at the start of the window
	flow    Condition
	fell    float64 // of θ, in the newest window
}

const (
	// Outlet water of water brakes is kept below 50 to 70 °C, that of a deep-rig eddy
	// brake was published at 78 °C (PHYSICS sections 5 and 6).
	hotWater   = 273.15 + 70
	hotEddy    = 273.15 + 80
	coolerBand = 2.0 // K, deadband
	idleWindow = 30.0
	// idleDelay lets the sensor catch up and the rotor give its heat to the water, s.
	idleDelay   = 10.0
	warmCoolant = 15.0 // K
	coolsLeast  = 0.10
	coolsAgain  = 0.25
)

func newCoolant() coolant { return coolant{coldest: math.NaN(), fell: math.NaN()} }

// followCoolant takes one frame.
func (d *Detector) followCoolant(now, dt float64) {
	c, i := &d.coolant, &d.ins[ingest.CoolantTemperature]
	if !i.live(now) {
		c.idle = 0
		return
	}
	if !(c.coldest < i.v) {
		c.coldest = i.v
	}
	if b := &d.balance; b.omega > turning && d.pos.motion.x[ixV] < 0 || !Known(b.omega) {
		c.idle = 0
		return
	}
	if c.idle < idleDelay {
		c.from = i.v
	}
	if c.idle += dt; c.idle < idleDelay+idleWindow {
		return
	}
	theta := c.from - c.coldest
	c.idle = idleDelay
	if theta < warmCoolant {
		c.from = i.v
		return
	}
	c.fell = (c.from - i.v) / theta
	c.from = i.v
	switch {
	case c.fell < coolsLeast:
		c.flow = Present
	case c.fell > coolsAgain:
		c.flow = Absent
	}
}

func (d *Detector) judgeCoolantHot(now float64, was Condition) Finding {
	i := &d.ins[ingest.CoolantTemperature]
	if !i.live(now) || d.rig.Auxiliary.Kind == hoist.NoAuxiliary {
		return undecided()
	}
	limit := hotEddy
	if d.rig.Auxiliary.Kind == hoist.Hydrodynamic {
		limit = hotWater
	}
	mark := limit
	if was == Present {
		mark -= coolerBand
	}
	if i.v > mark {
		return present(Medium, CoolantAboveLimit, i.v-273.15, limit-273.15, "°C")
	}
	return absent(i.v-273.15, limit-273.15, "°C")
}

func (d *Detector) judgeCoolantFlow(now float64) Finding {
	c := &d.coolant
	switch {
	case !d.ins[ingest.CoolantTemperature].live(now) || c.flow == Undecided:
		return undecided()
	case c.flow == Present:
		return present(Medium, CoolantKeepsHeat, 100*c.fell, 100*coolsLeast, "%")
	}
	return absent(100*c.fell, 100*coolsLeast, "%")
}
