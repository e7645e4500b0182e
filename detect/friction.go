package detect

import "math"

// friction tracks the health of the lining: present friction over what it was at
// commissioning at the same temperature, from brake torque that the drum balance
// shows against brake torque that the pressure should give.
//
//	y = k φ + noise,  k a slow random walk
//	K = P φ/(φ² P + R),  k ← k + K (y − k φ),  P ← (1 − K φ) P
//
//	y   friction torque seen, from the drum balance     N·m
//	φ   torque that the pressure gives at health 1      N·m
//	k   health                                          –
//	P   variance of k;  R  variance of y                – ; (N·m)²
//
// One application of the brake is one piece of evidence however many frames it
// has, for its errors (load, acceleration, valve lag) stay: the frames of an
// application are averaged and taken when it ends, or each second of a long one.
// k is clipped to 0.1/0.4 … 0.7/0.4 of a lining of 0.4, the range of section 9.
//
// Source: PHYSICS sections 9 and 20; Kalman filter of one random-walk state.
type friction struct {
	k, p         float64
	applications int
	n            int     // frames of the present piece
	y, phi       float64 // sums over the present piece
	began        float64 // event time of the piece
	last         float64 // receipt of the newest evidence; NaN = none
}

const (
	healthStart = 0.15 * 0.15 // variance at commissioning: the trade's lining range 0.35 to 0.45
	healthWalk  = 0.01 * 0.01 // a piece of evidence
	// pieceNoise is one standard deviation of a piece's torque, of the pressure's torque.
	pieceNoise  = 0.08
	pieceFrames = 3
	pieceTime   = 1.0
	healthLow   = 0.25
	healthHigh  = 1.75
	// settledFor: evidence counts once the pressure has been on this long, s (valve lag).
	settledFor = 0.6
	z95        = 1.959963984540054 // two-sided 95 %
	// fadeHealth is the alarm mark on the interval's upper end (PHYSICS section 4).
	fadeHealth = 0.85
	fadeNeeds  = 2 // applications
)

func newFriction() friction { return friction{k: 1, p: healthStart, last: math.NaN()} }

// step takes one frame's balance; phi is the torque that the pressure gives at
// health 1.
func (f *friction) step(b *balance, seen, phi, t, now float64, pressedSince float64) {
	if !b.excited || t-pressedSince < settledFor || !(phi > 0) || !Known(seen) {
		f.close(now)
		return
	}
	if f.n == 0 {
		f.began = t
	}
	f.n++
	f.y += seen
	f.phi += phi
	if t-f.began >= pieceTime {
		f.close(now)
	}
}

// close takes the present piece of evidence into the estimate.
func (f *friction) close(now float64) {
	if f.n >= pieceFrames {
		y, phi := f.y/float64(f.n), f.phi/float64(f.n)
		f.p += healthWalk
		r := pieceNoise * phi * pieceNoise * phi
		gain := f.p * phi / (phi*phi*f.p + r)
		f.k = math.Max(healthLow, math.Min(healthHigh, f.k+gain*(y-f.k*phi)))
		f.p *= 1 - gain*phi
		f.applications++
		f.last = now
	}
	f.n, f.y, f.phi = 0, 0, 0
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
