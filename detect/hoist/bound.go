package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Z99 is the standard normal quantile of 0.99: one stop in a hundred lies beyond.
const Z99 = 2.3263478740408408

// Spread is one standard deviation of each thing that a reading tells. What a rig
// file tells stands in [Uncertainty].
type Spread struct {
	Speed        units.MetrePerSecond
	Acceleration units.MetrePerSecond2
	Temperature  units.Kelvin // a difference
	Friction     float64      // of FrictionFactor as tracked; 0 = not tracked, the rig's own is used
	HookLoad     float64      // relative, of the reading; added to the rig's as root of squares
}

// The uncertain inputs of a stop.
const (
	inFriction = iota
	inDead
	inRise
	inRelease
	inLoad
	inInertia
	inSpeed
	inAcceleration
	inTemperature
	numInputs
)

// deviations holds one standard deviation an input, signed towards what is
// expected to lengthen the stop.
type deviations [numInputs]float64

func (r *Rig) deviations(p *plant, s Spread) deviations {
	u := &r.Uncertainty
	friction := s.Friction
	if !(friction > 0) && r.Service.Friction > 0 {
		friction = u.Friction / r.Service.Friction * p.friction
	}
	load := p.load * math.Hypot(u.HookLoad, s.HookLoad)
	if p.raising {
		load = -load // a light block is harder to stop going up
	}
	return deviations{
		inFriction: -friction, inDead: float64(u.DeadTime), inRise: float64(u.RiseTime),
		inRelease: float64(u.Release), inLoad: load, inInertia: u.Inertia * p.inertia,
		inSpeed: float64(s.Speed), inAcceleration: float64(s.Acceleration), inTemperature: float64(s.Temperature),
	}
}

// moved returns the plant with input i moved by x; what cannot be negative stops at 0.
func (p plant) moved(i int, x float64) plant {
	switch i {
	case inFriction:
		p.friction = max(p.friction+x, 0)
	case inDead:
		p.dead = max(p.dead+x, 0)
	case inRise:
		p.rise = max(p.rise+x, 0)
	case inRelease:
		p.rel = max(p.rel+x, 0)
	case inLoad:
		p.load = max(p.load+x, 0)
	case inInertia:
		p.inertia = max(p.inertia+x, p.inertia/10)
	case inSpeed:
		p.v = max(p.v+x, 0)
	case inAcceleration:
		p.a += x
	case inTemperature:
		p.temp = max(p.temp+x, 1)
	}
	return p
}

// StopBound returns the stop that 99 % of real stops stay inside, one-sided, and
// how its distance grows with speed (s, dm/(m/s)). Lowering, the retarding torque
// is taken as lost at the trip, whatever c says.
//
//	u* = argmax D(x̄ + σ u) over |u| = z,  bound = D(x̄ + σ u*)
//
//	D    stop distance, see [Rig.Stop]                      m
//	x̄    inputs as known: friction, dead time, rise, release, load, inertia,
//	     speed, acceleration, temperature
//	σ    their standard deviations, independent, normal
//	z    2.326, the one-sided 99 % point
//
// u* is found from the distance differences of one standard deviation each (the
// direction cosines); where the answer shows that D is curved, once more from
// differences taken at that point, and the longer answer counts. Where one input
// alone at its one-sigma value, or friction alone at z sigma, leaves a load that
// cannot be stopped, more than one stop in a hundred cannot: the bound cannot
// stop. The uncertainty of position is not in it; the caller adds that linearly.
//
// Source: first-order reliability, performance measure approach with the advanced
// mean value step (structural reliability texts). Coverage is proved by trial.
func (r *Rig) StopBound(c StopCase, s Spread) (bound Stop, speedSlope float64) {
	if c.Direction != Raising {
		c.RetardingLost = true
	}
	base := r.plant(c)
	sd := r.deviations(&base, s)
	if !sd.known() {
		return cannot(StopInputUnknown, base.temp), math.NaN()
	}
	bound, point, speedSlope := boundOf(&base, &sd, base.stop())
	if bound.CanStop {
		bound = point.timedStop()
	}
	return bound, speedSlope
}

// Stops returns what [Rig.Stop] and [Rig.StopBound] do at less work; the Time of a stop
// that can be had is NaN.
func (r *Rig) Stops(c StopCase, s Spread) (expected, bound Stop, speedSlope float64) {
	base := r.plant(c)
	expected = base.stop()
	own := expected
	if !base.raising && !base.lost {
		base.lost = true
		own = base.stop()
	}
	sd := r.deviations(&base, s)
	if !sd.known() {
		return expected, cannot(StopInputUnknown, base.temp), math.NaN()
	}
	bound, _, speedSlope = boundOf(&base, &sd, own)
	for _, s := range [...]*Stop{&expected, &bound} {
		if s.CanStop {
			s.Time = units.Second(math.NaN())
		}
	}
	return expected, bound, speedSlope
}

func (d *deviations) known() bool {
	for _, x := range d {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// boundOf works out the bound of a plant whose own stop is given, and the plant at the
// bound.
func boundOf(base *plant, sd *deviations, expected Stop) (bound Stop, point plant, speedSlope float64) {
	if !expected.CanStop {
		return expected, point, math.Inf(1)
	}
	cos, spread, failed := cosines(base, sd, &expected, 1)
	if !failed.CanStop {
		return failed, point, math.Inf(1)
	}
	point = base.at(sd, &cos)
	bound = point.stop()
	if straight := float64(expected.Distance) + Z99*spread; bound.CanStop && float64(bound.Distance) > 0.02+1.02*straight {
		weak := base.moved(inFriction, Z99*sd[inFriction])
		if f := weak.stop(); !f.CanStop {
			return f, point, math.Inf(1)
		}
		bound, point = again(base, sd, point, bound)
	}
	if !bound.CanStop {
		return bound, point, math.Inf(1)
	}
	return bound, point, slope(&point, float64(bound.Distance))
}

// cosines returns the direction in which the distance grows fastest, by one-sided
// differences of step standard deviations from p, whose own stop is given, and the
// growth a standard deviation. Where an input's step cannot stop, last is that stop.
func cosines(p *plant, sd *deviations, own *Stop, step float64) (cos deviations, norm float64, last Stop) {
	last.CanStop = true
	d0, without := float64(own.Distance), p.without(sd, own, step)
	for i, x := range sd {
		if x == 0 || without[i] {
			continue
		}
		moved := p.moved(i, step*x)
		s := moved.stop()
		if !s.CanStop {
			return cos, 0, s
		}
		cos[i] = (float64(s.Distance) - d0) / step
		norm += cos[i] * cos[i]
	}
	norm = math.Sqrt(norm)
	if norm > 0 {
		for i := range cos {
			cos[i] /= norm
		}
	}
	return cos, norm, last
}

// without tells which inputs, moved by step standard deviations, cannot change the
// distance of p's own stop by a bit, so that their stops need not be worked out: a
// release on which no drive torque hangs, and a temperature that with twice the
// heat of the stop stays on one level piece of the fade curve.
func (p *plant) without(sd *deviations, own *Stop, step float64) (no [numInputs]bool) {
	g := integration{p: p}
	g.begin()
	no[inRelease] = g.q <= 0
	by, seg := step*sd[inTemperature], p.fade.segment(p.temp)
	top := float64(own.EndTemperature)
	no[inTemperature] = seg.slope == 0 && p.temp+min(by, 0) > max(seg.from, 1) &&
		top+(top-p.temp)+max(by, 0)+1 < seg.to
	return no
}

// at returns the plant at z standard deviations along the cosines.
func (p plant) at(sd, cos *deviations) plant {
	for i, x := range sd {
		p = p.moved(i, Z99*cos[i]*x)
	}
	return p
}

// again takes the cosines at the first design point, backwards so that the
// points asked lie inside, and keeps the longer answer.
func again(base *plant, sd *deviations, point plant, bound Stop) (Stop, plant) {
	cos, _, last := cosines(&point, sd, &bound, -0.5)
	if !last.CanStop {
		return bound, point
	}
	second := base.at(sd, &cos)
	s := second.stop()
	if !s.CanStop || s.Distance > bound.Distance {
		return s, second
	}
	return bound, point
}

// slope returns the growth of a stop's distance d with speed at p.
func slope(p *plant, d float64) float64 {
	dv := -0.02
	if p.v < 0.02 {
		dv = 0.02
	}
	moved := p.moved(inSpeed, dv)
	return (float64(moved.stop().Distance) - d) / dv
}

// SecondsToAct returns the time until a stop's rest point meets a limit, if the
// block goes on as it does: the smallest t ≥ 0 with
//
//	v t + ½ a t² + k a t = room
//
//	room  limit less rest point, in the direction of travel     m
//	v, a  speed and acceleration towards the limit               m/s, m/s²
//	k     growth of the stop distance with speed                 s
//
// Room of 0 or less gives 0; never gives +Inf; not known gives NaN. k that is
// infinite (it will not stop at all) gives 0 while the block speeds up.
//
// Source: kinematics; derived here.
func SecondsToAct(room units.Metre, v units.MetrePerSecond, a units.MetrePerSecond2, k float64) float64 {
	l, half := float64(room), float64(a)/2
	if math.IsNaN(l) || math.IsNaN(float64(v)) || math.IsNaN(half) {
		return math.NaN()
	}
	if l <= 0 {
		return 0
	}
	b := float64(v)
	if half != 0 {
		b += k * float64(a)
	}
	if math.IsNaN(b) {
		return math.NaN()
	}
	if math.IsInf(b, 1) {
		return 0
	}
	if half == 0 {
		if b <= 0 {
			return math.Inf(1)
		}
		return l / b
	}
	disc := b*b + 4*half*l
	if disc < 0 {
		return math.Inf(1)
	}
	// 2 L/(b + √disc) is the smaller positive root of ½a t² + b t − L for either
	// sign of a, and does not cancel.
	t := 2 * l / (b + math.Sqrt(disc))
	if !(t >= 0) {
		return math.Inf(1)
	}
	return t
}
