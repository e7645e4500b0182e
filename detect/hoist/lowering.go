package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// fastestLowering is more than any block is lowered at, in m/s.
const fastestLowering = 30.0

// closeEnough is how far from the room left a stop may end, m.
const closeEnough = 1e-3

// SafeLowering returns the largest steady lowering speed from which the block
// still stops within room, with the retarding torque lost at the trip:
//
//	D(v) = room,  D as in [Rig.Stop] with a0 = 0, full pressure
//
// load is the hook load, radius the drum's, t the brake's temperature, friction its
// present health (1 = as commissioned), room the travel left, all as known; any
// allowance for their uncertainty is the caller's to take off. It is 0 where even
// a block at rest would need more room, and NaN where an input is not known. It
// is right to 0.001 m/s and advises only: local rules and limits come first.
//
// Source: the stop equation; derived here.
func (r *Rig) SafeLowering(load units.Newton, radius units.Metre, t units.Kelvin, friction float64, room units.Metre) units.MetrePerSecond {
	p := r.plant(StopCase{
		Direction: Lowering, HookLoad: load, Radius: radius, BrakeTemperature: t,
		RetardingLost: true, FrictionFactor: friction, PressureFraction: 1,
	})
	if !p.known() || math.IsNaN(float64(room)) {
		return units.MetrePerSecond(math.NaN())
	}
	over := func(v float64) float64 {
		p.v = v
		return float64(p.stop().Distance - room)
	}
	hi := min(p.firstGuess(float64(room)), fastestLowering)
	fHi := over(hi)
	if math.Abs(fHi) < closeEnough && hi*(p.dead+p.rise/2) > 2*closeEnough { // so that a stop from rest leaves room
		return units.MetrePerSecond(hi)
	}
	lo, fLo := 0.0, over(0)
	if fLo >= 0 {
		return 0
	}
	if math.Abs(fHi) < closeEnough {
		return units.MetrePerSecond(hi)
	}
	if next := hi - fHi/p.steepness(hi); fHi > closeEnough && next > 0 { // too fast by the brake's fading
		if f := over(next); f < 0 {
			lo, fLo = next, f
		} else {
			hi, fHi = next, f
		}
		if math.Abs(fHi) < closeEnough {
			return units.MetrePerSecond(hi)
		}
		if math.Abs(fLo) < closeEnough {
			return units.MetrePerSecond(lo)
		}
	}
	for fHi < 0 {
		if hi >= fastestLowering {
			return fastestLowering
		}
		lo, fLo = hi, fHi
		hi = min(hi*1.5, fastestLowering)
		fHi = over(hi)
	}
	return units.MetrePerSecond(bracketed(over, lo, fLo, hi, fHi))
}

// firstGuess returns the speed from which a stop takes all of room, where the brake
// does not fade within it and the block does not come to rest before the brake is
// full; else something near it.
//
//	D(v) = v w + c + (v + k)²/2a,  w = dead time + rise
//	k    speed gained until the brake is full, free fall and ramp
//	c    travel until then from rest; a deceleration at the full brake
//
// Source: the stop equation, integrated by hand; derived here.
func (p *plant) firstGuess(room float64) float64 {
	mass := p.inertia*p.lines/p.rad + p.f*p.load/p.g*p.rad
	fall := p.f * p.load * p.rad / mass
	a := p.capacity(p.fade.Factor(units.Kelvin(p.temp)))/mass - fall
	if !(a > 0) {
		return 1
	}
	wait, ramp := p.dead+p.rise, p.rise*p.rise*(fall/2-(fall+a)/6)
	k := fall*p.dead + (fall-a)/2*p.rise
	c := fall*p.dead*(p.dead/2+p.rise) + ramp
	b := k + a*wait // v² + 2 b v + k² + 2a(c − room) = 0
	return max(math.Sqrt(max(b*b-k*k+2*a*(room-c), 0))-b, 0.01)
}

// steepness returns dD/dv of [plant.firstGuess]'s D at a speed.
func (p *plant) steepness(v float64) float64 {
	mass := p.inertia*p.lines/p.rad + p.f*p.load/p.g*p.rad
	fall := p.f * p.load * p.rad / mass
	a := p.capacity(p.fade.Factor(units.Kelvin(p.temp)))/mass - fall
	if !(a > 0) {
		return math.Inf(1)
	}
	return p.dead + p.rise + (v+fall*p.dead+(fall-a)/2*p.rise)/a
}

// bracketed finds the zero of f between lo (f < 0) and hi (f > 0, or +Inf) to
// 0.0005, never past it: regula falsi with the Illinois weights, bisection where f
// is infinite.
func bracketed(f func(float64) float64, lo, fLo, hi, fHi float64) float64 {
	side := 0
	for range 60 {
		if hi-lo < 5e-4 {
			break
		}
		mid := (lo + hi) / 2
		if !math.IsInf(fHi, 1) {
			mid = hi - fHi*(hi-lo)/(fHi-fLo)
		}
		x := f(mid)
		if math.Abs(x) < closeEnough {
			return mid
		}
		if x < 0 {
			lo, fLo = mid, x
			if side < 0 {
				fHi /= 2
			}
			side = -1
		} else {
			hi, fHi = mid, x
			if side > 0 {
				fLo /= 2
			}
			side = 1
		}
	}
	return lo
}
