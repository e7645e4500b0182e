package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// heat follows the brake's two temperatures, friction ring and body (hoist.TwoNode), and
// how well they are known. What is answered is the ring's: it fades the lining.
//
//	physics     P = T_friction ω, T_friction by the drum balance; by pressure where it is light
//	s           one standard deviation of both temperatures together:
//	            ds = (σ_P ω/C + coolSpread |dT_mean/dt| cooled) dt, decaying with the
//	            brake's own time constant; errors of torque stay, so they add up
//	bound       T_ring + z95 √(s² + lead²),  lead = leadSpread |T_ring − T_body|
//	sensor      ν = T_sensor − T_shown, T_shown the ring's as the sensor lags it;
//	            k = s²/(s² + R sensorTime/dt),  T += k ν,  s² ← (1 − k) s²
//
//	σ_P  of the friction brake's torque   N·m
//	C    heat capacity                    J/K
//	R    sensorSpread²                    K²
//
// The start is a stated prior, for a monitor that begins does not know what the brake
// did before: the bound comes down as the brake cools, or is measured. A first reading is
// taken as it is.
//
// A sensor that disagrees with physics is a finding of its channel and is not used: it
// stands still while the physics moves by stuckBy, or it is colder than the heat put in
// allows, by coldTimes standard deviations for coldTime; it is not used meanwhile. One that is hotter than that
// is used: the brake may rub where nothing shows it.
//
// Source: PHYSICS section 19; scalar Kalman filter, textbook.
type heat struct {
	rig    *hoist.Rig
	brake  hoist.TwoNode
	sd     float64 // s, K
	shown  float64 // K, what a sensor would say
	known  bool    // a temperature sensor stands behind it
	since  float64 // s watched
	moved  float64 // K by physics since the sensor's value changed
	said   float64 // that value
	colder float64 // s that the sensor has been too cold
	agrees float64 // s that a doubted one has agreed
}

const (
	// priorHigh is how much hotter than the air a brake may be when watching
	// begins, K: a working brake between stands (common practice). Nothing is known
	// within it, so the estimate begins in its middle.
	priorHigh = 100.0
	priorMean = priorHigh / 2
	// settledAfter is how long watching takes until the prior matters little, s.
	settledAfter = 3600.0
	// sensorSpread is one standard deviation of a brake temperature sensor against
	// the ring, K; sensorTime how long one error of it lasts and sensorLag how far it
	// lags, s.
	sensorSpread = 5.0
	sensorTime   = 30.0
	sensorLag    = 8.0
	// coolSpread is the relative error of the cooling, one standard deviation: the air's
	// temperature and wind are not measured; airSpread is that of the air, K.
	coolSpread = 0.15
	airSpread  = 3.0
	leadSpread = 0.5 // of ring over body
	stuckBy    = 15.0
	coldTimes  = 4.0
	coldTime   = 30.0 // s
	agreeTimes = 2.0
	agreeTime  = 60.0 // s
)

func newHeat(rig *hoist.Rig) heat {
	h := heat{rig: rig, sd: (priorHigh - priorMean) / z95}
	h.brake = hoist.NewTwoNode(rig, rig.Heat.Ambient+priorMean)
	h.shown = float64(h.brake.Ring)
	return h
}

// step puts in dt seconds of braking. A torque that is not known heats as much as the
// balance allows; with nothing known the brake only cools.
func (h *heat) step(b *balance, dt float64, sensor *instrument) {
	if !(dt > 0) {
		return
	}
	omega := units.RadianPerSecond(orZero(b.omega))
	before := float64(h.brake.Mean())
	heated := orZero(b.heating*b.omega) * dt / h.brake.Capacity()
	h.brake.Step(units.Watt(orZero(b.heating*b.omega)), omega, units.Second(dt))
	cooled := math.Abs(float64(h.brake.Mean()) - before - heated)
	h.sd *= math.Exp(-dt / float64(h.brake.TimeConstant(omega)))
	h.sd += orZero(b.frictionSD*b.omega)*dt/h.brake.Capacity() + coolSpread*cooled
	h.sd = max(h.sd, airSpread)
	was := h.shown
	h.shown += (1 - math.Exp(-dt/sensorLag)) * (float64(h.brake.Ring) - h.shown)
	h.moved += h.shown - was
	h.since += dt
	h.watch(sensor, dt)
	if sensor.fresh && h.colder == 0 {
		h.observe(sensor.v, dt)
	}
}

func (h *heat) observe(t, dt float64) {
	k := 1.0
	if h.known {
		k = h.sd * h.sd / (h.sd*h.sd + sensorSpread*sensorSpread*sensorTime/min(dt, sensorTime))
	}
	h.known = true
	by := k * (t - h.shown)
	h.brake.Ring += units.Kelvin(by)
	h.brake.Body += units.Kelvin(by)
	h.shown += by
	h.sd = max(math.Sqrt(1-k)*h.sd, sensorSpread)
}

// watch holds the sensor against the physics.
func (h *heat) watch(i *instrument, dt float64) {
	if !i.came {
		return
	}
	if i.v != h.said {
		h.said, h.moved = i.v, 0
	}
	if h.known && math.Abs(h.moved) > stuckBy {
		i.frozen, i.fresh = true, false
	}
	off, s := i.v-h.shown, math.Hypot(h.sd, sensorSpread)
	switch {
	case i.frozen:
	case i.doubt == NoCause && h.known && off < -coldTimes*s:
		if h.colder += dt; h.colder >= coldTime {
			i.doubt, i.fresh, h.agrees = ColderThanHeat, false, 0
		}
	case i.doubt == ColderThanHeat && math.Abs(off) < agreeTimes*s:
		if h.agrees += dt; h.agrees >= agreeTime {
			i.doubt, h.colder = NoCause, 0
		}
	default:
		h.colder, h.agrees = 0, 0
	}
}

func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// expected and bound are in °C.
func (h *heat) expected() float64 { return h.brake.Ring.Celsius() }
func (h *heat) bound() float64    { return h.expected() + z95*h.spread() }

// spread is one standard deviation of the ring's temperature, K.
func (h *heat) spread() float64 {
	return math.Hypot(h.sd, leadSpread*float64(h.brake.Ring-h.brake.Body))
}

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
