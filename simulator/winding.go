package simulator

import (
	"math"

	"hoistward/detect/hoist"
)

const maxLayers = 10

// winding is the drum's line map: line length against wraps, layer by layer.
//
//	D_k = D_0 + d + 2(k−1)·h_l,  L_k = N·π·D_k
//
// with D_0 rope seat, d line diameter, h_l rise a layer, N wraps a layer, all in m.
// It holds from bare drum to maxLayers; past that the last layer goes on.
// Source: geometry of layered winding; the helix correction (1e-4) is left out.
type winding struct {
	perLayer float64
	radius   [maxLayers]float64
	full     [maxLayers]float64     // wraps that fill layers 0 to k
	start    [maxLayers + 1]float64 // line on the drum where layer k begins
}

func newWinding(drum hoist.Drum, line hoist.Line) winding {
	w := winding{perLayer: drum.WrapsPerLayer}
	d := float64(line.Diameter)
	for k := range maxLayers {
		w.radius[k] = (float64(drum.RootDiameter) + d + 2*float64(k)*drum.LayerRise*d) / 2
		w.full[k] = float64(k+1) * w.perLayer
		w.start[k+1] = w.start[k] + w.perLayer*2*math.Pi*w.radius[k]
	}
	return w
}

func (w *winding) layer(wraps float64) int {
	k := 0
	for k < maxLayers-1 && wraps >= w.full[k] {
		k++
	}
	return k
}

// radiusAt returns the working radius at wraps, m.
func (w *winding) radiusAt(wraps float64) float64 { return w.radius[w.layer(wraps)] }

// lineAt returns the line on the drum at wraps, m.
func (w *winding) lineAt(wraps float64) float64 {
	k := w.layer(wraps)
	return w.start[k] + (wraps-float64(k)*w.perLayer)*2*math.Pi*w.radius[k]
}

// wrapsFor returns the wraps that hold line m of line.
func (w *winding) wrapsFor(line float64) float64 {
	k := 0
	for k < maxLayers-1 && line >= w.start[k+1] {
		k++
	}
	return float64(k)*w.perLayer + (line-w.start[k])/(2*math.Pi*w.radius[k])
}
