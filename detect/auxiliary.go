package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// auxiliary watches the brake that takes most of the lowering work (PHYSICS sections
// 6 and 21): what the drum balance shows of it against what it gave a moment ago, and,
// where its excitation is known, against what its curve gives at this speed.
//
//	T_obs  = T_retarding − T_friction
//	T_want = max(T_recent, min(ratio, 1)·T_curve(ω, i) where i is known)
//
//	lost   T_obs below lostPart of T_want, the load speeding up, for lostTime;
//	       or T_retarding falls, by more than the friction brake's letting off explains,
//	       by suddenPart of the load's torque and fellOf of T_obs within the last second
//	weak   T_obs below weakPart of the curve, for weakTime, the excitation known
//
//	T_retarding  all that retards, by the drum balance             N·m
//	T_friction   of the friction brake at its pressure and health  N·m
//	T_recent     greatest T_obs of the last seconds, filtered, at the present load   N·m
//	ratio        T_obs/T_curve, learned while the friction brake is off
//
// The ratio stands for what the curve cannot know: coil temperature, water level,
// saturation. It is not learned from a brake that is failing, and it is evidence only
// where the excitation is measured: without, the driller's own easing of the lever
// would look like a loss. A lever that is eased lets the load speed up a little; a
// brake that is lost lets it fall. A sudden fall counts where the driller cannot have
// made it: the coil's current has not fallen, or it is a water brake, whose filling
// takes seconds to change. It needs no knowledge of the lining: only what changed.
//
// A load that bounces on its line shakes the balance by as much as a small loss: the fall
// must stand out of how the share wavered until half a second before.
//
// It is judged with a string on the hook: what the block alone weighs, layer changes shake.
//
// Evidence: drum speed or counts, hook load, brake pressure; coil current sharpens it.
type auxiliary struct {
	ratio   float64 // NaN = not learned
	learned int
	mean    braking    // filtered
	recent  braking    // that of the last seconds in which this brake gave most
	fade    float64    // what is left of it, 1 to 0
	older   braking    // mean of half a second to a second ago
	newer   braking    // mean of less than that
	since   float64    // s since newer was taken
	wavers  float64    // mean square of the share about its mean, filtered
	wavered [2]float64 // the same with newer and with older
	carried float64    // s that this load has been braked
	backFor float64    // s that it has given enough again
	lowFor  float64    // s since it went low
	weakFor float64
	lost    bool
	weak    bool
	obs     float64 // newest, N·m; NaN = cannot be seen now
	want    float64 // what it should be
}

const (
	auxiliaryTurns = 50 * 2 * math.Pi / 60 // rad/s: below, it gives little (PHYSICS section 6)
	lostPart       = 0.40
	lostTime       = 0.18 // s: two frames at 10 Hz
	lostGain       = 0.12 // m/s²: the load speeds up
	// lostSpread is how many standard deviations of the balance's noise the fall must be.
	lostSpread = 3.0
	meanTime   = 0.3 // s
	// wavesTime is over how long the share's wavering is kept, s: a bounce or two (about
	// 1 Hz, PHYSICS section 8); wavesSpread how many standard deviations of it a fall must be.
	wavesTime    = 1.5
	wavesSpread  = 2.5
	carriedLeast = 1.0  // s that this load must have been braked: weight that is taken up or set down shifts the balance
	recentFade   = 3.0  // s
	hanging      = 0.90 // of the travelling weight: with less the block is being set down
	sameLoad     = 0.7  // of what hung there: less is being set down; a load that falls pulls little less
	weakPart     = 0.70
	weakTime     = 3.0 // s
	// matters is the least part of the load's torque that the brake must have carried
	// for its loss to be one.
	matters     = 0.15
	ratioRate   = 0.1
	ratioEnough = 5
	backPart    = 0.7 // of what it should be, for backTime: it is back
	backTime    = 0.5 // s
	// suddenPart is a fall, over the load's torque; letOff the part of the friction
	// brake's own change that it may be wrong by (linings: 0.35 to 0.45, fade, bands).
	suddenPart   = 0.12
	suddenTime   = 0.5 // s
	letOff       = 0.5
	fellOf       = 0.5 // of what it gave then, by the lining as it is known
	currentHeld  = 0.9 // of the current then
	leastOfCurve = 0.02
	leastExcited = 0.10
)

// braking is how a load was braked: what retarded it, over the load's torque, the
// friction brake's pressure, of full, the load, N, and the excitation, 0 to 1 or NaN. What
// the auxiliary brake gave follows from it by what is known of the friction brake now, so
// that learning of the lining does not look like a loss.
type braking struct{ share, pressure, load, excitation float64 }

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
	x, stated := d.excited(now)
	return float64(d.rig.Auxiliary.Torque(units.RadianPerSecond(omega), x)), stated
}

// followAuxiliary takes one frame's balance.
func (d *Detector) followAuxiliary(b *balance, now, dt float64) {
	a := &d.aux
	a.obs, a.want = math.NaN(), math.NaN()
	v, p := d.pos.motion.x[ixV], d.pressureFraction(now)
	if v >= -stillSpeed || b.omega < turning || !Known(b.retarding) || d.rig.Auxiliary.Kind == hoist.NoAuxiliary {
		a.lowFor, a.weakFor = 0, 0
		if v > -stillSpeed {
			*a = auxiliary{ratio: a.ratio, learned: a.learned, obs: math.NaN(), want: math.NaN()}
		}
		return
	}
	if !Known(p) {
		return
	}
	load := d.loadTorque()
	given := func(x braking) float64 { return max(0, x.share*load-d.grip(x.pressure)) }
	a.obs = max(0, b.retarding-d.grip(p))
	curve, stated := d.auxiliaryCurve(b.omega, now)
	here := braking{share: b.retarding / load, pressure: p, load: d.load.force, excitation: NotKnown()}
	if stated {
		here.excitation, _ = d.excited(now)
	}
	if d.load.force < hanging*float64(d.rig.TravellingMass)*gravity { // the block itself is set down
		*a = auxiliary{ratio: a.ratio, learned: a.learned, lost: a.lost, obs: math.NaN(), want: math.NaN()}
		return
	}
	a.remember(here, given, dt)
	a.want = 0
	if !stated || !(a.recent.excitation < leastExcited) { // a coil without current gave nothing
		a.want = a.fade * given(a.recent)
	}
	if stated && a.learned >= ratioEnough {
		a.want = max(a.want, curve*min(a.ratio, 1))
	}
	if b.omega > auxiliaryTurns || d.rig.Auxiliary.Kind == hoist.MotorBraking {
		eased := letOff * max(0, d.grip(a.recent.pressure)-d.grip(p))
		// The pads' torque lags a pressure that rises: there may be more of this brake.
		lags := max(0, d.grip(p)-d.grip(a.mean.pressure))
		low := a.want-a.obs-lags-eased > fellOf*a.want && a.carried > carriedLeast && a.want > matters*load && a.obs+lags < lostPart*a.want && a.want-a.obs > d.leastFall(load)
		a.judgeLost((d.load.loaded || a.lost) && (low || d.fellSuddenly(here, load)), -d.pos.motion.x[ixA], dt)
	}
	if p < pressed && !a.lost && d.load.loaded && b.omega > auxiliaryTurns && curve > leastOfCurve*float64(d.rig.Auxiliary.PeakTorque) && a.obs > backPart*a.want {
		a.learn(a.obs / curve)
	}
	a.judgeWeak(curve, stated && p < pressed && d.load.loaded && b.omega > auxiliaryTurns, dt)
}

// fellSuddenly tells whether what retards has fallen within the last second by more
// than the friction brake's own change can have made.
func (d *Detector) fellSuddenly(now braking, load float64) bool {
	then := &d.aux.older
	water := d.rig.Auxiliary.Kind == hoist.Hydrodynamic
	if !(then.load > 0) || !water && !(now.excitation > currentHeld*then.excitation) {
		return false
	}
	eased := max(0, d.grip(then.pressure)-d.grip(now.pressure))
	fell := (then.share-now.share)*load - (1+letOff)*eased
	given := then.share*load - d.grip(then.pressure)
	return fell > suddenPart*load && fell > fellOf*given && fell > d.leastFall(load)
}

// leastFall is the least fall of what this brake gives that is not the balance's noise nor
// the bounce of the load, N·m.
func (d *Detector) leastFall(load float64) float64 {
	return max(lostSpread*d.balanceNoise(), wavesSpread*math.Sqrt(d.aux.wavered[1])*load)
}

// remember keeps how the load was braked of late. A brake that is lost is still
// expected to give what it gave before.
func (a *auxiliary) remember(now braking, given func(braking) float64, dt float64) {
	if a.lost {
		return
	}
	if now.load < sameLoad*a.recent.load { // it is being set down
		a.mean, a.recent, a.older, a.newer, a.fade, a.since = now, now, braking{}, braking{}, 1, 0
		a.carried = 0
	}
	if a.carried == 0 {
		a.mean, a.wavers, a.wavered = now, 0, [2]float64{}
	}
	a.carried += dt
	if a.since += dt; a.since >= suddenTime {
		a.older, a.newer, a.since = a.newer, a.mean, 0
		a.wavered = [2]float64{a.wavers, a.wavered[0]}
	}
	k := 1 - math.Exp(-dt/meanTime)
	off := now.share - a.mean.share
	a.wavers += (1 - math.Exp(-dt/wavesTime)) * (off*off - a.wavers)
	a.mean.load, a.mean.excitation = now.load, now.excitation
	a.mean.share += k * (now.share - a.mean.share)
	a.mean.pressure += k * (now.pressure - a.mean.pressure)
	a.fade *= math.Exp(-dt / recentFade)
	if given(a.mean) >= a.fade*given(a.recent) {
		a.recent, a.fade = a.mean, 1
	}
}

// grip is the friction brake's torque at a pressure, of full.
func (d *Detector) grip(p float64) float64 {
	return d.serviceTorque(p, d.friction.health(), hoist.Lowering)
}

// balanceNoise is one standard deviation of the balance's noise, the acceleration's
// on what moves, N·m.
func (d *Detector) balanceNoise() float64 {
	n, r := float64(d.rig.Reeving.Lines), d.pos.radius()
	return accelerationNoise * (float64(d.rig.Drawworks.Drum.Inertia)*n/r + d.loadTorque()/gravity)
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

func (a *auxiliary) judgeLost(low bool, gain, dt float64) {
	switch {
	case a.lost && a.obs > backPart*a.want:
		a.backFor += dt
		a.lost = a.backFor < backTime
	case low && gain > lostGain:
		a.lowFor += dt
		a.lost = a.lost || a.lowFor >= lostTime
		a.backFor = 0
	default: // one frame of noise does not take back what others showed
		a.lowFor, a.backFor = max(0, a.lowFor-dt/2), 0
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
