package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// excitation learns what the auxiliary brake really gives over what its curve says, by
// its excitation, from spans of lowering with the friction brake off. The curve cannot
// know how the iron saturates, how warm the coil is, or how full the water; friction
// health needs what stands beside it better than that.
//
//	T = c(x)·T_curve(ω, x),   c piecewise linear between excitationNodes nodes
//	z = hᵀc + e;  K = P h/(hᵀP h + R);  c ← c + K (z − hᵀc);  P ← P − K hᵀP
//
//	c  torque over the curve's at each node                     –
//	h  weights of the two nodes about the present x             –
//	z  torque of a span over the curve's                        –
//	R  its variance
//
// At first c is 1 at full excitation and excess more at none, for saturated iron gives
// more at part current than current squared says; it is known as priorFull and
// priorPart tell. Where the excitation is not measured there is one unknown, the lever
// itself: all nodes are one, known to lie between none and full, and forgotten within
// seconds.
//
// Source: Kalman filter of a function by its values at nodes (linear interpolation);
// prior chosen here from what hoist.AuxiliaryBrake.Torque leaves out.
type excitation struct {
	stated bool // it is measured
	c      [excitationNodes]float64
	p      [excitationNodes][excitationNodes]float64
}

const (
	excitationNodes = 5
	excess          = 0.30 // at no excitation, eddy current
	priorFull       = 0.06 // one standard deviation, all nodes together
	priorPart       = 0.40 // of the slope
	priorNode       = 0.03 // of a node by itself
	// excitationWalk is how c wanders with the brake's temperature, 1/√s: 8 % in ten
	// minutes (coil copper gains 0.4 % of resistance a kelvin, less its regulator).
	excitationWalk = 0.003
	// leverWalk is how a lever that nobody measures moves, 1/√s.
	leverWalk = 0.15
	leverMean = 0.5
	leverSD   = 0.5
)

func newExcitation(rig *hoist.Rig, stated bool) excitation {
	e := excitation{stated: stated}
	if !stated {
		e.unmeasured()
		return e
	}
	more := 0.0
	if rig.Auxiliary.Kind == hoist.EddyCurrent {
		more = excess
	}
	for i := range excitationNodes {
		u := 1 - nodeAt(i)
		e.c[i] = 1 + more*u
		for j := range excitationNodes {
			w := 1 - nodeAt(j)
			e.p[i][j] = priorFull*priorFull + priorPart*priorPart*u*w
		}
		e.p[i][i] += priorNode * priorNode
	}
	return e
}

func nodeAt(i int) float64 { return float64(i) / (excitationNodes - 1) }

// unmeasured makes of it a lever of which nothing is known.
func (e *excitation) unmeasured() {
	for i := range excitationNodes {
		e.c[i] = leverMean
		for j := range excitationNodes {
			e.p[i][j] = leverSD * leverSD
		}
	}
}

// weights returns the nodes about x, i and i+1, and the second one's weight.
func weights(x float64) (i int, w float64) {
	s := max(0, min(1, x)) * (excitationNodes - 1)
	i = min(int(s), excitationNodes-2)
	return i, s - float64(i)
}

// at returns c at excitation x and its variance.
func (e *excitation) at(x float64) (c, variance float64) {
	i, w := weights(x)
	v := 1 - w
	c = v*e.c[i] + w*e.c[i+1]
	return c, v*v*e.p[i][i] + 2*v*w*e.p[i][i+1] + w*w*e.p[i+1][i+1]
}

// age lets it wander for dt seconds, and begins anew where the excitation comes to be
// measured or no longer is.
func (e *excitation) age(rig *hoist.Rig, dt float64, stated bool) {
	if stated != e.stated {
		*e = newExcitation(rig, stated)
	}
	q := excitationWalk * excitationWalk * dt
	if !stated {
		q = leverWalk * leverWalk * dt
	}
	if e.p[0][0] > leverSD*leverSD {
		return
	}
	for i := range excitationNodes {
		for j := range excitationNodes {
			e.p[i][j] += q
		}
	}
}

// learn takes a span at excitation x that showed z times the curve's torque.
func (e *excitation) learn(x, z, variance float64) {
	i, w := weights(x)
	v := 1 - w
	var ph [excitationNodes]float64
	for k := range excitationNodes {
		ph[k] = v*e.p[k][i] + w*e.p[k][i+1]
	}
	s := v*ph[i] + w*ph[i+1] + variance
	nu := z - (v*e.c[i] + w*e.c[i+1])
	if !(s > 0) || math.IsNaN(nu) || math.IsInf(nu, 0) {
		return
	}
	for k := range excitationNodes {
		e.c[k] += ph[k] / s * nu
		for m := range excitationNodes {
			e.p[k][m] -= ph[k] * ph[m] / s
		}
	}
}

// excited returns the auxiliary brake's excitation, 0 to 1, and whether it is measured;
// where it is not, 1 stands for it.
func (d *Detector) excited(now float64) (x float64, stated bool) {
	c, full := &d.ins[ingest.AuxiliaryCurrent], float64(d.rig.Auxiliary.FullCurrent)
	if full > 0 && c.live(now) {
		return max(0, min(1, c.v/full)), true
	}
	return 1, false
}
