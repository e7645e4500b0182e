package detect

import (
	"math"

	"hoistward/ingest"
)

// Traded finds two channels that have traded places: two wires, two item numbers or two
// topics exchanged. Each value alone is one that the instrument could show; only the two
// together, and what moves with what, tell.
//
//	hook load, dead-line tension      T_d ≈ F/n: a dead line that carries n times the hook
//	                                  load, within tradedBand, is the hook load
//	brake, release pressure           the drum winds in steadily while the brake is shown
//	                                  at what keeps the spring calipers clear, and these
//	                                  shown set: no drive winds in against both
//	block height, bit depth           over tradedWay of travel by the drum the bit depth
//	                                  follows the block up and down within tradedFollows
//	                                  and is where the count has it, and the height does
//	                                  not. (A drum read backward, which a true bit depth
//	                                  follows too, is not where the bit is.)
//
//	F, T_d   hook load and dead-line tension   N
//	n        lines
//
// Both channels are set aside until they have been as they should for as long. The
// pressures are judged winding in only: lowering with all brakes set is a load that runs
// away, and is never explained away.
//
// undecided  one of the two does not come; no travel by the drum; a dead line or hook
// without load
//
// Source: block and tackle (PHYSICS section 1: fast and dead line each carry about F/n);
// marks chosen here.
type traded struct {
	forces, pressures         float64 // s for which they are exchanged
	forcesFine, pressuresFine float64 // s for which they are not

	way, depth, height float64 // m, travelled by the drum and by the two readings
	depthWas, heightAt float64 // the readings before
	begun              bool
}

const (
	tradedTime    = 2.0  // s
	tradedBand    = 0.35 // of n: friction of the sheaves either way, 12 % at n = 10, and the gauges
	tradedLeast   = 10e3 // N, on the line
	tradedSlows   = -0.3 // m/s²: faster, brakes bite
	tradedWay     = 1.0  // m
	tradedFollows = 0.15 // of the way
)

// followTraded takes one frame.
func (d *Detector) followTraded(now, dt float64) {
	if !(dt > 0 && dt < crossGap) {
		return
	}
	d.tradedForces(now, dt)
	d.tradedPressures(now, dt)
	d.tradedHeights(now, dt)
}

// exchanged counts how long two channels are exchanged, or are not, and doubts or
// believes both.
func (d *Detector) exchanged(a, b ingest.Channel, is, isNot bool, dt float64, since, fine *float64) {
	switch {
	case is:
		*fine = 0
		*since += dt
	case isNot:
		*since = 0
		*fine += dt
	}
	for _, c := range [...]ingest.Channel{a, b} {
		i := &d.ins[c]
		switch {
		case *since >= tradedTime && i.doubt != TradedPlaces:
			i.doubt, i.factor, i.before = TradedPlaces, 0, 0
		case *fine >= tradedTime && i.doubt == TradedPlaces:
			i.doubt = NoCause
		}
	}
}

func (d *Detector) tradedForces(now, dt float64) {
	hook, dead, x := &d.ins[ingest.HookLoad], &d.ins[ingest.DeadLineTension], &d.traded
	if !hook.heard(now) || !dead.heard(now) || min(hook.v, dead.v) < tradedLeast {
		return
	}
	n := float64(d.rig.Reeving.Lines)
	is := math.Abs(dead.v/hook.v-n) < tradedBand*n
	isNot := math.Abs(hook.v/dead.v-n) < tradedBand*n
	d.exchanged(ingest.HookLoad, ingest.DeadLineTension, is, isNot, dt, &x.forces, &x.forcesFine)
}

func (d *Detector) tradedPressures(now, dt float64) {
	brake, release, x := &d.ins[ingest.BrakePressure], &d.ins[ingest.EmergencyPressure], &d.traded
	clear := releasedPart * float64(d.rig.Emergency.ReleasePressure)
	if d.rig.Emergency.Calipers == 0 || !(clear > 0) || !brake.heard(now) || !release.heard(now) {
		return
	}
	winds := d.pos.motion.x[ixV] > frozenSpeed && d.pos.motion.x[ixA] > tradedSlows && d.cross.windsIn(now, d)
	is := winds && brake.v >= clear && release.v < clear
	if isNot := winds && release.v >= clear && brake.v < clear; is || isNot {
		d.exchanged(ingest.BrakePressure, ingest.EmergencyPressure, is, isNot, dt, &x.pressures, &x.pressuresFine)
		return
	}
	x.pressures = 0
}

// windsIn tells whether the drum itself shows that it winds in.
func (s *speeds) windsIn(now float64, d *Detector) bool {
	c, v := &d.ins[ingest.DrumCounts], &d.ins[ingest.DrumSpeed]
	return c.live(now) && s.slow[byCounts] > frozenSpeed || v.live(now) && s.slow[bySpeed] > frozenSpeed
}

func (d *Detector) tradedHeights(now, dt float64) {
	depth, height, x := &d.ins[ingest.BitDepth], &d.ins[ingest.BlockHeight], &d.traded
	if !depth.heard(now) || !d.ins[ingest.DrumCounts].live(now) {
		x.begun = false
		return
	}
	if !x.begun {
		*x = traded{forces: x.forces, pressures: x.pressures, forcesFine: x.forcesFine, pressuresFine: x.pressuresFine,
			begun: true, depthWas: depth.v, heightAt: height.v}
		return
	}
	x.way += d.pos.countSpeed * dt
	x.depth += depth.v - x.depthWas
	x.height += height.v - x.heightAt
	x.depthWas, x.heightAt = depth.v, height.v
	if math.Abs(x.way) < tradedWay {
		return
	}
	room := tradedFollows * math.Abs(x.way)
	follows, stays := math.Abs(x.depth-x.way) < room, math.Abs(x.height-x.way) < room && height.heard(now)
	x.begun = false
	since, fine := 0.0, 0.0
	d.exchanged(ingest.BlockHeight, ingest.BitDepth, follows && !stays && d.depthIsHeight(now), stays && !follows, tradedTime, &since, &fine)
}

// depthIsHeight tells whether the bit depth's channel shows the height that the count has.
func (d *Detector) depthIsHeight(now float64) bool {
	i := &d.ins[ingest.BitDepth]
	return d.pos.tied && i.heard(now) && math.Abs(i.v-d.pos.motion.x[ixH]) < apartLimit+d.pos.heightBound()
}
