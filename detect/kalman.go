package detect

import "math"

// motion is the block's height, velocity and acceleration and the height
// sensor's offset against the drum, estimated together.
//
//	state      [h m, v m/s, a m/s², b m]
//	dynamics   ḣ = v, v̇ = a, a = white jerk of density q with memory tau
//	measures   drum height h, drum velocity v, sensor height h + b
//
// The covariance is kept in Joseph form, (1−KH)P(1−KH)ᵀ + KRKᵀ, which stays
// symmetric and positive for any gain. Measurements are taken one at a time, each
// with its own gate.
//
// Source: Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking
// and Navigation, sections 6.2 and 7.4 (from memory, not confirmed); property
// tests hold the covariance and the step response.
type motion struct {
	x [4]float64
	p [4][4]float64
}

const (
	ixH = iota
	ixV
	ixA
	ixB
)

// jerkMemory is the time for which an acceleration is taken to go on, s: about
// the time in which a driller or a brake changes it (common practice).
const jerkMemory = 1.5

// offsetDrift is the random walk of the sensor's offset, m²/s: 1 mm in a second,
// which follows a warming sensor but not a slipped line.
const offsetDrift = 1e-6

// start sets the state to a block at rest at h, known to sd.
func (m *motion) start(h, sd float64) {
	m.x = [4]float64{h, 0, 0, 0}
	m.p = [4][4]float64{}
	m.p[ixH][ixH] = sd * sd
	m.p[ixV][ixV] = 1
	m.p[ixA][ixA] = 1
}

// predict carries the state dt seconds on; q is the jerk density, m²/s⁵.
func (m *motion) predict(dt, q float64) {
	fade := math.Exp(-dt / jerkMemory)
	d2 := dt * dt / 2
	x := m.x
	m.x[ixH] = x[ixH] + x[ixV]*dt + x[ixA]*d2
	m.x[ixV] = x[ixV] + x[ixA]*dt
	m.x[ixA] = x[ixA] * fade
	f := [3][3]float64{{1, dt, d2}, {0, 1, dt}, {0, 0, fade}}
	var fp [4][4]float64
	for i := range 3 {
		for j := range 4 {
			for k := range 3 {
				fp[i][j] += f[i][k] * m.p[k][j]
			}
		}
	}
	fp[ixB] = m.p[ixB]
	var p [4][4]float64
	for i := range 4 {
		for j := range 3 {
			for k := range 3 {
				p[i][j] += fp[i][k] * f[j][k]
			}
		}
		p[i][ixB] = fp[i][ixB]
	}
	m.p = p
	m.addJerk(dt, q)
	m.p[ixB][ixB] += offsetDrift * dt
}

func (m *motion) addJerk(dt, q float64) {
	t2 := dt * dt
	t3 := t2 * dt
	qs := [3][3]float64{
		{t3 * t2 / 20, t2 * t2 / 8, t3 / 6},
		{t2 * t2 / 8, t3 / 3, t2 / 2},
		{t3 / 6, t2 / 2, dt},
	}
	for i := range 3 {
		for j := range 3 {
			m.p[i][j] += q * qs[i][j]
		}
	}
}

// innovation returns what z adds to what is known and its variance, for the
// measurement row h and noise variance r.
func (m *motion) innovation(h [4]float64, z, r float64) (nu, s float64) {
	nu, s = z, r
	for i := range 4 {
		nu -= h[i] * m.x[i]
		s += h[i] * (m.p[i][0]*h[0] + m.p[i][1]*h[1] + m.p[i][2]*h[2] + m.p[i][3]*h[3])
	}
	return nu, s
}

// update takes measurement z of row h with noise variance r. 1 − KH is one matrix of
// rank one away from unity, so that each of the products of the Joseph form is a column
// times a row: (1−KH)P = P − K(HP), and that times (1−KH)ᵀ alike.
func (m *motion) update(h [4]float64, z, r float64) {
	nu, s := m.innovation(h, z, r)
	if !(s > 0) {
		return
	}
	p := &m.p
	h0, h1, h3 := h[0], h[1], h[3] // no row measures the acceleration
	per := 1 / s
	k0 := (p[0][0]*h0 + p[0][1]*h1 + p[0][3]*h3) * per
	k1 := (p[1][0]*h0 + p[1][1]*h1 + p[1][3]*h3) * per
	k2 := (p[2][0]*h0 + p[2][1]*h1 + p[2][3]*h3) * per
	k3 := (p[3][0]*h0 + p[3][1]*h1 + p[3][3]*h3) * per
	m.x[0] += k0 * nu
	m.x[1] += k1 * nu
	m.x[2] += k2 * nu
	m.x[3] += k3 * nu
	for j := range 4 {
		hp := h0*p[0][j] + h1*p[1][j] + h3*p[3][j]
		p[0][j] -= k0 * hp
		p[1][j] -= k1 * hp
		p[2][j] -= k2 * hp
		p[3][j] -= k3 * hp
	}
	k := [4]float64{k0, k1, k2, k3}
	for i := range 4 {
		row := &p[i]
		by := k[i]*r - (row[0]*h0 + row[1]*h1 + row[3]*h3)
		row[0] += by * k0
		row[1] += by * k1
		row[2] += by * k2
		row[3] += by * k3
	}
}

func (m *motion) sd(i int) float64 { return math.Sqrt(max(0, m.p[i][i])) }

var (
	rowHeight   = [4]float64{1, 0, 0, 0}
	rowVelocity = [4]float64{0, 1, 0, 0}
	rowSensor   = [4]float64{1, 0, 0, 1}
)
