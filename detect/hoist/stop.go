package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// StopCase is one question to [Rig.Stop]: where does the block come to rest if
// the trip comes now.
type StopCase struct {
	Direction        Direction             // Raising or Lowering; Static is taken as Lowering
	Speed            units.MetrePerSecond  // of the block, ≥ 0
	Acceleration     units.MetrePerSecond2 // positive = speeding up in the direction of travel
	HookLoad         units.Newton          // static, travelling assembly included
	Radius           units.Metre           // of the drum where the line leaves it
	BrakeTemperature units.Kelvin
	RetardingLost    bool         // the torque that now holds back the motion is gone at the trip
	FrictionFactor   float64      // present health, 1 = as commissioned; multiplies the fade curve
	PressureFraction float64      // of full pressure that the trip brings, 1 = full
	Age              units.Second // of the newest reading
}

// Stop is the answer to a [StopCase].
type Stop struct {
	Distance       units.Metre  // travel of the block from its newest reading; +Inf where it cannot stop
	Time           units.Second // from the trip to the block at rest; +Inf where it cannot stop
	EndTemperature units.Kelvin // of the brake, heated by the stop
	CanStop        bool
	Reason         StopReason // why not, where CanStop is false
	Slack          bool       // the drum slows faster than the block can: the line goes slack
}

// StopReason says why a stop cannot be had.
type StopReason uint8

// The reasons.
const (
	StopGood         StopReason = iota
	StopInputUnknown            // a quantity that the answer needs is not known or cannot be
	StopBrakeWeak               // the brake's full torque is below what the load demands
	StopBrakeFades              // the brake heats and fades faster than it slows the load
	StopTooFar                  // still moving after more travel than any mast has
)

// String returns the reason in words, "" for [StopGood].
func (s StopReason) String() string {
	return [...]string{
		"",
		"a quantity that the answer needs is not known",
		"the brake's full torque is below what the load demands",
		"the brake fades faster than it slows the load",
		"still moving after more travel than any mast has",
	}[min(s, StopTooFar)]
}

// Stop returns where the block comes to rest after a trip at t = 0, when the
// drive is told to release and the service brake to set at the same time:
//
//	M dv/dt = Q(t) ∓ f m g r − u(t) C(T)     − raising, + lowering
//	dT/dt   = u C v n/(r m_b c)
//	M = J n/r + f m r
//
//	v    block speed in the direction of travel        m/s
//	Q    drive torque (Q > 0) or retarding torque (Q < 0) that the present
//	     acceleration a0 implies, M a0 ± f m g r        N·m
//	f    fast-line factor of the direction             –
//	m    hook load over g                              kg
//	J    inertia of all that turns with the drum       kg·m²
//	r    drum radius; n lines                          m, –
//	u    brake's build-up: 0 until the dead time, then straight to 1 over the rise
//	C    capacity at full pressure, lining at temperature T, times health   N·m
//	m_b c  heat capacity of the brake, one lump, not cooled within a stop   J/K
//
// A drive torque stays on until the drive's release. A retarding torque (auxiliary
// brake, or the brake already partly on) fades as 1 − u while the brake builds, or
// is gone at t = 0 with RetardingLost. The line cannot push: a drum that slows a
// rising block faster than g leaves it to coast, and the answer is the highest
// point of the block. Over the age of the newest reading the block goes on as it
// was: v·age + ½ a·age².
//
// It holds for one radius through the stop and a stiff line. The spring-set
// calipers are not counted on. Inputs that are not known, negative where that
// cannot be, or a rig without inertia, radius or brake heat capacity, give
// CanStop false, Distance +Inf and a reason; a brake that cannot win likewise.
//
// Source: Newton's law for drum and block; [Braking] is the second road where
// friction is one number; drive release apart from brake delay, IADC alert 99-03.
func (r *Rig) Stop(c StopCase) Stop {
	p := r.plant(c)
	return p.timedStop()
}

// plant is one stop's numbers in SI, free of the rig, so that a bound can move
// them one at a time.
type plant struct {
	raising            bool
	lost               bool
	bands              bool
	lines              float64
	f, g               float64
	inertia, load, rad float64 // J kg·m², W N, r m
	v, a, age          float64
	dead, rise, rel    float64
	temp               float64
	heat               float64 // J/K
	friction           float64 // health, times the fade curve
	torque1            float64 // N·m: disc, full-pressure torque at factor 1; band, live tension·R·bands
	muTheta            float64 // band: cold μθ
	fade               FadeCurve
}

func (r *Rig) plant(c StopCase) plant {
	d := c.Direction
	if d == Static {
		d = Lowering
	}
	b := &r.Service
	p := plant{
		raising: d == Raising, lost: c.RetardingLost, bands: b.Kind == BandBrake,
		lines: float64(r.Reeving.Lines), f: r.Reeving.FastLineFactor(d),
		g: float64(units.StandardGravity), inertia: float64(r.Drawworks.Drum.Inertia),
		load: float64(c.HookLoad), rad: float64(c.Radius),
		v: float64(c.Speed), a: float64(c.Acceleration), age: float64(c.Age),
		dead: float64(b.DeadTime), rise: float64(b.RiseTime), rel: float64(r.Drawworks.DriveRelease),
		temp: float64(c.BrakeTemperature), heat: float64(r.Heat.Mass) * float64(r.Heat.SpecificHeat),
		friction: c.FrictionFactor, fade: b.Fade,
	}
	if p.bands {
		p.torque1 = float64(b.LiveTension) * c.PressureFraction * float64(b.Bands) * float64(b.EffectiveRadius)
		p.muTheta = b.Friction * b.WrapAngle
	} else {
		p.torque1 = float64(b.Torque(units.Pascal(float64(b.FullPressure)*c.PressureFraction), 1, d))
	}
	return p
}

// capacity returns the full torque at a lining factor.
func (p *plant) capacity(factor float64) float64 {
	if !p.bands {
		return p.torque1 * p.friction * factor
	}
	d := Lowering
	if p.raising {
		d = Raising
	}
	return p.torque1 * bandGain(p.muTheta*p.friction*factor, d)
}

// known tells whether every number is one that a hoist can have; the limits are
// far outside any machine's and keep the arithmetic from running over.
func (p *plant) known() bool {
	return within(p.load, 0, 1e9) && within(p.v, 0, 1e3) && within(p.a, -1e3, 1e3) && within(p.age, 0, 1e3) &&
		within(p.dead, 0, 1e3) && within(p.rise, 0, 1e3) && within(p.rel, 0, 1e3) &&
		within(p.friction, 0, 1e2) && within(p.torque1, 0, 1e12) && within(p.muTheta, 0, 50) && within(p.temp, 1, 1e4) &&
		within(p.lines, 1, 100) && within(p.f, 1e-3, 2) && within(p.inertia, 1e-2, 1e9) && within(p.rad, 1e-2, 100) &&
		within(p.heat, 1, 1e12)
}

// within is false for NaN.
func within(x, least, most float64) bool { return x >= least && x <= most }

func cannot(reason StopReason, temp float64) Stop {
	inf := math.Inf(1)
	return Stop{Distance: units.Metre(inf), Time: units.Second(inf), EndTemperature: units.Kelvin(temp), Reason: reason}
}

// stop answers for one set of numbers; its Time is not to be used.
func (p *plant) stop() Stop { return p.answer(integration{}) }

// timedStop answers with the time.
func (p *plant) timedStop() Stop { return p.answer(integration{timed: true}) }

func (p *plant) answer(ig integration) Stop {
	if !p.known() {
		return cannot(StopInputUnknown, p.temp)
	}
	before, v := travel(p.v, p.a, p.age)
	ig.p, ig.v, ig.temp = p, v, p.temp
	ig.begin()
	return ig.run(before)
}

// travel returns how far a block goes in a time at a steady acceleration, and its
// speed then; it rests once it has come to a halt.
func travel(v, a, t float64) (distance, speed float64) {
	if end := v + a*t; end > 0 || a >= 0 {
		return v*t + a*t*t/2, end
	}
	return v * v / (-2 * a), 0
}
