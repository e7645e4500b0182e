package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// LayerDiameter returns the diameter of the line's centre on layer k (1 = on the
// drum): D_k = D0 + d + 2 (k−1) h, with
//
//	D0  rope seat diameter                   m
//	d   line diameter                        m
//	h   rise a layer, LayerRise·d            m
//
// LayerRise is 1 for square stacking, 0.866 for nested lines at a pitch of one
// diameter; crossovers put a real drum between. Layers below 1 give NaN.
func (u Drum) LayerDiameter(k int, line units.Metre) units.Metre {
	if k < 1 {
		return units.Metre(math.NaN())
	}
	return u.RootDiameter + line + units.Metre(2*float64(k-1)*u.LayerRise)*line
}

// Layer returns the layer on which the line winds after so many wraps: 1 is on
// the drum, and a full layer already counts as the next. Below 0 or NaN gives 0.
func (u Drum) Layer(wraps float64) int {
	if !(wraps >= 0 && u.WrapsPerLayer > 0 && wraps < 1e9*u.WrapsPerLayer) {
		return 0
	}
	return int(math.Floor(wraps/u.WrapsPerLayer)) + 1
}

// Line returns the length of line on the drum after so many wraps:
//
//	L(R) = N π Σ_{j<k} D_j + (R − (k−1) N) π D_k
//
//	R    wraps on the drum, dead wraps included
//	N    wraps a layer
//	k    the layer being wound
//	D_k  see [Drum.LayerDiameter]            m
//
// It is continuous and strictly increasing for R ≥ 0; below 0, where no line is
// on the drum, it is NaN. The helix adds 1 part in 10,000 and is left out.
//
// Source: sum of full layers, the exact theory behind the capacity formula of the
// Handbook of oceanographic winch, wire and cable, chapter 12.
func (u Drum) Line(wraps float64, line units.Metre) units.Metre {
	k := u.Layer(wraps)
	if k == 0 {
		return units.Metre(math.NaN())
	}
	full := u.fullLayers(float64(k-1), line)
	part := (wraps - float64(k-1)*u.WrapsPerLayer) * math.Pi * float64(u.LayerDiameter(k, line))
	return units.Metre(full + part)
}

// fullLayers returns the line on k full layers: N π (k D1 + h k (k−1)).
func (u Drum) fullLayers(k float64, line units.Metre) float64 {
	d1 := float64(u.RootDiameter + line)
	return u.WrapsPerLayer * math.Pi * (k*d1 + u.LayerRise*float64(line)*k*(k-1))
}

// Wraps returns the wraps on the drum for a length of line on it, the exact
// inverse of [Drum.Line]. A negative length gives NaN.
func (u Drum) Wraps(length, line units.Metre) float64 {
	l := float64(length)
	if !(l >= 0) || math.IsInf(l, 1) || !(u.WrapsPerLayer > 0) {
		return math.NaN()
	}
	// Full layers below: the positive root of h k² + (D1 − h) k − L/(N π) = 0.
	d1, h := float64(u.RootDiameter+line), u.LayerRise*float64(line)
	q := l / (u.WrapsPerLayer * math.Pi)
	k := math.Floor(2 * q / ((d1 - h) + math.Sqrt((d1-h)*(d1-h)+4*h*q)))
	if k > 0 && u.fullLayers(k, line) > l {
		k--
	} else if u.fullLayers(k+1, line) <= l {
		k++
	}
	rest := l - u.fullLayers(k, line)
	return k*u.WrapsPerLayer + rest/(math.Pi*(d1+2*k*h))
}

// Radius returns the radius r at which the line leaves the drum after so many
// wraps. It steps at a layer change; the block's height does not. The block's
// speed is ω r/n. Below 0 wraps it is NaN.
func (u Drum) Radius(wraps float64, line units.Metre) units.Metre {
	return u.LayerDiameter(u.Layer(wraps), line) / 2
}
