package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// level works out a stop that stays on one level piece of the fade curve and keeps the
// line taut, without steps: with the capacity C constant the torque is a straight line
// in time within a phase, so
//
//	a(τ) = a₀ + j τ
//	v(τ) = v₀ + a₀ τ + ½ j τ²
//	s(τ) = v₀ τ + ½ a₀ τ² + j τ³/6
//	T(τ) = T₀ + n C/(r m_b c) ∫ (u₀ + u' τ) v dτ
//
//	τ  time since the phase began; a₀, j its acceleration and jerk    s, m/s², m/s³
//	u₀, u'  build-up of the brake and its growth                      –, 1/s
//
// ok is false for what is not such a stop, which is most that are near trouble: then
// the state is as it was and the integrator has the word.
//
// Source: the equation of [Rig.Stop], integrated by hand.
func (g *integration) level(before float64) (answer Stop, ok bool) {
	p := g.p
	seg := p.fade.segment(p.temp)
	if seg.slope != 0 {
		return answer, false
	}
	capacity := p.capacity(seg.factor(p.temp))
	hotter := capacity * g.turn / p.heat
	v, s, temp, t := g.v, 0.0, p.temp, 0.0
	full := p.dead + p.rise
	for t < math.Inf(1) {
		drive, retard, u0, growth := 0.0, 0.0, 0.0, 0.0
		to := p.dead
		switch {
		case t >= full:
			u0, to = 1, math.Inf(1)
		case t >= p.dead:
			u0, growth, to = (t-p.dead)/p.rise, 1/p.rise, full
		}
		if g.q > 0 && t < p.rel {
			drive, to = g.q, min(to, p.rel)
		} else if g.q < 0 {
			retard = g.q
		}
		a := (g.pull + drive + retard*(1-u0) - u0*capacity) / g.mass
		jerk := growth * (-retard - capacity) / g.mass
		if v <= speedZero && a <= 0 {
			return g.levelRest(before, s, t, temp), true
		}
		span, rest := untilRest(v, a, jerk, to-t)
		if math.IsInf(span, 1) || s > farthest || p.raising && min(a, a+jerk*span) < -p.g {
			return answer, false
		}
		ds := span * (v + span*(a/2+span*jerk/6))
		temp += hotter * (u0*ds + growth*span*span*(v/2+span*(a/3+span*jerk/8)))
		if !(temp < seg.to) {
			return answer, false
		}
		s += ds
		if rest {
			return g.levelRest(before, s, t+span, temp), true
		}
		v, t = max(v+span*(a+span*jerk/2), 0), to
	}
	return answer, false
}

func (g *integration) levelRest(before, s, t, temp float64) Stop {
	return Stop{Distance: units.Metre(before + s), Time: units.Second(t), EndTemperature: units.Kelvin(temp), CanStop: true}
}

// untilRest returns the first time at which v + a τ + ½ j τ² has come down to zero, and
// true; or span and false where that is not within span. v is not negative.
func untilRest(v, a, jerk, span float64) (float64, bool) {
	disc := a*a - 2*jerk*v
	if disc < 0 {
		return span, false
	}
	// Of the two forms of the smaller positive root, the one that does not cancel.
	root, at := math.Sqrt(disc), math.Inf(1)
	switch {
	case a <= 0 && root-a > 0:
		at = 2 * v / (root - a)
	case a > 0 && jerk < 0:
		at = (a + root) / -jerk
	}
	if at <= span {
		return at, true
	}
	return span, false
}
