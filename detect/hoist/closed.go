package hoist

import "math"

// level carries the stop over a phase on a level piece of the fade curve, or before the
// brake bites, in closed form:
//
//	a(τ) = a0 + j τ,   j = −(Q + C) u̇/M
//	v(τ) = v0 + a0 τ + j τ²/2,   s(τ) = v0 τ + a0 τ²/2 + j τ³/6
//	ΔT   = C n/(r m_b c) ∫ u v dτ,  a polynomial in τ
//
//	τ    time into the phase                          s
//	u̇    growth of the brake's build-up               1/s
//	Q    retarding torque at the trip, ≤ 0            N·m
//	other symbols as for [Rig.Stop]
//
// It ends at the phase's end, where the block comes to rest (the first zero of v), where
// the lining reaches the next kink of its curve, or where a rising block's line goes slack
// (a = −g) and the phase goes on with the drum alone.
//
// Source: Newton's law with a torque linear in time, integrated by hand.
func (g *integration) level(h *phase, kink float64) (rest, held bool) {
	for {
		u, v := h.u0+h.uSlope*(g.t-h.start), g.v
		a := (g.pull + h.drive + h.retard*(1-u) - u*g.flat) * g.perMass
		j := -(h.retard + g.flat) * h.uSlope * g.perMass
		switch {
		case v <= speedZero && a <= 0:
			return true, true
		case g.p.raising && !g.slack && a < -g.p.g*(1+1e-12):
			g.goSlack()
			continue
		case h.lastFullTime && a >= 0:
			return false, false
		}
		dt, slack := h.to-g.t, false
		if at := restOf(v, a, j, dt); at < dt {
			dt, rest = at, true
		}
		if g.p.raising && !g.slack && a+j*dt < -g.p.g*(1+1e-9) {
			dt, rest, slack = max((-g.p.g-a)/j, 0), false, true
		}
		heat := rubbed(v, a, j, u, h.uSlope, dt) * g.flat * g.warm
		if room := kink - g.temp; heat > room {
			dt, heat = rubbedAt(v, a, j, u, h.uSlope, room/(g.flat*g.warm), dt), room
			rest, slack, kink = false, false, g.temp // reached
		}
		g.s += dt * (v + dt*(a/2+dt*j/6))
		g.v = max(v+dt*(a+dt*j/2), 0)
		g.t += dt
		g.temp += heat
		switch {
		case rest:
			g.v = 0
			return true, true
		case kink < g.temp:
			g.temp = g.seg.to
			return false, true
		case !slack:
			g.t = h.to
			return false, true
		}
		g.goSlack()
	}
}

// rubbed returns ∫ u v dt of a motion whose acceleration a + j t, and the build-up of
// whose brake u + du t, are straight lines in time.
func rubbed(v, a, j, u, du, t float64) float64 {
	return t * (u*v + t*((u*a+du*v)/2+t*((u*j/2+du*a)/3+t*du*j/8)))
}

// rubbedAt returns the time within most at which rubbed has come to x, which it passes
// there; it grows all the way.
func rubbedAt(v, a, j, u, du, x, most float64) float64 {
	lo, hi, t := 0.0, most, most
	if du == 0 && j == 0 { // all by the travel
		s := x / u
		return min(2*s/(v+math.Sqrt(max(v*v+2*a*s, 0))), most)
	}
	for range 60 {
		off := rubbed(v, a, j, u, du, t) - x
		if off > 0 {
			hi = t
		} else {
			lo = t
		}
		next := t - off/((u+du*t)*(v+t*(a+t*j/2)))
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-t) < 1e-12 {
			return next
		}
		t = next
	}
	return t
}

// restOf returns the time of the first zero of v + a t + j t²/2 in which the speed falls,
// or +Inf where it certainly lies beyond most.
func restOf(v, a, j, most float64) float64 {
	switch {
	case j == 0 && a < 0:
		return v / -a
	case j == 0, a >= 0 && j > 0,
		v+most*(a+most*j/2) > 0 && (a >= 0 || a+most*j <= 0): // moving at the end, and slowest there or at the start
		return math.Inf(1)
	}
	disc := a*a - 2*j*v
	switch {
	case !(disc >= 0):
		return math.Inf(1)
	case a < 0:
		return 2 * v / (math.Sqrt(disc) - a)
	}
	return (a + math.Sqrt(disc)) / -j
}

// fading carries the stop along a falling piece of the fade curve with the brake full
// and nothing else acting, to rest or to the piece's end. There the friction depends on
// the heat taken up and so on the travel alone:
//
//	disc            C = C0 e^{−k s}
//	band, lowering  C = B w/(1 − w),  w = 1 − e^{−y} = w0 e^{−k s}
//	band, raising   C = B w/(1 + w),  w = e^{y} − 1  = w0 e^{−k s}
//	½ M v²          = ½ M v0² + F s − (T − T0) m_b c r/n,   rest where it is 0
//
//	s    travel from here                                 m
//	F    the load's pull at the drum, signed              N·m
//	y    μθ of the band at the lining's temperature T; B its live tension times radius
//	k    −q n/(r m_b c), q = dC/dT of the disc, B dy/dT of the band    1/m
//	other symbols as for [Rig.Stop]
//
// The energy is convex in s, so Newton's method from the side of the start never passes
// the point of rest. Where the brake fades below the pull before rest, held is false and
// nothing is changed.
//
// Source: dT/ds = C n/(r m_b c) with the brake's law, integrated by hand.
func (g *integration) fading(seg segment) (rest, held bool) {
	f := g.fadingFrom(seg)
	switch a := (g.pull - f.c0) * g.perMass; {
	case !(f.k > 0 && a < 0):
		return false, false
	case g.v <= speedZero:
		return true, true
	case g.p.raising && !g.slack && a < -g.p.g*(1+1e-12):
		g.goSlack()
		return false, true
	}
	end := f.toEnd()
	energy := g.mass * g.v * g.v / 2
	s := energy / (f.c0 - g.pull) // with the friction of the start: never past rest
	for range 30 {
		if s >= end {
			break
		}
		taken, c := f.at(s)
		left, slope := energy+g.pull*s-taken, g.pull-c
		if !(slope < 0) {
			return false, false
		}
		step := -left / slope
		if s += step; !(step > 1e-9) {
			taken, _ = f.at(s)
			g.take(&f, s, 0, g.temp+taken*g.warm)
			return true, true
		}
	}
	if s < end {
		return false, false
	}
	taken, c := f.at(end)
	left := energy + g.pull*end - taken
	if !(left > 0 && c > g.pull) {
		return false, false
	}
	g.take(&f, end, math.Sqrt(2*left/g.mass), seg.to)
	return false, true
}

// take goes on by s along a falling piece, to a speed and temperature there; the time is
// worked out where it was asked for.
func (g *integration) take(f *fade, s, v, temp float64) {
	if g.timed {
		g.t += f.time(g, s)
	}
	g.s, g.v, g.temp = g.s+s, v, temp
}

// fade is a brake's friction along a falling piece of its curve, by the travel.
type fade struct {
	k     float64 // 1/m
	c0    float64 // N·m at the start
	kind  uint8   // of law
	b, w0 float64 // of a band
	y0    float64
	yEnd  float64 // at the piece's end; of a disc, the capacity there over that at the start
}

const (
	discLaw = iota
	bandLowering
	bandRaising
)

func (g *integration) fadingFrom(seg segment) fade {
	p := g.p
	per := seg.slope * g.warm * p.torque1
	if !p.bands {
		now := seg.factor(g.temp)
		return fade{
			k: -per * p.friction, c0: p.torque1 * p.friction * now, kind: discLaw,
			yEnd: seg.factor(seg.to) / now,
		}
	}
	q := p.muTheta * p.friction
	f := fade{k: -per * q, b: p.torque1, y0: q * seg.factor(g.temp), yEnd: q * seg.factor(seg.to), kind: bandLowering}
	if p.raising {
		f.kind, f.w0 = bandRaising, math.Expm1(f.y0)
		f.c0 = f.b * f.w0 / (1 + f.w0)
		return f
	}
	f.w0 = -math.Expm1(-f.y0)
	f.c0 = f.b * f.w0 / (1 - f.w0)
	return f
}

// toEnd returns the travel to the piece's end.
func (f *fade) toEnd() float64 {
	switch f.kind {
	case bandLowering:
		return math.Log(f.w0/-math.Expm1(-f.yEnd)) / f.k
	case bandRaising:
		return math.Log(f.w0/math.Expm1(f.yEnd)) / f.k
	}
	return -math.Log(f.yEnd) / f.k
}

// at returns the work taken up by the brake, J, and its torque after travel s.
func (f *fade) at(s float64) (taken, torque float64) {
	switch f.kind {
	case bandLowering:
		w := f.w0 * math.Exp(-f.k*s)
		return f.b * (f.y0 + math.Log1p(-w)) / f.k, f.b * w / (1 - w)
	case bandRaising:
		w := f.w0 * math.Exp(-f.k*s)
		return f.b * (f.y0 - math.Log1p(w)) / f.k, f.b * w / (1 + w)
	}
	x := -math.Expm1(-f.k * s)
	return f.c0 * x / f.k, f.c0 * (1 - x)
}

// Abscissas and weights of Gauss–Legendre quadrature of order 6 on 0 to 1 (Abramowitz and
// Stegun, table 25.4).
var (
	gaussAt  = [6]float64{0.033765242898423986, 0.169395306766867743, 0.380690406958401546, 0.619309593041598454, 0.830604693233132257, 0.966234757101576014}
	gaussFor = [6]float64{0.085662246189585173, 0.180380786524069304, 0.233956967286345524, 0.233956967286345524, 0.180380786524069304, 0.085662246189585173}
)

// time returns how long travel s takes: ∫ ds/v, with s − s' = s x² so that the integrand
// stays smooth where the block comes to rest.
func (f *fade) time(g *integration, s float64) float64 {
	t, energy := 0.0, g.mass*g.v*g.v/2
	for i, x := range gaussAt {
		at := s * (1 - x*x)
		taken, _ := f.at(at)
		left := energy + g.pull*at - taken
		t += gaussFor[i] * 2 * x * s / math.Sqrt(max(2*left/g.mass, 1e-18))
	}
	return t
}
