package hoist

import (
	"errors"
	"math"

	"hoistward/ingest/units"
)

// ErrVoid is the state of a drum-wrap map without a reference: after a slip or
// cut of line, a new line or number of lines, or a count jump.
var ErrVoid = errors.New("the drum-wrap map is void: no reference is set since the last slip, cut or restringing")

// Map is the drum-wrap map of one rig: block height from wraps on the drum and
// back, corrected for the line's stretch under load. Make it with [NewMap].
type Map struct {
	drum             Drum
	line             units.Metre
	lines            float64
	crown            float64 // block height at contact, m
	legs             float64 // fast and dead line, m, over the lines
	compliance       float64 // 1/(n A E), 1/N; 0 where the line's stiffness is not known
	refHeight        float64
	refLine          float64
	refStretch       float64
	refWraps         float64
	refCounts        float64
	countsPerWrap    float64
	countsReferenced bool
}

// NewMap returns the map of the rig, or [ErrVoid] where no reference is set.
func NewMap(r *Rig) (Map, error) {
	m := Map{
		drum: r.Drawworks.Drum, line: r.Line.Diameter, lines: float64(r.Reeving.Lines),
		crown:     float64(r.Mast.CrownHeight),
		refHeight: float64(r.Reference.BlockHeight), refWraps: r.Reference.Wraps,
		refCounts: r.Reference.Counts, countsPerWrap: r.Drawworks.Encoder.CountsPerRevolution,
		countsReferenced: r.Reference.HasCounts,
	}
	if !r.Reference.Set {
		return m, ErrVoid
	}
	m.legs = float64(r.Line.FastLineLength+r.Line.DeadLineLength) / m.lines
	if ae := float64(r.Line.MetallicArea) * float64(r.Line.ElasticModulus); ae > 0 {
		m.compliance = 1 / (m.lines * ae)
	}
	m.refLine = float64(m.drum.Line(m.refWraps, m.line))
	m.refStretch = m.stretch(float64(r.Reference.HookLoad), m.refHeight)
	if math.IsNaN(m.refLine) || math.IsNaN(m.refStretch) {
		return m, errors.New("the drum-wrap map cannot be made: the reference's wraps, height or hook load is not a number that can be")
	}
	return m, nil
}

// stretch returns by how much the block hangs lower under hook load w at height h.
func (m *Map) stretch(w, h float64) float64 {
	return w * m.compliance * (m.crown - h + m.legs)
}

// Height returns the block's height for wraps on the drum and a hook load:
//
//	h = h_ref + [L(R) − L(R_ref)]/n − δ(W, h) + δ(W_ref, h_ref)
//	δ(W, h) = ε [(h_crown − h) + (L_fast + L_dead)/n],  ε = W/(n A E)
//
//	R      wraps on the drum                           –
//	L(R)   line on the drum, see [Drum.Line]           m
//	W      hook load                                   N
//	A, E   metallic area and modulus of the line       m², Pa
//
// δ depends on h itself and is solved exactly, not by iteration. A hook load that
// is not known gives NaN; so do wraps below 0.
//
// Source: stretch of parallel elastic parts, each part ε L, the two legs sharing
// one part in n; constants of the line from its maker.
func (m *Map) Height(wraps float64, hookLoad units.Newton) units.Metre {
	eps := float64(hookLoad) * m.compliance
	taut := m.refHeight + (float64(m.drum.Line(wraps, m.line))-m.refLine)/m.lines + m.refStretch
	return units.Metre((taut - eps*(m.crown+m.legs)) / (1 - eps))
}

// Wraps returns the wraps on the drum at a block height and hook load, the exact
// inverse of [Map.Height]; NaN for a height that leaves no line on the drum.
func (m *Map) Wraps(height units.Metre, hookLoad units.Newton) float64 {
	h := float64(height)
	travel := h - m.refHeight + m.stretch(float64(hookLoad), h) - m.refStretch
	line := m.refLine + m.lines*travel
	if line < 0 && line > -1e-9 { // rounding at a bare drum
		line = 0
	}
	return m.drum.Wraps(units.Metre(line), m.line)
}

// Radius returns the drum's working radius at so many wraps.
func (m *Map) Radius(wraps float64) units.Metre { return m.drum.Radius(wraps, m.line) }

// Stretch returns by how much the block hangs lower under a hook load at a
// height than it would unloaded, δ of [Map.Height].
func (m *Map) Stretch(hookLoad units.Newton, height units.Metre) units.Metre {
	return units.Metre(m.stretch(float64(hookLoad), float64(height)))
}

// WrapsFromCounts returns the wraps on the drum at an unwrapped encoder total.
// It is NaN where the reference did not state its counts, or no encoder is fitted.
func (m *Map) WrapsFromCounts(total float64) float64 {
	if !m.countsReferenced || !(m.countsPerWrap > 0) {
		return math.NaN()
	}
	return m.refWraps + (total-m.refCounts)/m.countsPerWrap
}
