package detect

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// load is what hangs on the hook: the force now, and the weight that it would be
// at rest.
type load struct {
	rig      *hoist.Rig
	force    float64 // hook load now, N; NaN = not known
	weight   float64 // static hook load, filtered, N; NaN = not known
	loaded   bool    // a string hangs there, not the block alone
	doubt    bool    // it shifted by itself: nothing is learned of the brakes from it
	slow     float64 // static weight while a string hangs in motion, slowly filtered, N; NaN = none
	light    float64 // what the block alone weighed when the hook load was last believed, N; NaN = not seen
	alone    float64 // what it weighs now, filtered, N; NaN = no block alone in motion
	aloneN   int     // readings in alone
	unsteady float64 // s for which the block speeds up or slows down
	peaks    int     // frames in a row with the raw force above the rating
}

const (
	gravity = float64(units.StandardGravity)
	// weightTime is the filter time of the static weight, s: over the bounce of the
	// block (about 1 Hz, PHYSICS section 8), under the time a load takes to change.
	weightTime = 0.4
	// loadedFactor and lightFactor of the travelling weight part "block alone" from
	// "string hangs", with hysteresis.
	loadedFactor = 1.30
	lightFactor  = 1.15
	// overloadFrames confirm an overload: two frames, never a filtered value.
	overloadFrames = 2
	// shifted is the change of a hook load by itself, relative, that no hole drag makes
	// within slowTime of steady motion, s, and aloneShift that of the block's own weight
	// from one time to the next: such a reading is not used to judge brakes by.
	shifted      = 0.10
	slowTime     = 3.0
	aloneShift   = 0.06
	aloneTime    = 1.0  // s
	aloneEnough  = 10   // readings
	steadyMotion = 0.25 // m/s; slower, slips are set and weight is taken up
	steadyGain   = 0.15 // m/s²
	// unsteadyTime is for how long the mean is kept while the motion is not steady, s: a
	// load that shifts moves the height by the count too, by the line's stretch, and looks
	// like a jerk.
	unsteadyTime = 0.8
)

func newLoad(rig *hoist.Rig) load {
	return load{rig: rig, force: math.NaN(), weight: math.NaN(), slow: math.NaN(), light: math.NaN(), alone: math.NaN()}
}

// step takes the hook load, or the dead-line tension where that is what is
// measured; v and a are the block's speed and acceleration and dir its direction.
func (l *load) step(ins *[ingest.NumChannels]instrument, now, dt, v, a float64, dir hoist.Direction) {
	hook, dead := &ins[ingest.HookLoad], &ins[ingest.DeadLineTension]
	switch {
	case hook.fresh:
		l.force = hook.v
	case !hook.mapped && dead.fresh:
		l.force = float64(l.rig.Reeving.HookLoad(units.Newton(dead.v), dir))
	default:
		if !l.known(ins, now) {
			l.forget()
		}
		return
	}
	l.filter(dt, a)
	l.classify()
	l.followShift(dt, v, a)
	l.count()
}

// known tells whether a load was measured lately enough to be used.
func (l *load) known(ins *[ingest.NumChannels]instrument, now float64) bool {
	hook, dead := &ins[ingest.HookLoad], &ins[ingest.DeadLineTension]
	return hook.live(now) || (!hook.mapped && dead.live(now))
}

// forget lets no old load stand for the present one.
func (l *load) forget() { l.force, l.weight, l.peaks = math.NaN(), math.NaN(), 0 }

func (l *load) filter(dt, a float64) {
	w := l.force / (1 + max(-0.3, min(0.3, a/gravity)))
	if math.IsNaN(l.weight) {
		l.weight = w
		return
	}
	l.weight += (1 - math.Exp(-dt/weightTime)) * (w - l.weight)
}

func (l *load) classify() {
	block := float64(l.rig.TravellingMass) * gravity
	switch {
	case l.weight > loadedFactor*block:
		l.loaded = true
	case l.weight < lightFactor*block:
		l.loaded = false
	}
}

// followShift finds a hook load that shifts by itself (PHYSICS section 20: a wrong hook
// load moves every balance, lifting too, and is no fade). v and a are the block's motion.
//
//	a string in steady motion   the static weight jumps by more than shifted from its own
//	                            mean: in doubt until the block alone shows its weight
//	the block alone in motion   weighs more than aloneShift off what it did: in doubt;
//	                            as it did: believed again
func (l *load) followShift(dt, v, a float64) {
	moving := math.Abs(v) > steadyMotion && Known(l.weight)
	if l.unsteady += dt; math.Abs(a) < steadyGain {
		l.unsteady = 0
	}
	switch {
	case !moving || l.unsteady > unsteadyTime:
		l.slow, l.aloneN = math.NaN(), 0
	case l.unsteady > 0:
		l.aloneN = 0
	case l.loaded && math.IsNaN(l.slow):
		l.slow = l.weight
	case l.loaded:
		l.doubt = l.doubt || math.Abs(l.weight-l.slow) > shifted*l.slow
		l.slow += (1 - math.Exp(-dt/slowTime)) * (l.weight - l.slow)
	default:
		l.weighAlone(dt)
	}
}

func (l *load) weighAlone(dt float64) {
	if l.aloneN == 0 {
		l.alone = l.weight
	}
	l.alone += (1 - math.Exp(-dt/aloneTime)) * (l.weight - l.alone)
	if l.aloneN++; l.aloneN < aloneEnough {
		return
	}
	if math.IsNaN(l.light) {
		l.light = l.alone
	}
	l.doubt = !(math.Abs(l.alone-l.light) <= aloneShift*l.light)
	if !l.doubt {
		l.light += (1 - math.Exp(-dt/60)) * (l.alone - l.light)
	}
}

func (l *load) count() {
	if rated := float64(l.rig.Drawworks.RatedLoad); rated > 0 && l.force > rated {
		l.peaks++
		return
	}
	l.peaks = 0
}

func (l *load) overload() Finding {
	rated := float64(l.rig.Drawworks.RatedLoad)
	switch {
	case rated <= 0 || !Known(l.force):
		return undecided()
	case l.peaks >= overloadFrames:
		return present(High, LoadAboveRating, l.force/1e3, rated/1e3, "kN")
	}
	return absent(l.force/1e3, rated/1e3, "kN")
}

// lightest and heaviest are the weights that the stop answers use where the hook
// load is not known: rising, the empty block is the worst case; lowering, only a
// stated rating bounds it.
func (l *load) lightest() float64 {
	if Known(l.weight) {
		return max(l.weight, 0.5*float64(l.rig.TravellingMass)*gravity)
	}
	return float64(l.rig.TravellingMass) * gravity
}

func (l *load) heaviest() float64 {
	if Known(l.weight) {
		return max(l.weight, 0.5*float64(l.rig.TravellingMass)*gravity)
	}
	if rated := float64(l.rig.Drawworks.RatedLoad); rated > 0 {
		return rated
	}
	return math.NaN()
}
