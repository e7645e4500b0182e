package simulator

import "math"

// elevators sets the pull of the string on the block.
func (pl *plant) elevators(v float64) {
	s := &pl.hoisted
	s.pull = 0
	if !s.latched || s.mass <= 0 {
		return
	}
	stretch := pl.h - s.y
	if stretch <= 0 {
		return
	}
	damper := 2 * pl.p.stringDamping * math.Sqrt(pl.p.stringStiffness*s.mass)
	s.pull = max(0, pl.p.stringStiffness*stretch+damper*(v-s.vy))
}

// moveString gives the string its velocity: held in slips until lifted, rubbing
// in the hole when it moves, held by the hole when it is stuck.
func (pl *plant) moveString(dt float64) {
	s := &pl.hoisted
	if s.mass <= 0 {
		s.vy = 0
		return
	}
	net := s.pull + s.bottom - s.mass*gravity
	if s.stuckLimit > 0 {
		if net > s.stuckLimit {
			s.stuckLimit = 0
			pl.hit = impact{event: PipeFree, speed: pl.v}
		} else {
			s.hold(&pl.energy)
			return
		}
	}
	if s.inSlips && s.y <= s.seat && net <= 0 {
		s.hold(&pl.energy)
		return
	}
	drag := 0.0
	if s.vy != 0 {
		drag = pl.p.holeDrag * s.mass * gravity * math.Tanh(s.vy/0.05)
	}
	s.vy += (net - drag) / s.mass * dt
}

func (s *stringState) hold(e *ledger) {
	e.slipsLoss += s.mass * s.vy * s.vy / 2
	s.vy = 0
}

// slips carries out what the crew does: set when asked and the string stands,
// pull when asked and the string is lifted off.
func (pl *plant) slips(c *controls) {
	s := &pl.hoisted
	s.latched = c.latch
	if c.slips && !s.inSlips && math.Abs(s.vy) < 0.05 {
		s.inSlips, s.seat = true, s.y
	}
	if !c.slips && s.inSlips && s.y > s.seat+0.03 {
		s.inSlips = false
	}
}

// ledger keeps where the energy of a run went, J, once it is told to: it changes
// nothing, and takes a tenth of a step.
type ledger struct {
	kept bool

	drive, brake, aux, sheaves, line, pipe, hole, slipsLoss, hits float64
	bottom                                                        float64
	carried                                                       float64 // strain energy moved by the changing length of line
	stringLift                                                    float64 // J of weight that the string was lifted against, net
	initial                                                       float64
	through                                                       float64 // sum of all work both ways, to judge the balance by
}

func (e *ledger) start(pl *plant) {
	*e = ledger{kept: e.kept}
	e.initial = e.stored(pl)
}

// stored is kinetic, potential and strain energy now, J.
func (e *ledger) stored(pl *plant) float64 {
	p, s := &pl.p, &pl.hoisted
	x := math.Max(0, pl.bareHeight()-pl.h)
	sum := p.inertia*pl.w*pl.w/2 + p.blockMass*pl.v*pl.v/2 + p.blockMass*gravity*pl.h +
		p.lineStiffness(pl.h)*x*x/2 + s.mass*s.vy*s.vy/2 + e.stringLift
	if s.latched {
		y := math.Max(0, pl.h-s.y)
		sum += p.stringStiffness * y * y / 2
	}
	return sum
}

// add books the work of one step, mean velocities over the step.
func (e *ledger) add(pl *plant, w0, v0, vy0, r, fast, aux, brakeSign float64) {
	p, s, dt := &pl.p, &pl.hoisted, pl.dt
	w, v, vy := (w0+pl.w)/2, (v0+pl.v)/2, (vy0+s.vy)/2
	e.drive += pl.drive.torque * w * dt
	e.brake += math.Abs(pl.brakeTq * brakeSign * w * dt)
	e.aux += aux * w * dt
	e.sheaves += (fast - pl.pull/p.lines) * r * w * dt
	stretch := pl.bareHeight() - pl.h
	if stretch > 0 {
		spring := p.lineStiffness(pl.h) * stretch
		e.line += (pl.pull - spring) * (r*w/p.lines - v) * dt
		e.carried += p.lineStiffnessSlope(pl.h) * stretch * stretch / 2 * v * dt
	}
	if y := pl.h - s.y; s.latched && y > 0 {
		e.pipe += (s.pull - p.stringStiffness*y) * (v - vy) * dt
	}
	e.hole += p.holeDrag * s.mass * gravity * math.Tanh(vy0/0.05) * vy * dt
	e.bottom += s.bottom * vy * dt
	e.stringLift += s.mass * gravity * vy * dt
	e.through += (math.Abs(pl.drive.torque*w) + math.Abs(p.blockMass*gravity*v) + math.Abs(s.mass*gravity*vy)) * dt
}

// impact books what crown or floor took: the block's motion, and the work of
// putting it back by past against its weight and the line.
func (e *ledger) impact(pl *plant, past float64) {
	m := pl.p.blockMass
	e.hits += m*pl.v*pl.v/2 + (m*gravity-pl.pull+pl.hoisted.pull)*past
}

// imbalance is energy that went missing, J: what came in less what went out less
// what is stored.
func (e *ledger) imbalance(pl *plant) float64 {
	in := e.drive + e.bottom + e.carried
	out := e.brake + e.aux + e.sheaves + e.line + e.pipe + e.hole + e.slipsLoss + e.hits
	return in - out - (e.stored(pl) - e.initial)
}
