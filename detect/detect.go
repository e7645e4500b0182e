package detect

import (
	"math"
	"time"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// Detector watches one rig. It is not safe for concurrent use; two detectors share
// nothing.
type Detector struct {
	rig    *hoist.Rig
	epoch  time.Time
	begun  bool
	ins    [ingest.NumChannels]instrument
	clock  sourceClock
	pos    position
	load   load
	heat   heat
	result Result

	friction   friction
	lining     lining
	excitation excitation
	gauge      gaugeZero
	rest       standstill
	byHeat     byTemperature
	aux        auxiliary
	balance    balance
	activity   activity
	heldFor    float64 // s that the brake has held the load still
	heldAt     float64 // pressure that held, of full
	setAt      float64 // pressure, filtered, of full
	creepFor   float64 // s that the drum has turned with the brake set

	heading  heading
	drive    drive
	drag     drag
	pressure pressure
	coolant  coolant

	motionSince [len(motionWitnesses)]float64 // receipt since which each witness shows motion; +Inf = it does not
	cross       speeds
	little      tooLittle
	traded      traded
	sensorWas   float64
	sensorAt    float64

	framed   bool
	newFrame bool           // the present call is a frame, not a tick
	pending  [NumKinds]bool // seen in one frame, not yet confirmed by the next
	event    float64        // event time of the newest frame, s since epoch
	received float64        // its receipt
	latency  float64        // beyond the clocks' offset, s
	lineWork float64        // J
}

// Result is what one frame or tick says. It is valid until the next.
type Result struct {
	Estimate Estimate
	Findings [NumKinds]Finding
	Channels [NumChannelKinds][ingest.NumChannels]Finding
	Answers  [NumAnswers]Answer
	Work     Work
}

// New returns a detector for the rig. The channels of mapped (bit c for channel c)
// are expected to come; what else comes is used too.
func New(rig *hoist.Rig, mapped uint32) *Detector {
	d := &Detector{
		rig: rig, pos: newPosition(rig), load: newLoad(rig), heat: newHeat(rig),
		friction: newFriction(rig), excitation: newExcitation(rig, rig.Auxiliary.FullCurrent > 0), aux: newAuxiliary(), gauge: gaugeZero{spread: gaugeSpread},
		activity: newActivity(float64(rig.TravellingMass) * gravity),
		cross:    speeds{now: math.NaN(), newestAt: math.NaN()},
		heading:  newHeading(), drive: newDrive(), drag: newDrag(), pressure: newPressure(), coolant: newCoolant(),
	}
	for c := range ingest.NumChannels {
		d.ins[c].mapped = mapped&(1<<c) != 0
		for k := range NumChannelKinds {
			d.setChannel(k, c, undecided())
		}
	}
	for k := range d.motionSince {
		d.motionSince[k] = math.Inf(1)
	}
	return d
}

// Expect states the interval at which readings of c come, s, where it is known
// before they do.
func (d *Detector) Expect(c ingest.Channel, period float64) {
	if period > 0 {
		d.ins[c].period, d.ins[c].stated = period, true
	}
}

// Step takes one frame and returns what it says.
func (d *Detector) Step(f *ingest.Frame) *Result {
	now := d.seconds(f.Received)
	if f.ClockStepped {
		d.clock.reset()
		d.framed = false
	}
	t := f.Time.Sub(d.epoch).Seconds()
	d.latency = d.clock.observe(t, now)
	dt := 0.0
	if d.framed {
		dt = max(0, t-d.event)
	}
	if f.ClockStepped {
		d.pos.at, d.pos.countsAt, d.pos.sensorAt = t, t, t
	}
	d.take(ingest.DrumCounts, &f.Values[ingest.DrumCounts], now) // the drum's speed is held against it
	d.speedOfCounts()
	for c := range ingest.NumChannels {
		if c != ingest.DrumCounts {
			d.take(c, &f.Values[c], now)
		}
	}
	d.judgeSpeeds(t, now)
	before := d.pos.motion.x[ixH]
	d.pos.step(t, now, &d.ins, d.loadForMap())
	d.followMotion(now)
	d.judgePressure(now, dt)
	d.followTraded(now, dt)
	d.load.step(&d.ins, now, dt, d.pos.motion.x[ixV], d.pos.motion.x[ixA], d.direction())
	d.brakes(t, now, dt)
	d.work(before)
	d.followActivity(dt, before)
	d.framed, d.event, d.received = true, t, now
	d.newFrame = true
	d.answer(f.Time, now, d.latency)
	return &d.result
}

// Tick takes the passing of time without a reading: what is known ages.
func (d *Detector) Tick(at time.Time) *Result {
	now := d.seconds(at)
	age := d.latency
	if d.framed {
		age += now - d.received
	}
	for c := range ingest.NumChannels {
		d.ins[c].came, d.ins[c].fresh = false, false
	}
	if !d.load.known(&d.ins, now) {
		d.load.forget()
	}
	d.newFrame = false
	d.answer(at, now, age)
	return &d.result
}

func (d *Detector) seconds(at time.Time) float64 {
	if !d.begun {
		d.begun, d.epoch = true, at
	}
	return at.Sub(d.epoch).Seconds()
}

// loadForMap is the load that the drum-wrap map uses: the newest, else that of the
// reference.
func (d *Detector) loadForMap() float64 {
	if hook := &d.ins[ingest.HookLoad]; hook.fresh {
		return hook.v
	}
	if Known(d.load.force) {
		return d.load.force
	}
	return float64(d.rig.Reference.HookLoad)
}

func (d *Detector) direction() hoist.Direction {
	switch v := d.pos.motion.x[ixV]; {
	case v > stillSpeed:
		return hoist.Raising
	case v < -stillSpeed:
		return hoist.Lowering
	}
	return hoist.Static
}

func (d *Detector) moving(now float64) bool {
	b, _ := d.blindness(now)
	return b&BlindCrown == 0 && math.Abs(d.pos.motion.x[ixV]) > stillSpeed
}

// brakes takes the frame's torque balance into heat and friction health.
func (d *Detector) brakes(t, now, dt float64) {
	d.balance = d.balanceNow(now)
	d.heat.step(&d.balance, dt, &d.ins[ingest.BrakeTemperature])
	b := &d.balance
	d.followAuxiliary(b, now, dt)
	d.followCreep(now, dt)
	d.followZero(now)
	d.followLining(t, now)
	d.followHeading(dt)
	d.followDriveRelease(now, dt)
	d.followDrag(now, dt)
	d.followPressure(now, dt)
	d.followCoolant(now, dt)
	d.followStandstill(t, now, dt)
}

// work adds up the line's work, ∫ F |dh| (PHYSICS section 7).
func (d *Detector) work(before float64) {
	if d.framed && Known(d.load.force) && d.pos.started {
		d.lineWork += d.load.force * math.Abs(d.pos.motion.x[ixH]-before)
	}
}

// Instrument is the state of one channel as the page shows it.
type Instrument struct {
	Mapped    bool
	Value     ingest.Value
	AgeS      float64 // since receipt; NaN = never came
	Unchanged float64 // s since the value last changed
	Patience  float64 // s without a value after which the channel is lost; NaN = never came
}

// Instrument returns the state of channel c at the given time.
func (d *Detector) Instrument(c ingest.Channel, at time.Time) Instrument {
	i := &d.ins[c]
	now := d.seconds(at)
	out := Instrument{Mapped: i.mapped, AgeS: math.NaN(), Patience: math.NaN(), Value: ingest.BadValue(ingest.Absent)}
	if !i.seen {
		if i.mapped && i.reason != ingest.NoReason {
			out.Value = ingest.BadValue(i.reason)
		}
		return out
	}
	out.AgeS, out.Unchanged, out.Patience = now-i.at, now-i.changed, i.patience()
	switch {
	case i.named > i.at: // the newest message had no value for it
		out.Value = ingest.BadValue(i.reason)
	case !i.heard(now):
		out.Value = ingest.BadValue(ingest.Lost)
	case i.frozen:
		out.Value = ingest.BadValue(ingest.Frozen)
	case i.doubt != NoCause:
		out.Value = ingest.BadValue(i.doubt.reason())
	default:
		out.Value = ingest.Value{V: i.v, Quality: i.quality, Reason: i.reason}
	}
	return out
}
