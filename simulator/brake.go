package simulator

import (
	"math"
	"math/rand/v2"

	"hoistward/detect/hoist"
)

type brakeParams struct {
	kind      hoist.BrakeKind
	friction  float64 // cold, at reference pressure and speed
	pExponent float64 // friction ∝ p^pExponent
	vExponent float64 // friction ∝ V^vExponent
	warm      float64 // rise of friction from cold to 120 °C, as a share
	fade      hoist.FadeCurve
	fadeShift float64 // K, this lining fades hotter by this much
	area      float64 // of all pistons, both sides, m²
	radius    float64 // m
	full      float64 // Pa
	dead      float64 // s
	slew      float64 // s, of the valve from nothing to full
	lag       float64 // s, of pressure behind the valve
	bands     float64
	wrap      float64 // rad
	tension   float64 // N, slack end of one band at full effort
	rubbing   float64 // m/s at the lining at which friction holds
}

func drawBrake(rig *hoist.Rig, spread float64, r *rand.Rand) brakeParams {
	s, u := rig.Service, rig.Uncertainty
	rise := around(r, float64(s.RiseTime), or(float64(u.RiseTime), 0.05), spread, 0.05)
	return brakeParams{
		kind:      s.Kind,
		friction:  around(r, s.Friction, or(u.Friction, 0.03), 0.8*spread, 0.1),
		pExponent: around(r, -0.02, 0.02, spread, -0.1),
		vExponent: around(r, -0.01, 0.015, spread, -0.1),
		warm:      around(r, 0.03, 0.01, spread, 0),
		fade:      s.Fade,
		fadeShift: around(r, 0, 10, spread, -30),
		area:      2 * float64(s.PistonArea) * float64(s.Calipers),
		radius:    or(float64(s.EffectiveRadius), 0.6),
		full:      float64(s.FullPressure),
		dead:      around(r, float64(s.DeadTime), or(float64(u.DeadTime), 0.05), spread, 0.02),
		slew:      0.75 * rise,
		lag:       0.14 * rise,
		bands:     float64(s.Bands),
		wrap:      s.WrapAngle,
		tension:   float64(s.LiveTension),
		rubbing:   12,
	}
}

// lining is what has become of the friction material.
type lining struct {
	oil    float64 // friction left with oil on the disc, 1 = dry
	glaze  float64 // friction left by glazing, 1 = none
	worn   float64 // m of lining worn off
	gap    float64 // s of pad travel still open: knock-back
	knock  float64 // s, gap made each time the brake is off, fault
	factor float64 // fault: friction times this
}

// friction is this plant's lining law:
//
//	μ = μ₀ · (p/p_r)^a · (V/V_r)^b · warm(T) · fade(T) · state
//
//	p   lining pressure, p_r 0.6 of full        Pa
//	V   rubbing speed, V_r 12, at least 0.5      m/s
//	T   temperature of the friction ring         K
//	a, b  −0.10 to 0.04, drawn by seed
//
// The power law in p and V holds between 0.05 and 1.1 of full pressure; outside
// it is cut there. Below 0.5 m/s the speed term stays. Fade follows the lining's
// curve with its corners rounded over ±25 K.
//
// Source: form F = k·Pᵃ·Vᵇ, SAE 740415; the constants are this project's own.
func (b *brakeParams) coefficient(p, v, temp float64, l *lining) float64 {
	var f frictionLaw
	return f.coefficient(b, p, v, temp, l)
}

// frictionLaw is brakeParams.coefficient with its parts kept: what has not moved is
// not worked out again, and the answer is the same to the bit.
type frictionLaw struct {
	x, y, temp  float64 // that the parts are of
	byX, byY    float64 // exponent from pressure and from speed
	cold        float64 // friction by both
	warm, faded float64 // factors of the temperature
}

func (f *frictionLaw) coefficient(b *brakeParams, p, v, temp float64, l *lining) float64 {
	x := max(0.05, min(1.1, p/b.full)) / 0.6
	y := max(0.5, v) / b.rubbing
	if x != f.x || y != f.y {
		if x != f.x {
			f.x, f.byX = x, b.pExponent*math.Log(x)
		}
		if y != f.y {
			f.y, f.byY = y, b.vExponent*math.Log(y)
		}
		f.cold = b.friction * math.Exp(f.byX+f.byY)
	}
	if temp != f.temp {
		f.temp = temp
		f.warm = 1 + b.warm*(min(1, max(0, (temp-293)/100))-0.5)
		f.faded = b.fadeAt(temp)
	}
	return f.cold * f.warm * f.faded * l.oil * l.glaze * l.factor
}

func (b *brakeParams) fadeAt(temp float64) float64 {
	t := temp - b.fadeShift
	return (curveAt(b.fade, t-25) + 2*curveAt(b.fade, t) + curveAt(b.fade, t+25)) / 4
}

func curveAt(c hoist.FadeCurve, t float64) float64 {
	if len(c) == 0 {
		return 1
	}
	if t <= float64(c[0].Temperature) {
		return c[0].Factor
	}
	for i := 1; i < len(c); i++ {
		a, b := c[i-1], c[i]
		if t < float64(b.Temperature) {
			f := (t - float64(a.Temperature)) / float64(b.Temperature-a.Temperature)
			return a.Factor + f*(b.Factor-a.Factor)
		}
	}
	return c[len(c)-1].Factor
}

// torque returns what the service brake can resist at pressure p, N·m, against
// turning in direction dir (+1 winding in, −1 paying out).
//
// Discs: T = μ·p·A·r. Bands: T = n·F·(e^{μθ} − 1)·R paying out, where the band
// wraps itself tighter, and n·F·(1 − e^{−μθ})·R winding in.
// Source: belt-friction equation (Euler-Eytelwein).
func (b *brakeParams) torque(mu, p, dir float64) float64 {
	if b.kind == hoist.BandBrake {
		f := b.bands * b.tension * p / b.full
		if dir < 0 {
			return f * math.Expm1(mu*b.wrap) * b.radius
		}
		return -f * math.Expm1(-mu*b.wrap) * b.radius
	}
	return mu * p * b.area * b.radius
}

// hydraulics carries the driller's lever to the pads: dead time, a valve that
// can move only so fast, a line that lags, a supply that can leak.
type hydraulics struct {
	delay    []float64 // lever positions still on their way
	at       int
	valve    float64 // Pa
	pressure float64 // Pa at the pads
	supply   float64 // share of full pressure that the supply can give
	leak     float64 // share lost a second, fault
	slow     float64 // fault: valve and lag times this, 1 = sound
}

func newHydraulics(dead, dt float64) hydraulics {
	return hydraulics{delay: make([]float64, max(1, int(math.Round(dead/dt)))), supply: 1, slow: 1}
}

func (h *hydraulics) step(b *brakeParams, dt, lever float64, l *lining) {
	h.supply = max(0, h.supply-h.leak*dt)
	arrived := h.delay[h.at]
	h.delay[h.at] = lever
	h.at++
	if h.at == len(h.delay) {
		h.at = 0
	}
	target := min(arrived, h.supply) * b.full
	if arrived < 0.02 {
		l.gap = l.knock
	} else if l.gap > 0 {
		l.gap -= dt
		target = min(target, 0.03*b.full)
	}
	if h.valve == target && h.pressure == target {
		return
	}
	move := b.full / (b.slew * h.slow) * dt
	h.valve += max(-move, min(move, target-h.valve))
	h.pressure += (h.valve - h.pressure) * min(1, dt/(b.lag*h.slow))
}

type emergencyParams struct {
	torque   float64 // N·m at full spring force and cold friction
	release  float64 // Pa
	dead     float64 // s
	exhaust  float64 // s
	recharge float64 // s
}

func drawEmergency(rig *hoist.Rig, spread float64, r *rand.Rand) emergencyParams {
	e := rig.Emergency
	mu := around(r, e.Friction, or(rig.Uncertainty.Friction, 0.03), 0.8*spread, 0.1)
	return emergencyParams{
		torque:   2 * mu * float64(e.SpringForce) * float64(e.EffectiveRadius) * float64(e.Calipers),
		release:  float64(e.ReleasePressure),
		dead:     around(r, 0.25, 0.03, spread, 0.1),
		exhaust:  0.12,
		recharge: 0.8,
	}
}

// emergency is the set of spring-set, pressure-released calipers.
type emergency struct {
	pressure float64 // Pa
	asked    float64 // s since they were told to set
	drag     float64 // fault: share of spring force that always rubs
	lost     bool    // fault: release pressure gone
}

func (e *emergency) step(p *emergencyParams, dt float64, set bool) {
	if p.torque == 0 {
		return
	}
	if set || e.lost {
		e.asked += dt
		if e.asked > p.dead {
			e.pressure -= e.pressure * min(1, dt/p.exhaust)
		}
		return
	}
	e.asked = 0
	if e.pressure != p.release {
		e.pressure += (p.release - e.pressure) * min(1, dt/p.recharge)
	}
}

func (e *emergency) grip(p *emergencyParams) float64 {
	if p.torque == 0 {
		return 0
	}
	return max(e.drag, 1-e.pressure/p.release) * p.torque
}
