package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Stretch returns by how much the block hangs lower under hook load W:
//
//	δ = ε [L + (L_fast + L_dead)/n],  ε = W/(n A E)
//
//	L               length of one part between the blocks   m
//	L_fast, L_dead  fast and dead line                      m
//	n               lines
//	A, E            metallic area and modulus of the line   m², Pa
//
// It holds below the line's elastic limit, about 65 % of its strength; a new line
// takes a permanent stretch besides.
//
// Source: Hooke's law; A ≈ 0.47 d² and E ≈ 93 to 103 GPa for 6x19 lines with steel
// core are from memory of the Wire Rope Users Manual, not confirmed.
func (l *Line) Stretch(hookLoad units.Newton, part units.Metre, lines int) units.Metre {
	n := float64(lines)
	strain := float64(hookLoad) / (n * float64(l.MetallicArea) * float64(l.ElasticModulus))
	return units.Metre(strain * (float64(part) + float64(l.FastLineLength+l.DeadLineLength)/n))
}

// SpringRate returns the stiffness of the parts between the blocks: n E A/L.
// Fast and dead line make the block softer still by L_legs/n; see [Line.Stretch].
//
// Source: parallel elastic rods. R1 with 40 m parts: 13.3 MN/m.
func (l *Line) SpringRate(part units.Metre, lines int) units.NewtonPerMetre {
	return units.NewtonPerMetre(float64(lines) * float64(l.MetallicArea) * float64(l.ElasticModulus) / float64(part))
}

// NaturalFrequency returns the frequency at which a mass bounces on the parts of
// line between the blocks: √(k/m)/2π. Hook load ripples there; filter above it.
//
// Source: undamped spring and mass. R1, 250 t on 40 m parts: 1.16 Hz.
func (l *Line) NaturalFrequency(mass units.Kilogram, part units.Metre, lines int) units.Hertz {
	return units.Hertz(math.Sqrt(float64(l.SpringRate(part, lines))/float64(mass)) / (2 * math.Pi))
}

// Least design factors of a drilling line, nominal strength over fast-line
// tension, by service (API RP 9B; from memory, not confirmed).
const (
	LeastDesignFactorDrilling = 3.0
	LeastDesignFactorCasing   = 2.0 // setting casing or pulling on stuck pipe
)

// DesignFactor returns the line's nominal strength over its fast-line tension; +Inf
// without tension.
//
// Source: API RP 9B 14th ed. addendum: 10 lines, K 1.04, 400,000 lbf on the hook,
// line of 192,000 lbf: 49,200 lbf fast line, factor 3.9.
func (l *Line) DesignFactor(fastLine units.Newton) float64 {
	return float64(l.BreakingStrength) / float64(fastLine)
}

// Capacity returns the line that fits on a drum by the handbook's form:
//
//	L = (A + D) A B π/d²
//
//	A  depth of line on the flange       m
//	D  barrel diameter                   m
//	B  barrel width                      m
//	d  line diameter                     m
//
// It is the sum of square-stacked layers of B/d wraps. Printed factors are lower
// by a normal oversize of the line (1-3/8 in: 0.127 for 0.1385).
//
// Source: Handbook of oceanographic winch, wire and cable, chapter 12.
func Capacity(depth, barrel, width, line units.Metre) units.Metre {
	a, d := float64(depth), float64(line)
	return units.Metre((a + float64(barrel)) * a * float64(width) * math.Pi / (d * d))
}
