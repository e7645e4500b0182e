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
	rig    *hoist.Rig
	force  float64 // hook load now, N; NaN = not known
	weight float64 // static hook load, filtered, N; NaN = not known
	loaded bool    // a string hangs there, not the block alone
	doubt  bool    // it shifted by itself: nothing is learned of the brakes from it
	peaks  int     // frames in a row with the raw force above the rating
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
)

func newLoad(rig *hoist.Rig) load {
	return load{rig: rig, force: math.NaN(), weight: math.NaN()}
}

// step takes the hook load, or the dead-line tension where that is what is
// measured; a is the block's acceleration and dir its direction of travel.
func (l *load) step(ins *[ingest.NumChannels]instrument, now, dt, a float64, dir hoist.Direction) {
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
	w := l.force / (1 + math.Max(-0.3, math.Min(0.3, a/gravity)))
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
		return math.Max(l.weight, 0.5*float64(l.rig.TravellingMass)*gravity)
	}
	return float64(l.rig.TravellingMass) * gravity
}

func (l *load) heaviest() float64 {
	if Known(l.weight) {
		return math.Max(l.weight, 0.5*float64(l.rig.TravellingMass)*gravity)
	}
	if rated := float64(l.rig.Drawworks.RatedLoad); rated > 0 {
		return rated
	}
	return math.NaN()
}
