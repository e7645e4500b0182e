package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// heat follows the brake's temperature twice: as expected, and as a bound that
// covers 95 % of brakes, with the most that the friction brake can have done and
// the least cooling. It starts at a stated prior, for a monitor that starts does
// not know what the brake did before; the bound comes down as the brake cools.
type heat struct {
	rig   *hoist.Rig
	mid   hoist.Lumped
	high  hoist.Lumped
	known bool // a temperature sensor or an hour of watching stands behind it
	since float64
}

const (
	// priorHigh is how much hotter than the air a brake may be when watching
	// begins, K: a working brake between stands (common practice). Nothing is known
	// within it, so the estimate begins in its middle.
	priorHigh = 100.0
	// settledAfter is how long watching takes until the prior matters little, s.
	settledAfter = 3600.0
	// sensorSpread is one standard deviation of a brake temperature sensor against
	// the brake's bulk, K, and sensorTime how fast the estimate follows it, s.
	sensorSpread = 8.0
	sensorTime   = 30.0
	// heatSpread is the relative error of the heat put in, one standard deviation.
	heatSpread = 0.10
)

func newHeat(rig *hoist.Rig) heat {
	h := heat{rig: rig}
	h.mid = hoist.NewLumped(rig, rig.Heat.Ambient+priorHigh/2)
	h.high = hoist.NewLumped(rig, rig.Heat.Ambient+priorHigh)
	return h
}

// step puts in dt seconds of braking. A torque that is not known heats the bound
// only by what the balance allows at most; with nothing known both only cool.
func (h *heat) step(b *balance, dt float64, sensor *instrument) {
	if !(dt > 0) {
		return
	}
	omega := units.RadianPerSecond(b.omega)
	if math.IsNaN(b.omega) {
		omega = 0
	}
	h.mid.Step(units.Watt(orZero(b.friction*b.omega)), omega, units.Second(dt))
	h.high.Step(units.Watt(orZero(b.highest*b.omega)*(1+z95*heatSpread)), omega, units.Second(dt))
	h.since += dt
	if sensor.fresh {
		h.observe(sensor.v, dt)
	}
	if h.high.Temperature < h.mid.Temperature {
		h.high.Temperature = h.mid.Temperature
	}
}

func (h *heat) observe(t, dt float64) {
	k := 1 - math.Exp(-dt/sensorTime)
	if !h.known {
		k = 1
	}
	h.known = true
	h.mid.Temperature += units.Kelvin(k) * (units.Kelvin(t) - h.mid.Temperature)
	h.high.Temperature += units.Kelvin(k) * (units.Kelvin(t+z95*sensorSpread) - h.high.Temperature)
}

func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// expected and bound are in °C.
func (h *heat) expected() float64 { return h.mid.Temperature.Celsius() }
func (h *heat) bound() float64    { return h.high.Temperature.Celsius() }

// hotBand is the deadband of the heat alarms, K (about 2 % of range, PHYSICS section 10).
const hotBand = 5.0

func (h *heat) judge(mark units.Kelvin, u Urgency, c Cause, was Condition) Finding {
	limit, t := mark.Celsius(), h.bound()
	if was == Present {
		limit -= hotBand
	}
	if t > limit {
		return present(u, c, t, mark.Celsius(), "°C")
	}
	return absent(t, mark.Celsius(), "°C")
}
