package detect

import (
	"math"
	"time"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// AnswerKind names a question that the monitor answers.
type AnswerKind uint8

// The answers.
const (
	CrownAnswer AnswerKind = iota
	FloorAnswer
	HeatAnswer
	FrictionAnswer
	MarginAnswer
	AuxiliaryAnswer
	NumAnswers
)

// String returns the answer's name on screens.
func (a AnswerKind) String() string {
	return [...]string{"crown", "floor", "brake heat", "friction", "brake margin", "auxiliary"}[a]
}

// Grade says how well a question can be answered.
type Grade uint8

// The grades.
const (
	Gone Grade = iota
	Degraded
	Fair
)

// String returns the word used in JSON.
func (g Grade) String() string { return [...]string{"gone", "degraded", "good"}[g] }

// Answer is the state of one question.
type Answer struct {
	Grade Grade
	Why   string
}

// answer works out the estimate, the answers and the findings at now, with the
// newest reading age seconds old.
func (d *Detector) answer(at time.Time, now, age float64) {
	m := d.marginNow(now, age)
	d.estimate(at, now, &m)
	d.grade(now, &m)
	d.judge(now, &m)
}

func (d *Detector) estimate(at time.Time, now float64, m *margin) {
	e := &d.result.Estimate
	x := &d.pos.motion.x
	*e = Estimate{
		Time: at, Activity: d.motionNow(now),
		Height: x[ixH], Velocity: x[ixV], Acceleration: x[ixA],
		HookLoad: d.load.force / 1e3,
		RestUp:   m.restUp, RestUpBound: m.restUpBound, RestDown: m.restDown, RestDownBound: m.restDownBound,
		CrownRoom: m.crownRoom, FloorRoom: m.floorRoom,
		SecondsToAct: m.toAct, SafeLowering: m.safeLowering, CannotStop: m.cannotStop,
		BrakeTemperature: NotKnown(), BrakeTemperatureHi: NotKnown(),
		Friction: NotKnown(), FrictionLow: NotKnown(), FrictionHigh: NotKnown(),
		BrakeMargin: d.brakeMargin(), AuxiliaryShare: NotKnown(),
		StandsToAmber: d.heading.toAmber, StandsToRed: d.heading.toRed, BrakeSettles: d.heading.settles,
		LineWork: d.lineWork / 1e6, Blind: m.blind, HeightSource: d.pos.whichSource(&d.ins, now),
	}
	if m.blind&BlindCrown != 0 { // neither height nor speed may be read off old values
		e.Height, e.Velocity, e.Acceleration = NotKnown(), NotKnown(), NotKnown()
		e.HeightSource = NoHeight
	}
	if d.heatKnown() {
		e.BrakeTemperature, e.BrakeTemperatureHi = d.heat.expected(), d.heat.bound()
	}
	d.estimateFriction(e)
}

func (d *Detector) estimateFriction(e *Estimate) {
	if d.friction.applications > 0 {
		fade := d.rig.Service.Fade.Factor(units.FromCelsius(d.heat.expected()))
		low, high := d.friction.interval()
		e.Friction, e.FrictionLow, e.FrictionHigh = d.friction.health()*fade, low*fade, high*fade
	}
	b := &d.balance
	if Known(b.auxiliary) && b.retarding > leastBraking && b.omega > turning && d.pos.motion.x[ixV] < 0 {
		e.AuxiliaryShare = b.auxiliary / b.retarding
	}
}

// leastBraking is the least retarding torque whose shares mean something, N·m.
const leastBraking = 2000

// heatKnown tells whether the drum balance, and so the brake's heat, can be had.
func (d *Detector) heatKnown() bool {
	turning := d.ins[ingest.DrumSpeed].seen || d.ins[ingest.DrumCounts].seen
	return d.heat.known || (turning && d.ins[ingest.HookLoad].seen)
}

// brakeMargin is the service brake's capacity at full pressure, as hot as it can
// be, over the static demand of the load (PHYSICS section 4).
func (d *Detector) brakeMargin() Number {
	if !Known(d.load.weight) || !d.heatKnown() {
		return NotKnown()
	}
	c := d.rig.Service.Capacity(units.FromCelsius(d.heat.bound()), d.friction.health(), hoist.Lowering)
	return hoist.HoldMargin(c, units.Newton(d.load.weight), units.Metre(d.pos.radius()), d.rig.Reeving.Lines)
}

// motionNow is what the hoist does at this moment; [Work] is what it is part of.
func (d *Detector) motionNow(now float64) Activity {
	b, _ := d.blindness(now)
	v := d.pos.motion.x[ixV]
	switch {
	case b&BlindCrown != 0 || !Known(d.load.weight):
		return ActivityUnknown
	case v > stillSpeed && d.load.loaded:
		return RaisingLoaded
	case v > stillSpeed:
		return RaisingLight
	case v < -stillSpeed && d.load.loaded:
		return LoweringLoaded
	case v < -stillSpeed:
		return LoweringLight
	case !d.load.loaded:
		return InSlips
	}
	return Still
}

// grade says how well each question can be answered now.
func (d *Detector) grade(now float64, m *margin) {
	a := &d.result.Answers
	a[CrownAnswer] = d.gradeStop(now, m.blind&BlindCrown != 0, m.why, m.degraded)
	a[FloorAnswer] = d.gradeStop(now, m.blind != 0, m.why, m.degraded)
	a[HeatAnswer] = d.gradeHeat(now)
	a[FrictionAnswer] = d.gradeFriction(now)
	a[MarginAnswer] = Answer{Fair, ""}
	if !Known(d.result.Estimate.BrakeMargin) {
		a[MarginAnswer] = Answer{Gone, "needs hook load and drum speed"}
	}
	a[AuxiliaryAnswer] = d.gradeAuxiliary(now)
}

func (d *Detector) gradeStop(now float64, blind bool, why, degraded Cause) Answer {
	switch {
	case blind:
		return Answer{Gone, why.Words()}
	case degraded != NoCause:
		return Answer{Degraded, degraded.Words()}
	case d.pos.disagree:
		return Answer{Degraded, WitnessesApart.Words()}
	case d.result.Estimate.HeightSource == FromSensor:
		return Answer{Degraded, "from the height sensor alone"}
	case d.result.Estimate.HeightSource == FromDrum && d.ins[ingest.BlockHeight].mapped:
		return Answer{Degraded, "from the drum alone"}
	}
	return Answer{Fair, ""}
}

func (d *Detector) gradeHeat(now float64) Answer {
	switch {
	case !d.heatKnown():
		return Answer{Gone, "needs hook load and drum speed or counts"}
	case !d.ins[ingest.BrakePressure].live(now):
		return Answer{Degraded, "no brake pressure: all braking is taken to heat the brake"}
	case !d.ins[ingest.HookLoad].live(now):
		return Answer{Degraded, "no hook load: heat that comes now is not counted"}
	case !d.heat.known && d.heat.since < settledAfter:
		return Answer{Degraded, "watching began not long ago: the brake's start is a guess"}
	}
	return Answer{Fair, ""}
}

func (d *Detector) gradeFriction(now float64) Answer {
	switch {
	case !d.ins[ingest.BrakePressure].mapped:
		return Answer{Gone, "needs brake pressure"}
	case d.friction.applications == 0:
		return Answer{Gone, "no application of the brake seen yet that shows it"}
	case d.friction.applications < fadeNeeds || !d.ins[ingest.BrakePressure].live(now):
		return Answer{Degraded, "little evidence"}
	}
	return Answer{Fair, ""}
}

func (d *Detector) gradeAuxiliary(now float64) Answer {
	switch {
	case d.rig.Auxiliary.Kind == hoist.NoAuxiliary:
		return Answer{Gone, "none fitted"}
	case !d.heatKnown() || !d.ins[ingest.BrakePressure].live(now):
		return Answer{Gone, "needs hook load, drum speed and brake pressure"}
	case math.IsNaN(d.auxiliaryTorque(1, now, true)):
		return Answer{Degraded, "its excitation is not known"}
	case !Known(d.result.Estimate.AuxiliaryShare):
		return Answer{Fair, "the load is not being braked"}
	}
	return Answer{Fair, ""}
}
