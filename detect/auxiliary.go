package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// auxiliary watches the brake that takes most of the lowering work (PHYSICS sections
// 6 and 21): what the drum balance shows of it against what its curve gives at this
// speed and excitation.
//
//	T_obs = T_retarding − T_friction
//	ratio = T_obs / T_curve(ω, i), learned while the friction brake is off
//
//	lost   T_obs below lostPart of ratio·T_curve, or of what it was a moment ago while
//	       the load speeds up, for lostTime, the drum above auxiliaryTurns
//	weak   ratio below weakPart of the curve, for weakTime, the excitation known
//
// The ratio stands for what the curve cannot know: coil temperature, water level,
// saturation, an excitation that is not measured. It is not learned from a brake that
// is failing.
type auxiliary struct {
	ratio   float64 // NaN = not learned
	learned int
	recent  float64 // greatest torque seen of it lately, fading
	lowFor  float64 // s since it went low
	weakFor float64
	lost    bool
	weak    bool
	obs     float64 // newest, N·m; NaN = cannot be seen now
	want    float64 // what it should be
}

const (
	auxiliaryTurns = 50 * 2 * math.Pi / 60 // rad/s: below, it gives little (PHYSICS section 6)
	lostPart       = 0.40
	lostTime       = 0.25 // s
	lostGain       = 0.12 // m/s²: the load speeds up
	recentFade     = 3.0  // s
	weakPart       = 0.70
	weakTime       = 3.0 // s
	// matters is the least part of the load's torque that the brake must have carried
	// for its loss to be one.
	matters      = 0.20
	ratioRate    = 0.1
	ratioEnough  = 5
	backPart     = 0.7 // of what it should be: it is back
	leastOfCurve = 0.02
)

func newAuxiliary() auxiliary { return auxiliary{ratio: math.NaN(), obs: math.NaN(), want: math.NaN()} }

// torque is what the brake should give at this speed, or not known.
func (d *Detector) auxiliaryTorque(omega, now float64, lowering bool) float64 {
	if d.rig.Auxiliary.Kind == hoist.NoAuxiliary || !lowering {
		return 0
	}
	curve, stated := d.auxiliaryCurve(omega, now)
	switch {
	case d.aux.learned >= ratioEnough:
		return curve * d.aux.ratio
	case stated:
		return curve
	}
	return NotKnown()
}

// auxiliaryCurve is the brake's torque by its curve, and whether its excitation is
// known; where it is not, full excitation is taken.
func (d *Detector) auxiliaryCurve(omega, now float64) (torque float64, stated bool) {
	a, c := d.rig.Auxiliary, &d.ins[ingest.AuxiliaryCurrent]
	excitation := 1.0
	if full := float64(a.FullCurrent); full > 0 && c.live(now) {
		excitation, stated = math.Max(0, math.Min(1, c.v/full)), true
	}
	return float64(a.Torque(units.RadianPerSecond(omega), excitation)), stated
}

// followAuxiliary takes one frame's balance.
func (d *Detector) followAuxiliary(b *balance, now, dt float64) {
	a := &d.aux
	a.recent *= math.Exp(-dt / recentFade)
	a.obs, a.want = math.NaN(), math.NaN()
	v := d.pos.motion.x[ixV]
	if v >= -stillSpeed || !d.load.loaded || b.omega < auxiliaryTurns || !Known(b.retarding) || d.rig.Auxiliary.Kind == hoist.NoAuxiliary {
		a.lowFor, a.weakFor = 0, 0
		if v > -stillSpeed {
			a.lost, a.weak = false, false
		}
		return
	}
	p := d.pressureFraction(now)
	if !Known(p) {
		return
	}
	grip := d.serviceTorque(p, d.friction.health(), hoist.Lowering)
	if p < pressed {
		grip = 0
	}
	a.obs = math.Max(0, b.retarding-grip)
	curve, stated := d.auxiliaryCurve(b.omega, now)
	a.want = a.recent
	if a.learned >= ratioEnough {
		a.want = math.Max(a.want, curve*a.ratio)
	}
	a.judgeLost(d.loadTorque(), -d.pos.motion.x[ixA], stated, dt)
	if p < pressed && !a.lost && curve > leastOfCurve*float64(d.rig.Auxiliary.PeakTorque) && a.obs > backPart*a.want {
		a.learn(a.obs / curve)
	}
	a.recent = math.Max(a.recent, a.obs)
	a.judgeWeak(curve, stated && p < pressed, dt)
}

func (d *Detector) loadTorque() float64 {
	return d.rig.Reeving.FastLineFactor(hoist.Lowering) * d.load.force * d.pos.radius()
}

func (a *auxiliary) learn(ratio float64) {
	if math.IsNaN(a.ratio) {
		a.ratio = ratio
	}
	a.ratio += ratioRate * (ratio - a.ratio)
	a.learned++
}

func (a *auxiliary) judgeLost(load, gain float64, stated bool, dt float64) {
	low := a.want > matters*load && a.obs < lostPart*a.want && (gain > lostGain || stated && a.lost)
	switch {
	case low:
		a.lowFor += dt
		a.lost = a.lost || a.lowFor >= lostTime
	case a.obs > backPart*a.want:
		a.lowFor, a.lost = 0, false
	default:
		a.lowFor = 0
	}
}

func (a *auxiliary) judgeWeak(curve float64, seen bool, dt float64) {
	switch {
	case !seen || a.lost || curve <= 0:
		a.weakFor = 0
	case a.obs < weakPart*curve:
		a.weakFor += dt
		a.weak = a.weak || a.weakFor >= weakTime
	default:
		a.weakFor, a.weak = 0, false
	}
}

func (d *Detector) judgeAuxiliaryLost() Finding {
	a := &d.aux
	switch {
	case d.rig.Auxiliary.Kind == hoist.NoAuxiliary:
		return undecided()
	case a.lost:
		return present(Emergency, AuxiliaryGone, a.obs/1e3, a.want/1e3, "kN.m")
	case Known(a.obs):
		return absent(a.obs/1e3, a.want/1e3, "kN.m")
	}
	return absent(NotKnown(), NotKnown(), "kN.m")
}

func (d *Detector) judgeAuxiliaryWeak() Finding {
	a := &d.aux
	switch {
	case d.rig.Auxiliary.Kind == hoist.NoAuxiliary:
		return undecided()
	case a.weak && !a.lost:
		return present(High, AuxiliaryBelowCurve, a.obs/1e3, NotKnown(), "kN.m")
	}
	return absent(NotKnown(), NotKnown(), "kN.m")
}
