package detect

import "math"

// grid follows the even beat of a slow source whose stamps stray: loggers that
// sample once a second often stamp a reading when they come to write it. Where
// stamps stray, the beat is the better time: a metre gained in "0.1 s" is a second's
// travel with a bad stamp, not 10 m/s.
//
// The beat is a phase lock: each stamp is expected one period after the last beat
// and pulls it by a tenth of its error. A stamp further off than three quarters of a
// period is a missed reading (the beat skips whole periods) or, if that does not fit
// either, a new beat.
type grid struct {
	seen   int
	first  float64 // stamp of the first reading since the beat was begun
	last   float64 // newest stamp
	beat   float64 // newest beat
	period float64 // s
	stray  float64 // mean distance of stamps from their beat, s
}

const (
	gridLeast  = 0.5  // s, faster sources are taken at their stamps
	gridPull   = 0.10 // of the error, a reading
	gridReach  = 0.75 // of a period: a stamp that still belongs to its beat
	gridEnough = 8    // readings until the period is trusted
	gridStray  = 0.05 // of a period: stamps that keep closer are exact, and are used
)

// time returns the time that a reading stamped t bears.
func (g *grid) time(t float64) float64 {
	if g.seen == 0 || t-g.last > 5*max(g.period, gridLeast) {
		*g = grid{seen: 1, first: t, last: t, beat: t}
		return t
	}
	g.seen++
	g.last = t
	if g.seen <= gridEnough {
		g.period = (t - g.first) / float64(g.seen-1)
		g.beat = t
		return t
	}
	due := g.beat + g.period
	if e := t - due; e > gridReach*g.period {
		due += math.Round(e/g.period) * g.period
	}
	e := t - due
	g.stray += 0.05 * (math.Abs(e) - g.stray)
	g.beat = due + gridPull*e
	g.period += 0.01 * e
	if g.period < gridLeast || g.stray < gridStray*g.period || g.beat <= t-2*g.period {
		return t
	}
	return g.beat
}
