package hoist

import (
	"errors"
	"fmt"
	"math"

	"hoistward/ingest/units"
)

// KnownHeight is one point of a calibration: the block at a height measured by
// other means (floor mark, crown-saver flag, tally), and the drum then.
type KnownHeight struct {
	Height   units.Metre
	Wraps    float64 // turned since any fixed mark, winding in positive
	HookLoad units.Newton
}

// Calibration is the answer of [Rig.Calibrate].
type Calibration struct {
	Wraps       float64       // on the drum at a point's Wraps of 0
	WrapsSD     float64       // 0 where not solved
	WrapsSolved bool          // else taken from the rig's reference
	Rise        float64       // layer rise
	RiseSD      float64       // 0 where not solved
	RiseSolved  bool          // else the rig's own
	Offset      units.Metre   // of heights against the rig's reference
	OffsetSD    units.Metre   // of the height map at the points' middle
	Residuals   []units.Metre // measured less map, a point each
	RMS         units.Metre
	Points      int
}

// HeightSD is the standard deviation of a measured height where none is stated.
const HeightSD units.Metre = 0.02

// Limits of what points can tell: a parameter whose standard deviation is larger
// is held, not solved.
const (
	worstWrapsSD = 4.0
	worstRiseSD  = 0.05
)

// leastRise and mostRise bound the layer rise that a grooved drum can have.
const (
	leastRise = 0.84
	mostRise  = 1.00
)

// Calibrate finds the drum-wrap map from known heights by least squares:
//
//	h_i + δ(W_i, h_i) = b + L(R0 + x_i; ρ)/n + e_i,   min Σ e_i²
//
//	x_i  wraps turned at point i                       –
//	R0   wraps on the drum at x = 0                    –
//	ρ    layer rise in line diameters                  –
//	b    height of the map                             m
//	L, δ see [Drum.Line], [Map.Height]
//
// One point sets b. R0 shows only in where layers change, so it is solved where
// the points span two layers, else taken as guess; ρ is solved where three or more
// points do so and leave it within 0.05. L is linear in ρ, so for every R0 the rest
// is linear; R0 is searched over a layer about guess. heightSD is one standard
// deviation of a measured height, 0 for [HeightSD]; it is raised to the residuals'
// own where they are larger.
//
// A rise outside 0.84 to 1.00, heights that fall as the drum winds in, or points
// that are not known are errors.
//
// Source: linear least squares; drum geometry as [Drum.Line].
func (r *Rig) Calibrate(points []KnownHeight, guess float64, heightSD units.Metre) (Calibration, error) {
	if !(heightSD > 0) {
		heightSD = HeightSD
	}
	if err := checkPoints(points, guess); err != nil {
		return Calibration{}, err
	}
	f := newFit(r, points, float64(heightSD))
	c := f.solve(guess)
	c.Points = len(points)
	if !(c.Rise >= leastRise && c.Rise <= mostRise) {
		return c, fmt.Errorf("layer rise: got %.3f line diameters from the points, want %.2f to %.2f: a height or a count is wrong, or the drum's dimensions are", c.Rise, leastRise, mostRise)
	}
	return c, nil
}

func checkPoints(points []KnownHeight, guess float64) error {
	if len(points) == 0 {
		return errors.New("points: got none, want at least 1 known height")
	}
	if !(guess >= 0) || math.IsInf(guess, 0) {
		return fmt.Errorf("wraps on the drum: got %.6g, want 0 or more", guess)
	}
	for i, p := range points {
		if x := float64(p.Height) + p.Wraps + float64(p.HookLoad); math.IsNaN(x) || math.IsInf(x, 0) || p.HookLoad < 0 {
			return fmt.Errorf("point %d: got height %.6g m, wraps %.6g, hook load %.6g N, want finite numbers and a hook load of 0 or more", i+1, p.Height, p.Wraps, p.HookLoad)
		}
		for j, q := range points[:i] {
			if (p.Wraps-q.Wraps)*float64(p.Height-q.Height) < 0 {
				return fmt.Errorf("points %d and %d: the block is lower with more wraps on the drum, want it higher: is the sign of the counts turned?", j+1, i+1)
			}
		}
	}
	return nil
}

// fit is the least-squares problem: y = b + (A(R) + ρ B(R))/n.
type fit struct {
	drum      Drum
	line      units.Metre
	n         float64
	y, x      []float64 // taut heights and wraps turned
	sd        float64
	rise      float64
	refHeight float64 // taut height of the rig's own map at no line on the drum
	hasRef    bool
}

func newFit(r *Rig, points []KnownHeight, sd float64) *fit {
	f := &fit{drum: r.Drawworks.Drum, line: r.Line.Diameter, n: float64(r.Reeving.Lines), sd: sd, rise: r.Drawworks.Drum.LayerRise}
	for _, p := range points {
		stretch := r.Line.Stretch(p.HookLoad, r.Mast.CrownHeight-p.Height, r.Reeving.Lines)
		f.y = append(f.y, float64(p.Height+stretch))
		f.x = append(f.x, p.Wraps)
	}
	if ref := r.Reference; ref.Set {
		stretch := r.Line.Stretch(ref.HookLoad, r.Mast.CrownHeight-ref.BlockHeight, r.Reeving.Lines)
		f.refHeight = float64(ref.BlockHeight+stretch) - float64(f.drum.Line(ref.Wraps, f.line))/f.n
		f.hasRef = true
	}
	return f
}

// parts returns A and B of L = A + ρ B at R wraps, in m of block.
func (f *fit) parts(wraps float64) (a, b float64) {
	flat := f.drum
	flat.LayerRise = 0
	a = float64(flat.Line(wraps, f.line)) / f.n
	flat.LayerRise = 1
	return a, float64(flat.Line(wraps, f.line))/f.n - a
}

// at solves b, and ρ where asked, for one R0 and returns the sum of squares.
func (f *fit) at(r0 float64, withRise bool) (b, rise, sum float64) {
	rise = f.rise
	k := float64(len(f.y))
	var mb, mr, mbb, mbr float64 // means of B, of y − A, and of their products
	for i := range f.y {
		a, bb := f.parts(r0 + f.x[i])
		rest := f.y[i] - a
		mb, mr, mbb, mbr = mb+bb/k, mr+rest/k, mbb+bb*bb/k, mbr+bb*rest/k
	}
	if v := mbb - mb*mb; withRise && v > 0 {
		rise = (mbr - mb*mr) / v
	}
	b = mr - rise*mb
	for i := range f.y {
		a, bb := f.parts(r0 + f.x[i])
		e := f.y[i] - a - rise*bb - b
		sum += e * e
	}
	return b, rise, sum
}

func (f *fit) solve(guess float64) Calibration {
	c := Calibration{Wraps: guess, Rise: f.rise}
	// One height cannot tell where layers change; then what is solved is tried in
	// turn, most first, and given up where its deviation is too large.
	for _, try := range [...]struct{ wraps, rise bool }{{true, true}, {false, true}, {true, false}, {false, false}} {
		unknowns := 1
		if try.wraps {
			unknowns++
		}
		if try.rise {
			unknowns++
		}
		if len(f.y) < unknowns || try.rise && len(f.y) < 3 {
			continue
		}
		c = f.fitted(guess, try.wraps, try.rise)
		if c.WrapsSD <= worstWrapsSD && c.RiseSD <= worstRiseSD {
			return c
		}
	}
	return c
}

// fitted solves with a choice of unknowns and states their deviations.
func (f *fit) fitted(guess float64, wraps, rise bool) Calibration {
	r0 := guess
	if wraps {
		r0 = f.search(guess, rise)
	}
	b, rho, sum := f.at(r0, rise)
	c := Calibration{Wraps: r0, WrapsSolved: wraps, Rise: rho, RiseSolved: rise, RMS: units.Metre(math.Sqrt(sum / float64(len(f.y))))}
	if f.hasRef {
		c.Offset = units.Metre(b - f.refHeight)
	}
	for i := range f.y {
		a, bb := f.parts(r0 + f.x[i])
		c.Residuals = append(c.Residuals, units.Metre(f.y[i]-a-rho*bb-b))
	}
	unknowns := 1
	if wraps {
		unknowns++
	}
	if rise {
		unknowns++
	}
	sd := f.sd
	if free := len(f.y) - unknowns; free > 0 {
		sd = max(sd, math.Sqrt(sum/float64(free)))
	}
	f.deviations(&c, sd)
	return c
}

// search finds the R0 of least squares about a guess: a grid over a layer either
// way, since the sum has a kink wherever a point passes a layer change, then
// golden sections about the best.
func (f *fit) search(guess float64, rise bool) float64 {
	lowest := math.Inf(1)
	for _, x := range f.x {
		lowest = min(lowest, x)
	}
	span := f.drum.WrapsPerLayer
	sum := func(r0 float64) float64 {
		if r0+lowest < 0 {
			return math.Inf(1)
		}
		_, _, s := f.at(r0, rise)
		return s
	}
	best, least := guess, sum(guess)
	const grid = 0.25
	for d := grid; d <= span; d += grid {
		for _, r0 := range [...]float64{guess - d, guess + d} {
			if s := sum(r0); s < least-1e-9 {
				best, least = r0, s
			}
		}
	}
	const golden = 0.6180339887498949
	lo, hi := best-grid, best+grid
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	sa, sb := sum(a), sum(b)
	for hi-lo > 1e-6 {
		if sa <= sb {
			hi, b, sb = b, a, sa
			a = hi - golden*(hi-lo)
			sa = sum(a)
		} else {
			lo, a, sa = a, b, sb
			b = lo + golden*(hi-lo)
			sb = sum(b)
		}
	}
	return (lo + hi) / 2
}

// deviations sets the standard deviations from the normal matrix of the mean-free
// columns dL/dR0 and dL/dρ.
func (f *fit) deviations(c *Calibration, sd float64) {
	k := float64(len(f.y))
	c.OffsetSD = units.Metre(sd / math.Sqrt(k))
	u := f.drum
	u.LayerRise = c.Rise
	var m1, m2, s11, s12, s22 float64
	for i := range f.y {
		wraps := c.Wraps + f.x[i]
		p := 2 * math.Pi * float64(u.Radius(wraps, f.line)) / f.n
		_, q := f.parts(wraps)
		m1, m2 = m1+p/k, m2+q/k
		s11, s12, s22 = s11+p*p, s12+p*q, s22+q*q
	}
	s11, s12, s22 = s11-k*m1*m1, s12-k*m1*m2, s22-k*m2*m2
	inf := math.Inf(1)
	positive := func(x float64) float64 { // below rounding it is none
		if x < 1e-9 {
			return inf
		}
		return sd / math.Sqrt(x)
	}
	switch {
	case c.WrapsSolved && c.RiseSolved:
		c.WrapsSD, c.RiseSD = inf, inf
		if det := s11*s22 - s12*s12; s11 > 1e-9 && det > 1e-9*s11*s22 {
			c.WrapsSD, c.RiseSD = sd*math.Sqrt(s22/det), sd*math.Sqrt(s11/det)
		}
	case c.WrapsSolved:
		c.WrapsSD = positive(s11)
	case c.RiseSolved:
		c.RiseSD = positive(s22)
	}
}

// Apply returns the rig with the calibration's map: its reference at the first
// point, whose residual is left out, and the layer rise where it was solved.
func (c *Calibration) Apply(r Rig, points []KnownHeight) Rig {
	at := points[0]
	r.Reference.Set = true
	r.Reference.BlockHeight, r.Reference.HookLoad = at.Height-c.Residuals[0], at.HookLoad
	r.Reference.Wraps = c.Wraps + at.Wraps
	if c.RiseSolved {
		r.Drawworks.Drum.LayerRise = c.Rise
	}
	return r
}
