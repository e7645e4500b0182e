package detect

import (
	"math"

	"hoistward/ingest"
)

// gaugeZero learns what the brake's pressure gauge shows with the brake off: while the
// drive hoists. A gauge shows nothing below none, so its noise about a zero near none is
// cut off, and its mean alone would say too much. From the share of readings above none
// and the mean of all:
//
//	a = Φ⁻¹(share);  σ = mean/(a Φ(a) + φ(a));  zero = a σ
//
//	Φ, φ  normal distribution and its density
//	σ     noise of one reading, of full
//
// Readings above zeroMost are a driller's hand on the brake, not a zero. Where hardly any
// reading is above none the zero is below none by an unknown bit, and none is taken.
//
// Source: mean of a normal variable cut off at 0 (Tobin 1958, from memory, not
// confirmed).
type gaugeZero struct {
	n, above, sum float64
	zero, spread  float64 // of full
	excess        float64 // mean of the readings over the zero with the brake off, of full
}

const (
	zeroMost    = 0.06
	zeroEnough  = 40  // readings
	zeroForgets = 600 // readings
	zeroShare   = 0.05
	zeroSure    = 0.25   // share of readings above none below which the zero is a guess
	zeroLowest  = -0.012 // of full: further below none it cannot be told from there
	zeroHoists  = 0.2    // m/s
	zeroSlows   = -0.05  // m/s²: below, the brake may help
	// zeroSpread is what stays unknown of a learned zero, of full.
	zeroSpread = 0.003
)

// followZero takes the present pressure where the brake must be off.
func (d *Detector) followZero(now float64) {
	g, e := &d.gauge, &d.ins[ingest.DriveEngaged]
	p := d.pressureFraction(now)
	if !d.ins[ingest.BrakePressure].fresh || !Known(p) || p > zeroMost ||
		!e.live(now) || e.v == 0 || d.pos.motion.x[ixV] < zeroHoists || d.pos.motion.x[ixA] < zeroSlows || !d.moving(now) {
		return
	}
	if g.n >= zeroForgets {
		g.n, g.above, g.sum = g.n/2, g.above/2, g.sum/2
	}
	g.n++
	g.sum += p
	if p > 0 {
		g.above++
	}
	if int(g.n)%zeroEnough == 0 {
		g.learn()
	}
}

func (g *gaugeZero) learn() {
	share, mean := g.above/g.n, g.sum/g.n
	if share < zeroShare {
		g.excess = mean - g.zero
		return
	}
	g.excess = 0
	g.zero, g.spread = mean, zeroSpread
	if share > 0.995 {
		return
	}
	a := math.Sqrt2 * math.Erfinv(2*share-1)
	normal := 0.5 * math.Erfc(-a/math.Sqrt2)
	sigma := mean / (a*normal + math.Exp(-a*a/2)/math.Sqrt(2*math.Pi))
	g.zero = max(a*sigma, zeroLowest)
	g.spread = math.Hypot(zeroSpread, sigma/math.Sqrt(g.n*share))
	if share < zeroSure {
		g.spread = max(g.spread, gaugeSpread)
	}
	g.excess = mean - g.zero
}
