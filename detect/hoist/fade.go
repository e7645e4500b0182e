package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Factor returns the lining's friction at temperature t over its cold friction:
// straight lines between the curve's points, held outside. An empty curve is 1.
// A temperature that is not known gives NaN.
func (f FadeCurve) Factor(t units.Kelvin) float64 {
	s := f.segment(float64(t))
	return s.factor(float64(t))
}

// segment is one straight piece of a fade curve, from a temperature up to the
// next kink.
type segment struct {
	from, to     float64 // K; to is +Inf on the last piece
	start, slope float64 // factor at from, and its growth, 1/K
}

func (s segment) factor(t float64) float64 {
	if s.slope == 0 {
		return s.start + t*0 // NaN stays NaN
	}
	return s.start + s.slope*(t-s.from)
}

// segment returns the piece that holds at t and just above it.
func (f FadeCurve) segment(t float64) segment {
	n := len(f)
	switch {
	case n == 0:
		return segment{0, math.Inf(1), 1, 0}
	case t < float64(f[0].Temperature):
		return segment{0, float64(f[0].Temperature), f[0].Factor, 0}
	case t >= float64(f[n-1].Temperature):
		return segment{float64(f[n-1].Temperature), math.Inf(1), f[n-1].Factor, 0}
	}
	i := 1
	for i < n-1 && t >= float64(f[i].Temperature) {
		i++
	}
	a, b := f[i-1], f[i]
	return segment{
		float64(a.Temperature), float64(b.Temperature), a.Factor,
		(b.Factor - a.Factor) / float64(b.Temperature-a.Temperature),
	}
}

// bestAbove returns the greatest factor that the curve reaches at t or hotter.
func (f FadeCurve) bestAbove(t float64) float64 {
	best := f.Factor(units.Kelvin(t))
	for _, p := range f {
		if float64(p.Temperature) > t {
			best = max(best, p.Factor)
		}
	}
	return best
}
