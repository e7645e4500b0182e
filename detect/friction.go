package detect

import (
	"math"

	"hoistward/detect/hoist"
)

// friction tracks the health of the lining: present friction coefficient over what it
// was at commissioning at the same temperature, from the brake torque that the drum
// balance shows against the torque that the pressure should give.
//
//	y = T(p, k),  k a slow random walk
//	z = the k for which T(p, k) = y,  R = (σ_y / (dT/dk))²
//	K = P/(P + R),  k ← k + K (z − k),  P ← (1 − K) P + Q
//
//	y     friction torque seen, from the drum balance        N·m
//	T     torque of the brake at that pressure and health     N·m
//	k     health                                              –
//	P, R  variance of k and of its measurement                –
//	σ_y   of the balance and of the auxiliary brake's torque  N·m
//
// A disc's torque is proportional to k; a band's grows with e^{kμθ}, so that the same
// error of torque is a smaller error of k. One application of the brake is one piece
// of evidence however many frames it has, for its errors (load, acceleration, valve
// lag) stay: its frames are averaged and taken when it ends, or each second of a long
// one.
//
// Source: PHYSICS sections 9 and 20; Kalman filter of one random-walk state.
type friction struct {
	k, p         float64
	applications int
	n            int     // frames of the present piece
	z, noise     float64 // sums over the present piece: health seen, and its standard deviation
	fall         float64 // cumulative sum of the fall, standard deviations
	lastZ        float64 // newest piece
	lastSD       float64
	began        float64 // event time of the piece
}

const (
	healthStart = 0.15 * 0.15 // variance at commissioning: the trade's lining range 0.35 to 0.45
	freshStart  = 0.30 * 0.30 // variance when a lining turns out to be another one
	changeSlack = 0.5
	changeMark  = 2.5
	healthWalk  = 0.01 * 0.01 // a piece of evidence
	// pieceNoise is one standard deviation of a piece beside the balance's: valve lag,
	// the lining's own change with pressure and speed. healthSpread stands for a piece
	// that lies outside of what a lining can be.
	pieceNoise   = 0.04
	healthSpread = 0.3
	pieceFrames  = 3
	pieceTime    = 1.0
	healthLow    = 0.25
	healthHigh   = 1.75
	// settledFor: evidence counts once the pressure has been on this long, s (valve lag).
	settledFor = 0.6
	z95        = 1.959963984540054 // two-sided 95 %
	// fadeHealth is the alarm mark on the interval's upper end (PHYSICS section 4).
	fadeHealth = 0.85
	fadeNeeds  = 2 // applications
)

func newFriction() friction { return friction{k: 1, p: healthStart} }

// evidence is what one frame shows of the lining.
type evidence struct {
	health float64 // NaN = it shows nothing
	sd     float64
}

// step takes one frame's evidence at event time t.
func (f *friction) step(e evidence, t, pressedSince float64) {
	if !(t-pressedSince >= settledFor) || !Known(e.health) || !Known(e.sd) {
		f.close()
		return
	}
	if f.n == 0 {
		f.began = t
	}
	f.n++
	f.z += e.health
	f.noise += e.sd
	if t-f.began >= pieceTime {
		f.close()
	}
}

// close takes the present piece of evidence into the estimate.
func (f *friction) close() {
	if f.n >= pieceFrames {
		z, sd := f.z/float64(f.n), f.noise/float64(f.n)
		f.p += healthWalk
		if f.changed(z, sd) { // what was known before is of another lining
			f.p = freshStart
			f.take(f.lastZ, f.lastSD)
		}
		f.take(z, sd)
		f.lastZ, f.lastSD = z, sd
		f.applications++
	}
	f.n, f.z, f.noise = 0, 0, 0
}

func (f *friction) take(z, sd float64) {
	gain := f.p / (f.p + sd*sd)
	f.k = math.Max(healthLow, math.Min(healthHigh, f.k+gain*(z-f.k)))
	f.p *= 1 - gain
}

// changed tells whether the pieces have fallen below what was known for long enough
// that the lining is another one: a one-sided cumulative sum of the innovations in
// standard deviations, with slack changeSlack and mark changeMark. Two pieces of two
// standard deviations make one.
//
// Source: Page 1954, Biometrika 41:100 (from memory, not confirmed); marks chosen here.
func (f *friction) changed(z, sd float64) bool {
	f.fall = math.Max(0, f.fall-(z-f.k)/math.Sqrt(f.p+sd*sd)-changeSlack)
	if f.applications < fadeNeeds || f.fall < changeMark {
		return false
	}
	f.fall = 0
	return true
}

// lining returns what the frame's balance shows of the lining.
func (d *Detector) lining(b *balance, pressure float64) evidence {
	torque := func(k float64) float64 { return d.serviceTorque(pressure, k, hoist.Lowering) }
	seen := b.retarding - b.auxiliaryKnown
	lo, hi := healthLow, healthHigh
	if !(seen > torque(lo)) || !(seen < torque(hi)) {
		return evidence{health: math.Max(lo, math.Min(hi, seen/torque(1))), sd: healthSpread}
	}
	for range 30 { // the torque rises with k
		if mid := (lo + hi) / 2; torque(mid) < seen {
			lo = mid
		} else {
			hi = mid
		}
	}
	slope := (torque(lo+0.01) - torque(lo-0.01)) / 0.02
	sy := math.Hypot(balanceSpread*b.retarding, auxiliarySpread*b.auxiliaryKnown)
	return evidence{health: (lo + hi) / 2, sd: math.Hypot(sy/slope, pieceNoise)}
}

// health is the factor that the stop answers use: as commissioned until there is
// evidence.
func (f *friction) health() float64 {
	if f.applications == 0 {
		return 1
	}
	return f.k
}

func (f *friction) sd() float64 { return math.Sqrt(f.p) }

// interval is the 95 % interval of the health.
func (f *friction) interval() (low, high float64) {
	return math.Max(0, f.k-z95*f.sd()), f.k + z95*f.sd()
}

func (f *friction) judge() Finding {
	if f.applications < fadeNeeds {
		return undecided()
	}
	_, high := f.interval()
	if high < fadeHealth {
		return present(High, FrictionBelowExpected, high, fadeHealth, "")
	}
	return absent(high, fadeHealth, "")
}
