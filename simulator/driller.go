package simulator

import (
	"math"
	"math/rand/v2"
)

// habits are one person's ways, drawn by seed and bent by the scenario.
type habits struct {
	cruiseLoaded, cruiseEmpty float64 // m/s raising
	lowerLoaded, lowerEmpty   float64 // m/s
	creep                     float64 // m/s in the last metres
	speedUp, slowDown         float64 // m/s²
	reaction                  float64 // s, eye to hand in ordinary work
	surprise                  float64 // s, to something not expected
	feel                      float64 // load as he takes it over what it is
	eager                     float64 // 1/s, how hard a speed error is corrected
	latchTime, slipsTime      float64 // s
	breakTime, racking        float64 // s
	bottom, top               float64 // block heights between which he works, m
	creepZone                 float64 // m before the stop that he creeps
}

func drawHabits(p *params, r *rand.Rand, s *Scenario) habits {
	span := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	m := p.rig.Mast
	b := habits{
		cruiseLoaded: span(0.54, 1.0), cruiseEmpty: span(1.0, 1.3),
		lowerLoaded: span(0.42, 0.74), lowerEmpty: span(0.9, 1.2),
		creep: span(0.14, 0.22), speedUp: span(0.10, 0.20), slowDown: span(0.12, 0.17),
		reaction: span(0.18, 0.32), surprise: span(1.0, 1.7), feel: span(0.96, 1.04),
		eager: span(0.7, 1.0), latchTime: span(5, 9), slipsTime: span(3, 6),
		breakTime: span(12, 22), racking: span(8, 14), creepZone: span(0.4, 0.8),
	}
	b.bottom = float64(m.FloorLimit) + span(1.7, 2.0)
	b.top = math.Min(b.bottom+s.Initial.StandLength+span(0.3, 0.6), float64(m.CrownSaverTrip)-3)
	d := s.Driller
	over := func(x *float64, v float64) {
		if v > 0 {
			*x = v
		}
	}
	over(&b.cruiseLoaded, d.RaiseLoaded)
	over(&b.cruiseEmpty, d.RaiseEmpty)
	over(&b.lowerLoaded, d.LowerLoaded)
	over(&b.lowerEmpty, d.LowerEmpty)
	over(&b.creep, d.Creep)
	over(&b.reaction, d.Reaction)
	over(&b.surprise, d.Surprise)
	over(&b.bottom, d.Bottom)
	over(&b.top, d.Top)
	if d.Pace > 0 {
		for _, t := range []*float64{&b.latchTime, &b.slipsTime, &b.breakTime, &b.racking} {
			*t /= d.Pace
		}
	}
	return b
}

// driller is the person at the brake: he sees late, plans a speed for each
// height, and works drive, brake and auxiliary brake to keep to it.
type driller struct {
	habits
	rng *rand.Rand
	c   controls

	plan     plan
	began    bool
	phase    int
	since    float64 // s in this phase
	activity Activity
	stands   int
	standsGo int // stands done in this direction
	out      bool
	depth    float64 // m of pipe in the hole

	seen      [32]view // what he saw, newest at seenAt
	seenAt    int
	ref       float64 // m/s, speed asked for now
	extra     float64 // N·m of brake added for what his feel misses
	filled    float64 // excitation that he counts on: the lever's, as slow to come as he knows it
	alarm     float64 // s that something has been wrong
	calm      float64 // s to wait after a fright
	auxFear   bool    // auxiliary brake not trusted
	careful   bool    // goes back to it when the friction brake is past amber
	parked    bool
	parkedFor float64 // s
	best      float64 // m/s, greatest speed of this move
	slowed    float64 // s that the block has been held back
	creeping  float64 // s that the block has moved on a full brake

	absent    bool    // inattentive: does not slow down
	notices   float64 // m: comes to when the block passes this height, 0 = not at all
	noticesIn float64 // s to the limit at which he comes to, 0 = not at all
	lateBy    float64 // s later than usual at the stop, fault
	over      bool    // run ended in a contact: he leaves everything off
	pullNow   bool    // pulls the emergency handle at the next look
	tripWait  float64
}

type view struct{ h, v, load float64 }

// plan is one move: up or down to a height with a cruise speed.
type plan struct {
	moving bool
	up     bool
	target float64
	cruise float64
	loaded bool
}

// look is how often he looks and moves his hands, s.
const look = 0.02

func (d *driller) perceive(pl *plant) view {
	d.seenAt = (d.seenAt + 1) % len(d.seen)
	d.seen[d.seenAt] = view{pl.h, pl.v, pl.pull}
	back := min(int(d.reaction/look), len(d.seen)-1)
	return d.seen[(d.seenAt-back+len(d.seen))%len(d.seen)]
}

func (d *driller) fill(pl *plant) {
	for i := range d.seen {
		d.seen[i] = view{pl.h, pl.v, pl.pull}
	}
}

// start begins a move.
func (d *driller) start(up bool, target, cruise float64, loaded bool) {
	d.plan = plan{true, up, target, cruise, loaded}
	d.ref, d.extra, d.parked, d.since, d.best, d.slowed = 0, 0, false, 0, 0, 0
}

// allowed is the speed that he lets the block have at distance left from where
// it is to stand.
func (d *driller) allowed(left, cruise float64) float64 {
	creep := math.Min(d.creep, cruise)
	slow := math.Max(0, left-d.creepZone)
	return math.Min(cruise, math.Sqrt(creep*creep+2*d.slowDown*slow))
}

// move works the levers for the present plan; true when the block stands at
// its target.
func (d *driller) move(pl *plant, see view) bool {
	if d.parked {
		d.park(pl)
		return math.Abs(pl.v) < 0.02 && math.Abs(pl.w) < 0.01 && d.c.brake > 0.5
	}
	left := d.plan.target - see.h
	speed := see.v
	if !d.plan.up {
		left, speed = -left, -speed
	}
	if d.absent && d.looksUp(pl, see, speed) {
		d.absent = false
		d.fright(pl)
		return false
	}
	allowed := d.allowed(left-speed*d.ahead(pl), d.plan.cruise)
	if d.absent {
		allowed, left = d.plan.cruise, 100
	}
	d.ref = math.Min(d.ref+d.speedUp*look, allowed)
	if left <= speed*(0.35+d.lateBy) || left <= 0.02 {
		d.stop()
		return false
	}
	if d.plan.up {
		d.raise(pl, see, speed)
	} else {
		d.lower(pl, see, speed)
	}
	d.watch(pl, speed, allowed)
	return false
}

// ahead is how long before its place he begins to slow a block going down, s: what he
// does now takes his own time and the brake's until it holds.
func (d *driller) ahead(pl *plant) float64 {
	if d.plan.up {
		return 0
	}
	b := &pl.p.brake
	return d.reaction + b.dead + b.slew/2
}

// looksUp tells whether an inattentive driller comes to now.
func (d *driller) looksUp(pl *plant, see view, speed float64) bool {
	m := pl.p.rig.Mast
	room := float64(m.CrownLimit) - see.h
	if !d.plan.up {
		room = see.h - float64(m.FloorLimit)
	}
	if d.noticesIn > 0 {
		return room < speed*d.noticesIn
	}
	return d.notices > 0 && ((d.plan.up && see.h > d.notices) || (!d.plan.up && see.h < d.notices))
}

// stop lets the clutch go and sets the brake.
func (d *driller) stop() {
	if !d.parked {
		d.parkedFor = 0
	}
	d.parked = true
	d.c.clutch, d.c.speed = false, 0
}

// park holds the block: a firm brake first, full when it stands. A block that
// creeps on a full lever has him pull the emergency handle.
func (d *driller) park(pl *plant) {
	if d.c.brake == 1 && pl.brake.pressure > 0 && math.Abs(pl.v) > 0.03 && d.parkedFor > 3 && !d.over {
		d.creeping += look
	} else {
		d.creeping = 0
	}
	d.parkedFor += look
	if d.creeping > d.surprise && !d.c.emergency {
		d.pullNow = true
	}
	d.c.clutch = false
	d.c.aux = math.Max(0, d.c.aux-look)
	want := 0.6
	if math.Abs(pl.v) < 0.03 || d.alarm > 0 || d.absent || d.calm > 0 || d.parkedFor > 0.8 || pl.saver.tripped {
		want = 1
	}
	d.c.brake = math.Max(d.c.brake, math.Min(want, d.c.brake+4*look))
}

// raise drives the block up: the drive keeps the speed, the brake helps when the
// block runs ahead of it.
func (d *driller) raise(pl *plant, see view, speed float64) {
	r := pl.drum.radiusAt(pl.wraps)
	d.c.clutch = true
	d.c.aux = 0
	if d.since < 0.6 { // clutch takes the load before the brake lets go
		d.ref, d.c.speed = 0, 0
		return
	}
	if d.c.brake > 0.25 {
		d.ref = 0
	}
	d.c.speed = d.ref * pl.p.lines / r
	brake := 0.0
	if over := speed - d.ref - 0.06; over > 0 {
		brake = d.eager * over * d.heavy(pl, see, r) / d.capacity(pl)
	}
	d.ease(brake)
}

// lower lets the block down on auxiliary and friction brake.
func (d *driller) lower(pl *plant, see view, speed float64) {
	p := &pl.p
	r := pl.drum.radiusAt(pl.wraps)
	d.c.clutch, d.c.speed = false, 0
	inertia := d.heavy(pl, see, r)
	d.ref = math.Min(d.ref, math.Max(speed, 0)+0.12) // no faster than the block follows
	err := speed - d.ref
	if err > 0 && d.extra < 0 { // it has let go: the easing off is taken back at once
		d.extra -= d.extra * look / 0.15
	}
	weight := d.feel * d.load(pl)
	if d.phase == atSlackOff {
		weight = see.load
	}
	base := weight * p.shareDown * r
	need := base + d.eager*err*inertia + d.extra
	if math.Abs(err) > math.Min(0.03, 0.05*d.plan.cruise) && d.since > 1 {
		d.extra += 0.25 * err * inertia * look
		d.extra = math.Max(-0.9*base, math.Min(d.extra, 0.5*d.capacity(pl)))
	}
	aux := 0.0
	if d.plan.loaded && !(d.auxFear && (!d.careful || pl.heat.ring < float64(p.rig.Heat.Amber)+20)) {
		most := nominalAux(p, speed*p.lines/r)
		if most > 0 {
			lever := p.aux.leverFor(need / most)
			d.c.aux += math.Max(-1.5*look, math.Min(1.5*look, lever-d.c.aux))
		} else {
			d.c.aux = math.Min(1, d.c.aux+0.5*look)
		}
		aux = most * p.aux.share(d.filled)
	} else {
		d.c.aux = math.Max(0, d.c.aux-look)
	}
	brake := (need - aux) / d.capacity(pl)
	if brake < 0.012 {
		brake = 0
	}
	d.ease(brake)
}

// follow keeps what he counts on from the auxiliary brake. He works with it all day
// and knows how slowly it fills and empties; that it fails he has to find out.
func (d *driller) follow(p *auxParams) {
	d.filled += (d.c.aux - d.filled) * math.Min(1, look/math.Max(p.lag, look))
}

// ease moves the lever no faster than a hand does.
func (d *driller) ease(to float64) {
	to = math.Max(0, math.Min(1, to))
	d.c.brake += math.Max(-1.2*look, math.Min(1.5*look, to-d.c.brake))
}

// load is the weight that he takes to hang on the block, N.
func (d *driller) load(pl *plant) float64 {
	w := pl.p.blockMass * gravity
	if d.plan.loaded {
		w += pl.hoisted.mass * gravity
	}
	return w
}

// heavy is torque for 1 m/s² of block acceleration, N·m, as he feels it.
func (d *driller) heavy(pl *plant, _ view, r float64) float64 {
	n := pl.p.lines
	return float64(pl.p.rig.Drawworks.Drum.Inertia)*n/r + d.load(pl)/gravity*r/n
}

// capacity is the torque of a full lever as he knows it from working with it:
// this brake, cold and sound.
func (d *driller) capacity(pl *plant) float64 {
	b := &pl.p.brake
	return math.Max(1e3, b.torque(b.friction, b.full, -1))
}

func nominalAux(p *params, w float64) float64 {
	a := p.rig.Auxiliary
	q := auxParams{kind: a.Kind, peak: float64(a.PeakTorque), peakSpeed: float64(a.PeakSpeed), power: p.aux.power}
	return q.ceiling(w)
}

// watch is his alarm bell: well over the speed he allows, or held back while he
// hoists, for as long as it takes to be surprised, and he sets everything.
func (d *driller) watch(pl *plant, speed, allowed float64) {
	if d.absent {
		return
	}
	d.best = math.Max(d.best, speed)
	if d.plan.up && d.best > 0.3 && speed < 0.65*d.best && allowed > 0.9*d.best {
		d.slowed += look
	} else {
		d.slowed = 0
	}
	if d.slowed > d.surprise { // it is held: he lets go before something gives
		d.fright(pl)
		return
	}
	if speed > allowed+0.25 && speed > 1.25*d.ref {
		d.alarm += look
	} else {
		d.alarm = 0
	}
	if d.alarm > d.surprise {
		if !d.plan.up && d.plan.loaded && pl.aux.torque(&pl.p.aux, pl.w) < 0.5*nominalAux(&pl.p, pl.w)*pl.p.aux.share(d.filled) {
			d.auxFear = true
		}
		d.fright(pl)
	}
}

// fright sets the brake hard and lets the clutch go.
func (d *driller) fright(pl *plant) {
	d.stop()
	d.alarm = d.surprise
	d.c.brake = 1
	d.calm = 6 + 8*d.rng.Float64()
	d.activity = Stopped
}
