package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Defaults of a two-node brake where a rig file does not say; assumptions, to be
// replaced by data of the disc: a ring of 40 % of the mass, and a time to even out with
// which a steady power lifts the ring over the mean as it does the face of a slab of iron,
// q L/(3 k) over a half thickness L of 25 mm:
//
//	t_x = s/(1 − s) L²/(3 α),  L²/α = 42 s
//
// Source: slab under a steady flux, insulated behind (any text on heat conduction).
const (
	standardRingShare    = 0.40
	standardExchangeTime = standardRingShare / (1 - standardRingShare) * 42.0 / 3 // 9.3 s
)

// waterHeat is the specific heat of water, 4186 J/(kg·K), its density 1000 kg/m³.
const waterHeat = 4186.0 * 1000

// TwoNode is a brake of two temperatures: the friction ring that takes the heat,
// and the body behind it.
//
//	C_r dT_r/dt = P − G (T_r − T_b) − h_r A_r (T_r − T0)
//	C_b dT_b/dt = G (T_r − T_b) − h_b A_b (T_b − T0) − ṁ c_w η (T_b − T_w)
//
//	P         heat made by friction, torque times drum speed   W
//	C_r, C_b  heat capacity of ring and body, share s and 1 − s of m c   J/K
//	G         conductance between them, m c s (1 − s)/t_x      W/K
//	t_x       time in which they even out                      s
//	h         [Convection] + [Radiation]                       W/(m²·K)
//	A_r, A_b  half of the cooling area each                    m²
//	ṁ c_w     heat capacity flow of the water, 0 without       W/K
//	η         share of it that exchanges, T_w its inlet        –, K
//
// Make it with [NewTwoNode]. The flash of the very surface within a stop comes on
// top; see [SurfaceFlash].
//
// Source: heat balance; shares are assumptions, stated beside their constants.
type TwoNode struct {
	Ring, Body units.Kelvin
	Ambient    units.Kelvin
	WaterInlet units.Kelvin
	WaterFlow  units.CubicMetrePerSecond
	cr, cb, g  float64
	area       float64
	emissivity float64
	radius     units.Metre
}

// waterExchange is the share of the water's heat capacity flow that takes part.
const waterExchange = 0.5

// NewTwoNode returns the rig's brake at one starting temperature throughout.
func NewTwoNode(r *Rig, start units.Kelvin) TwoNode {
	l := NewLumped(r, start)
	s, tx := r.Heat.RingShare, float64(r.Heat.ExchangeTime)
	if !(s > 0 && s < 1) {
		s = standardRingShare
	}
	if !(tx > 0) {
		tx = standardExchangeTime
	}
	return TwoNode{
		Ring: start, Body: start, Ambient: l.Ambient, WaterInlet: l.Ambient,
		WaterFlow: r.Heat.WaterFlow,
		cr:        l.capacity * s, cb: l.capacity * (1 - s), g: l.capacity * s * (1 - s) / tx,
		area: l.area / 2, emissivity: l.emissivity, radius: l.radius,
	}
}

// Capacity returns the heat capacity m c, J/K.
func (n *TwoNode) Capacity() float64 { return n.cr + n.cb }

// TimeConstant returns m c over what carries off heat at the present temperatures and a
// drum speed; +Inf where nothing cools.
func (n *TwoNode) TimeConstant(speed units.RadianPerSecond) units.Second {
	ring, body := n.losses(speed)
	return units.Second(n.Capacity() / (ring + body))
}

// Mean returns the temperature that the brake evens out to.
func (n *TwoNode) Mean() units.Kelvin {
	return units.Kelvin((float64(n.Ring)*n.cr + float64(n.Body)*n.cb) / (n.cr + n.cb))
}

// Step moves the brake on by dt with a heating power and a drum speed and returns
// the ring's temperature. With dt not above 0 or an input not known nothing
// changes.
func (n *TwoNode) Step(power units.Watt, speed units.RadianPerSecond, dt units.Second) units.Kelvin {
	p := float64(power)
	if !(dt > 0) || math.IsNaN(p) || math.IsInf(p, 0) || math.IsNaN(float64(speed)) || !(n.cr > 0) {
		return n.Ring
	}
	for left := min(float64(dt), 1e7); left > 0; {
		h := min(left, n.longest(p, speed))
		mid := *n
		mid.exact(n, p, speed, h/2)
		n.exact(&mid, p, speed, h)
		left -= h
	}
	return n.Ring
}

// longest returns a step over which the coefficients change little.
func (n *TwoNode) longest(p float64, speed units.RadianPerSecond) float64 {
	hr, hb := n.losses(speed)
	slow := 0.2 * (n.cr + n.cb) / max(hr+hb, 1e-9)
	rate := math.Abs(p)/n.cr + math.Abs(float64(n.Ring-n.Body))*n.g/n.cr
	if rate > 0 {
		slow = min(slow, max(15/rate, 0.02*slow))
	}
	return slow
}

// losses returns h A of ring and of body with its water, W/K.
func (n *TwoNode) losses(speed units.RadianPerSecond) (ring, body float64) {
	c := Convection(speed, n.radius)
	ring = float64(c+Radiation(n.emissivity, n.Ring, n.Ambient)) * n.area
	body = float64(c+Radiation(n.emissivity, n.Body, n.Ambient))*n.area +
		waterExchange*waterHeat*float64(n.WaterFlow)
	return ring, body
}

// exact moves n on by dt with the coefficients as they are at the state at, by the
// solution of the two linear equations.
func (n *TwoNode) exact(at *TwoNode, p float64, speed units.RadianPerSecond, dt float64) {
	hr, hb := at.losses(speed)
	water := waterExchange * waterHeat * float64(n.WaterFlow)
	a, b := -(n.g+hr)/n.cr, n.g/n.cr
	c, d := n.g/n.cb, -(n.g+hb)/n.cb
	inR := p / n.cr
	inB := water * float64(n.WaterInlet-n.Ambient) / n.cb
	x, y := float64(n.Ring-n.Ambient), float64(n.Body-n.Ambient)
	half := math.Sqrt((a-d)*(a-d)/4 + b*c)
	l1, l2 := (a+d)/2+half, (a+d)/2-half
	e1, e2 := math.Exp(l1*dt), math.Exp(l2*dt)
	f1, f2 := grown(l1, dt), grown(l2, dt)
	// e^{At} = [e1 (A − l2 I) − e2 (A − l1 I)]/(l1 − l2), its integral alike.
	apply := func(w1, w2, u, v float64) (float64, float64) {
		k := (w1 - w2) / (l1 - l2)
		s := (w2*l1 - w1*l2) / (l1 - l2)
		return (k*a+s)*u + k*b*v, k*c*u + (k*d+s)*v
	}
	x1, y1 := apply(e1, e2, x, y)
	x2, y2 := apply(f1, f2, inR, inB)
	n.Ring, n.Body = n.Ambient+units.Kelvin(x1+x2), n.Ambient+units.Kelvin(y1+y2)
}

// grown returns ∫ e^{l t} dt over dt.
func grown(l, dt float64) float64 {
	if math.Abs(l*dt) < 1e-12 {
		return dt
	}
	return math.Expm1(l*dt) / l
}
