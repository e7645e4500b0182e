package simulator

import (
	"math"
	"math/rand/v2"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

const (
	gravity = float64(units.StandardGravity)
	// stefan is the Stefan-Boltzmann constant, W/(m²·K⁴), from the exact SI
	// constants (CODATA 2018).
	stefan = 5.670374419e-8
)

// params is what is true of this plant. draw sets it around the rig file.
type params struct {
	rig *hoist.Rig

	lines     float64
	lnK       float64 // ln of the sheave factor
	shareUp   float64 // fast line over hook load, raising
	shareDown float64 // and lowering
	sheaveVel float64 // block speed over which sheave loss changes sign, m/s
	inertia   float64 // kg·m²
	blockMass float64 // kg

	areaModulus float64 // E·A of the line, N
	legLength   float64 // fast and dead line together, m
	lineDamping float64 // fraction of critical for the empty block
	hrefBare    float64 // block height at the reference with no load on the line, m
	refLine     float64 // line on the drum at the reference, m
	crown       float64 // contact, m
	breaking    float64 // line breaking strength, N

	stringStiffness float64 // N/m, pipe and elevators
	stringDamping   float64 // fraction of critical
	holeDrag        float64 // fraction of string weight

	drive   driveParams
	brake   brakeParams
	heat    heatParams
	aux     auxParams
	emerg   emergencyParams
	saver   saverParams
	ambient float64 // K
}

// around returns a value drawn about mean with standard deviation sd times
// spread, cut at 2.5 standard deviations and never below least.
func around(r *rand.Rand, mean, sd, spread, least float64) float64 {
	x := math.Max(-2.5, math.Min(2.5, r.NormFloat64()))
	return math.Max(least, mean+x*sd*spread)
}

func or(x, otherwise float64) float64 {
	if x > 0 {
		return x
	}
	return otherwise
}

// draw makes the plant that the rig file describes, off by what the file says
// is uncertain times spread. Spread 0 gives the file's own values.
func draw(rig *hoist.Rig, spread float64, r *rand.Rand) params {
	u := rig.Uncertainty
	p := params{
		rig:         rig,
		lines:       float64(rig.Reeving.Lines),
		lnK:         math.Log(around(r, rig.Reeving.SheaveFactor, 0.002, spread, 1.005)),
		sheaveVel:   0.02,
		inertia:     around(r, float64(rig.Drawworks.Drum.Inertia), float64(rig.Drawworks.Drum.Inertia)*or(u.Inertia, 0.02), spread, 1),
		blockMass:   float64(rig.TravellingMass),
		areaModulus: float64(rig.Line.ElasticModulus) * float64(rig.Line.MetallicArea) * around(r, 1, 0.03, spread, 0.5),
		legLength:   float64(rig.Line.FastLineLength) + float64(rig.Line.DeadLineLength),
		lineDamping: around(r, 0.05, 0.01, spread, 0.02),
		crown:       float64(rig.Mast.CrownHeight),
		breaking:    float64(rig.Line.BreakingStrength),

		stringStiffness: around(r, 6e6, 1e6, spread, 3e6),
		stringDamping:   0.08,
		holeDrag:        around(r, 0.03, 0.01, spread, 0),
		ambient:         or(float64(rig.Heat.Ambient), 293.15),
	}
	w := newWinding(rig.Drawworks.Drum, rig.Line)
	ref := rig.Reference
	if ref.Wraps == 0 { // no reference stated: the plant has one all the same
		ref.Wraps, ref.BlockHeight, ref.HookLoad = 12, rig.Mast.FloorLimit, units.Newton(p.blockMass*gravity)
	}
	p.refLine = w.lineAt(ref.Wraps)
	href := float64(ref.BlockHeight) + around(r, 0, 0.3*or(float64(u.Height), 0.03), spread, -1)
	p.hrefBare = href + float64(ref.HookLoad)/p.lineStiffness(href)
	p.drive = drawDrive(rig, w.radius[1], spread, r)
	p.brake = drawBrake(rig, spread, r)
	p.heat = drawHeat(rig, spread, r)
	p.aux = drawAux(rig, spread, r)
	p.emerg = drawEmergency(rig, spread, r)
	p.saver = saverParams{
		electric: float64(rig.Mast.CrownSaverTrip) + around(r, 0, 0.03, spread, -1),
		toggle:   float64(rig.Mast.CrownSaverTrip) + 0.4 + around(r, 0, 0.05, spread, -1),
	}
	return p
}

// lineStiffness returns the spring rate of the whole reeving seen at the block,
// N/m: k = n·E·A / (L + (L_fast + L_dead)/n), L the length of one part.
//
// Each part carries W/n and stretches by W·L/(n·E·A); the two legs carry the
// same pull and lend the block 1/n of their stretch. It holds for a taut line.
// Source: Hooke's law; the legs' share by virtual work.
func (p *params) lineStiffness(h float64) float64 {
	part := max(p.crown-h, 0) + p.legLength/p.lines
	return p.lines * p.areaModulus / part
}

// lineStiffnessSlope is dk/dh, N/m².
func (p *params) lineStiffnessSlope(h float64) float64 {
	if h >= p.crown {
		return 0
	}
	part := p.crown - h + p.legLength/p.lines
	return p.lines * p.areaModulus / (part * part)
}

// fastLineShare returns fast-line tension over hook load for sheaves turning
// with direction s, +1 raising at full loss, −1 lowering, 0 at rest.
//
//	F_f/W = (κ − 1)·κⁿ/(κⁿ − 1),  κ = K^s
//
// At s = 1 and −1 these are the raising and lowering forms, at s = 0 the limit
// is 1/n. Source: geometric series of tensions over n rolling sheaves.
func (p *params) fastLineShare(s float64) float64 {
	x := s * p.lnK
	if math.Abs(x) < 1e-5 {
		return 1/p.lines + x*(p.lines+1)/(2*p.lines)
	}
	kn := math.Exp(p.lines * x)
	return math.Expm1(x) * kn / (kn - 1)
}

// deadLineShare is dead-line tension over hook load, (κ − 1)/(κⁿ − 1).
func (p *params) deadLineShare(s float64) float64 {
	x := s * p.lnK
	if math.Abs(x) < 1e-5 {
		return 1/p.lines - x*(p.lines-1)/(2*p.lines)
	}
	return math.Expm1(x) / math.Expm1(p.lines*x)
}
