package simulator

import "math"

// controls is what the driller's hands do.
type controls struct {
	clutch    bool    // drive clutch held in
	speed     float64 // drum speed asked of the drive, rad/s
	brake     float64 // lever, 0 to 1
	aux       float64 // excitation lever, 0 to 1
	emergency bool    // emergency handle pulled: drive off, both brakes on
	reset     bool    // crown saver reset
	latch     bool    // elevators closed on the string
	slips     bool    // crew sets slips when the string stands, pulls them when it is lifted
}

type saverParams struct{ electric, toggle float64 } // block heights, m

// saver is the crown saver: an electric device and, above it, an air toggle.
// Either releases the drive and sets both brakes, until it is reset.
type saver struct {
	tripped                      bool
	electricFailed, toggleFailed bool
	bypassed                     bool // held over by hand while the block is let down
}

// impact is a contact of the block with crown or floor.
type impact struct {
	event Event
	speed float64 // m/s, at contact
}

// plant is the state of the machine. All SI; height from the rig floor, up
// positive; drum speed positive winding in.
type plant struct {
	p     params
	drum  winding
	dt    float64
	steps uint64

	wraps, w float64 // wraps on the drum, drum speed
	h, v     float64 // block
	a        float64 // block acceleration over the last step
	pull     float64 // of the whole line on the block, N: the hook load
	share    float64 // fast line over hook load
	dir      float64 // how far the sheaves turn up or down, −1 to 1

	hoisted stringState
	brake   hydraulics
	lining  lining
	law     frictionLaw
	emerg   emergency
	heat    heat
	drive   drive
	aux     auxiliary
	saver   saver

	friction   float64 // service coefficient now
	brakeTq    float64 // torque the friction brakes gave in the last step, N·m, against turning
	auxTq      float64
	hungOff    bool // block hung in the mast, line being slipped
	hungTurn   float64
	pending    float64 // J of brake work not yet given to the discs
	energy     ledger
	hit        impact // of this step; event None when nothing was hit
	atCrown    bool
	onFloor    bool
	lineParted bool
}

// stringState is the pipe: a mass on a spring below the elevators, in the slips
// or out. y is the block height at which the elevators just touch.
type stringState struct {
	mass, y, vy float64
	latched     bool
	inSlips     bool
	seat        float64 // y at which the slips hold it
	pull        float64 // N on the block
	stuckLimit  float64 // N at which it lets go; 0: not stuck
	bottom      float64 // N carried by the hole bottom (weight on bit)
}

// heatEvery is how many steps pass between steps of temperature: 10 ms at 2 kHz.
const heatEvery = 20

// frictionEvery is how many steps one friction coefficient is used for: it moves
// slowly, 2 ms at 2 kHz.
const frictionEvery = 4

func newPlant(p params, dt float64) *plant {
	p.shareUp, p.shareDown = p.fastLineShare(1), p.fastLineShare(-1)
	pl := &plant{p: p, drum: newWinding(p.rig.Drawworks.Drum, p.rig.Line), dt: dt}
	pl.brake = newHydraulics(p.brake.dead, dt)
	pl.lining = lining{oil: 1, glaze: 1, factor: 1}
	pl.emerg.pressure = p.emerg.release
	pl.heat = heat{ring: p.ambient, body: p.ambient}
	pl.drive = drive{letGo: -1, limit: 1}
	pl.aux = auxiliary{temp: p.ambient, factor: 1, supply: 1, cooled: true}
	return pl
}

// hang puts the block at rest at height h with the line carrying it.
func (pl *plant) hang(h float64) {
	load := pl.p.blockMass * gravity
	if s := &pl.hoisted; s.latched && !s.inSlips {
		s.y, s.vy = h-s.mass*gravity/pl.p.stringStiffness, 0
		load += s.mass * gravity
	}
	pl.h, pl.v, pl.w, pl.pull = h, 0, 0, load
	bare := h + load/pl.p.lineStiffness(h)
	pl.wraps = pl.drum.wrapsFor(pl.p.refLine + (bare-pl.p.hrefBare)*pl.p.lines)
	pl.energy.start(pl)
}

// bareHeight is where the block would hang with no load on the line.
func (pl *plant) bareHeight() float64 {
	return pl.p.hrefBare + (pl.drum.lineAt(pl.wraps)-pl.p.refLine)/pl.p.lines
}

// step moves the plant on by dt: half a drift, the forces there, a kick, half a
// drift (leapfrog), with the brake taken as an impulse that can stop the drum
// but not turn it.
func (pl *plant) step(c *controls) {
	pl.steps++
	r := pl.drum.radiusAt(pl.wraps)
	pl.act(c, r)
	if pl.hungOff {
		pl.turnHungOff()
		return
	}
	dt, half := pl.dt, pl.dt/2
	s := &pl.hoisted
	w0, v0, vy0 := pl.w, pl.v, s.vy
	pl.wraps += w0 * half / (2 * math.Pi)
	pl.h += v0 * half
	s.y += vy0 * half

	pl.linePull(w0*r/pl.p.lines, v0)
	pl.turnSheaves(w0 * r / (pl.p.lines * pl.p.sheaveVel))
	fast := pl.share * pl.pull
	pl.elevators(v0)

	// drum
	pl.auxTq = pl.aux.torque(&pl.p.aux, w0)
	aux := pl.auxTq
	if limit := math.Abs(w0) * pl.p.inertia / dt; aux > limit {
		aux = limit
	}
	net := pl.drive.torque - fast*r - math.Copysign(aux, w0)
	free := w0 + net/pl.p.inertia*dt
	capacity := pl.capacity(free)
	grip := capacity / pl.p.inertia * dt
	if math.Abs(free) <= grip {
		pl.brakeTq, pl.w = math.Abs(free)*pl.p.inertia/dt, 0
	} else {
		pl.brakeTq, pl.w = capacity, free-math.Copysign(grip, free)
	}
	brakeSign := math.Copysign(1, free)

	// block and string
	pl.v += (pl.pull - pl.p.blockMass*gravity - s.pull) / pl.p.blockMass * dt
	pl.moveString(dt)

	pl.wraps += pl.w * half / (2 * math.Pi)
	pl.h += pl.v * half
	s.y += s.vy * half
	if pl.energy.kept {
		pl.energy.add(pl, w0, v0, vy0, r, fast, math.Copysign(aux, w0), brakeSign)
	}
	pl.contacts()
	pl.a = (pl.v - v0) / dt
	pl.settle()
}

// act carries out what the hands and the crown saver ask; r is the drum's radius.
func (pl *plant) act(c *controls, r float64) {
	if c.reset {
		pl.saver.tripped, pl.saver.bypassed = false, true
	}
	if pl.h < pl.p.saver.electric-0.3 {
		pl.saver.bypassed = false
	}
	if !pl.saver.bypassed && ((pl.h >= pl.p.saver.electric && !pl.saver.electricFailed) ||
		(pl.h >= pl.p.saver.toggle && !pl.saver.toggleFailed)) {
		if !pl.saver.tripped {
			pl.hit = impact{event: CrownSaverTripped, speed: pl.v}
		}
		pl.saver.tripped = true
	}
	off := pl.saver.tripped || c.emergency
	lever, clutch := c.brake, c.clutch
	if off {
		lever, clutch = 1, false
	}
	pl.brake.step(&pl.p.brake, pl.dt, lever, &pl.lining)
	pl.emerg.step(&pl.p.emerg, pl.dt, off)
	if clutch || pl.drive.engaged {
		inertia := pl.p.inertia + pl.pull/gravity*r*r/(pl.p.lines*pl.p.lines)
		pl.drive.step(&pl.p.drive, pl.dt, clutch, c.speed, pl.w, inertia, pl.pull*r/pl.p.lines)
	} else {
		pl.drive.torque = 0
	}
	pl.aux.step(&pl.p.aux, pl.dt, c.aux, pl.auxTq*math.Abs(pl.w), pl.p.ambient)
	pl.slips(c)
}

// turnSheaves sets which way and how fully the sheaves turn, x block speed over
// the speed of the change, and what of the pull the fast line then has.
func (pl *plant) turnSheaves(x float64) {
	switch {
	case x == 0:
		pl.dir, pl.share = 0, 1/pl.p.lines
	case x > 10: // tanh is 1 to 4e-9
		pl.dir, pl.share = 1, pl.p.shareUp
	case x < -10:
		pl.dir, pl.share = -1, pl.p.shareDown
	default:
		pl.dir = math.Tanh(x)
		pl.share = pl.p.fastLineShare(pl.dir)
	}
}

// linePull sets the pull of the line on the block: a spring with a damper that
// can only pull.
func (pl *plant) linePull(lineVel, v float64) {
	stretch := pl.bareHeight() - pl.h
	k := pl.p.lineStiffness(pl.h)
	pl.pull = 0
	if stretch > 0 {
		damper := 2 * pl.p.lineDamping * math.Sqrt(k*pl.p.blockMass)
		pl.pull = max(0, k*stretch+damper*(lineVel-v))
	}
}

// capacity is what the friction brakes can resist now, N·m, for turning in the
// direction of w.
func (pl *plant) capacity(w float64) float64 {
	if pl.steps%frictionEvery == 1 {
		pl.friction = pl.law.coefficient(&pl.p.brake, pl.brake.pressure, math.Abs(pl.w)*pl.p.brake.radius, pl.heat.ring, &pl.lining)
	}
	t := pl.p.brake.torque(pl.friction, pl.brake.pressure, w)
	if g := pl.emerg.grip(&pl.p.emerg); g > 0 {
		t += g * pl.p.brake.fadeAt(pl.heat.ring) * pl.lining.oil
	}
	return t
}

// contacts stops the block at crown and floor and keeps the speed it hit with.
// The run goes on from there: the line is not let part, though a fast line past
// its breaking strength is told as an event. What falls then is beyond this plant.
func (pl *plant) contacts() {
	switch {
	case pl.h >= pl.p.crown:
		if !pl.atCrown {
			pl.hit = impact{event: CrownContact, speed: pl.v}
		}
		pl.atCrown = true
		pl.energy.impact(pl, pl.h-pl.p.crown)
		pl.h = pl.p.crown
		pl.v = min(pl.v, 0)
		if fast := pl.pull * pl.share; fast > pl.p.breaking {
			if !pl.lineParted {
				pl.hit = impact{event: LineOverloaded, speed: pl.w * pl.drum.radiusAt(pl.wraps) / pl.p.lines}
			}
			pl.lineParted = true
		}
	case pl.h <= 0:
		if !pl.onFloor {
			pl.hit = impact{event: FloorContact, speed: -pl.v}
		}
		pl.onFloor = true
		pl.energy.impact(pl, pl.h)
		pl.h = 0
		pl.v = max(pl.v, 0)
	default:
		if pl.h < pl.p.crown-0.05 {
			pl.atCrown = false
		}
		if pl.h > 0.05 {
			pl.onFloor = false
		}
	}
}

// settle gives the discs their heat every few steps, and wears and glazes the
// lining.
func (pl *plant) settle() {
	pl.pending += pl.brakeTq * math.Abs(pl.w) * pl.dt
	if pl.steps%heatEvery != 0 {
		return
	}
	pl.heat.step(&pl.p.heat, pl.dt*heatEvery, pl.pending, pl.w, pl.p.ambient)
	pl.lining.wear(pl.pending, pl.heat.ring, pl.p.brake.area)
	pl.pending = 0
}

// wear takes lining off with work done and temperature, and glazes it when it
// has been above 300 °C; work below 200 °C slowly rubs a glaze off again.
func (l *lining) wear(work, temp, area float64) {
	if work <= 0 {
		return
	}
	rate := 1e-13 * math.Exp(math.Max(0, temp-293)/180) // m³/J
	l.worn += work * rate / math.Max(area, 1e-3)
	switch {
	case temp > 573:
		l.glaze = math.Max(0.8, l.glaze-work*2.5e-10)
	case temp < 473 && l.glaze < 1:
		l.glaze = math.Min(1, l.glaze+work*5e-10)
	}
}

// turnHungOff turns the drum with the block hung in the mast and no load on the
// line, and keeps the map true to where the block hangs.
func (pl *plant) turnHungOff() {
	pl.w += (pl.hungTurn - pl.w) * math.Min(1, pl.dt/0.5)
	pl.wraps += pl.w * pl.dt / (2 * math.Pi)
	pl.pull, pl.v, pl.a, pl.brakeTq, pl.auxTq = 0, 0, 0, 0, 0
	bare := pl.h + pl.p.blockMass*gravity/pl.p.lineStiffness(pl.h)
	pl.p.hrefBare = bare - (pl.drum.lineAt(pl.wraps)-pl.p.refLine)/pl.p.lines
}

// slack is how far the block could fall before the line takes it, m.
func (pl *plant) slack() float64 { return max(0, pl.h-pl.bareHeight()) }
