package simulator

import (
	"math"
	"math/rand/v2"

	"hoistward/ingest"
)

const rpm = 30 / math.Pi

// instrument is one channel's chain: the quantity, its lag, its noise, its
// steps, and then its lies.
type instrument struct {
	fitted  bool
	lag     float64 // s
	noise   float64 // 1 standard deviation, SI
	step    float64 // quantisation, SI; 0 = none
	every   int     // sample periods between readings; others are not named in the message
	phase   int
	zero    float64 // fixed error, SI
	lies    lies
	primed  bool
	lagged  float64
	shown   float64
	lastOut float64
}

// lies are what faults do to a reading.
type lies struct {
	frozen   bool
	gone     bool    // not in the message
	null     bool    // in the message, with no value
	drift    float64 // SI a second
	drifted  float64
	offset   float64
	scale    float64 // 0 = 1
	deadband float64
	spikes   float64 // chance a sample
	spikeBy  float64
	noise    float64 // added, 1 standard deviation
}

// instruments is what the rig's readings are made of.
type instruments struct {
	ch      [ingest.NumChannels]instrument
	rng     *rand.Rand
	bits    uint
	perTurn float64
	counts0 float64 // counter at wraps0
	wraps0  float64
	slip    float64 // turns that the encoder coupling has lost
	slipBy  float64 // share of turning that is lost, fault
}

// defaults are the channels, in the order in which they are published.
var defaultChannels = []ingest.Channel{
	ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.DrumCounts,
	ingest.BrakePressure, ingest.EmergencyPressure, ingest.DriveEngaged, ingest.AuxiliaryCurrent,
}

func newInstruments(p *params, channels []ingest.Channel, spread float64, r *rand.Rand) instruments {
	in := instruments{rng: r, bits: p.rig.Drawworks.Encoder.CounterBits, perTurn: p.rig.Drawworks.Encoder.CountsPerRevolution}
	if in.bits == 0 {
		in.bits = 32
	}
	base := [ingest.NumChannels]instrument{
		ingest.HookLoad:           {lag: 0.12, noise: 2500, step: 500, zero: around(r, 0, 2000, spread, -1e5)},
		ingest.BlockHeight:        {lag: 0.08, noise: 0.006, step: 0.01, zero: around(r, 0, 0.01, spread, -1)},
		ingest.DrumSpeed:          {lag: 0.03, noise: 0.02, step: 0.01},
		ingest.DrumCounts:         {step: 1},
		ingest.BrakePressure:      {lag: 0.02, noise: 1.2e4, step: 5e3, zero: around(r, 0, 8e3, spread, -1e6)},
		ingest.EmergencyPressure:  {lag: 0.02, noise: 1.5e4, step: 5e3},
		ingest.DriveTorque:        {lag: 0.1, noise: 400, step: 100},
		ingest.DriveEngaged:       {step: 1},
		ingest.AuxiliaryCurrent:   {lag: 0.05, noise: 0.15, step: 0.1},
		ingest.BrakeTemperature:   {lag: 6, noise: 0.6, step: 0.5, zero: around(r, 0, 1.5, spread, -10)},
		ingest.CoolantTemperature: {lag: 5, noise: 0.3, step: 0.1},
		ingest.DeadLineTension:    {lag: 0.12, noise: 300, step: 50},
		ingest.CrownSaver:         {step: 1},
		ingest.BitDepth:           {noise: 0.01, step: 0.01},
	}
	for i := range base {
		base[i].every = 1
	}
	in.ch = base
	for _, c := range channels {
		in.ch[c].fitted = c != ingest.DrumCounts || in.perTurn > 0
	}
	return in
}

// tieCounts sets the counter at the start of a run: the reference's own counts
// where the rig states them, else where the counter happens to be.
func (in *instruments) tieCounts(p *params, wraps float64, start float64, has bool) {
	ref := p.rig.Reference
	switch {
	case has:
		in.wraps0, in.counts0 = wraps, start
	case ref.HasCounts:
		in.wraps0, in.counts0 = ref.Wraps, ref.Counts
	default:
		in.wraps0, in.counts0 = wraps, math.Floor(in.rng.Float64()*1e6)
	}
}

// observe lets the slow parts of the chain follow the plant; dt is one plant step
// group.
func (in *instruments) observe(pl *plant, d *driller, dt float64) {
	for c := range in.ch {
		x := &in.ch[c]
		if !x.fitted {
			continue
		}
		q := in.quantity(ingest.Channel(c), pl, d)
		if !x.primed || x.lag == 0 {
			x.lagged, x.primed = q, true
			continue
		}
		x.lagged += (q - x.lagged) * dt / (dt + x.lag)
	}
	if in.slipBy != 0 {
		in.slip += in.slipBy * pl.w * dt / (2 * math.Pi)
	}
}

func (in *instruments) quantity(c ingest.Channel, pl *plant, d *driller) float64 {
	switch c {
	case ingest.HookLoad:
		return pl.pull
	case ingest.BlockHeight:
		return pl.h
	case ingest.DrumSpeed:
		return pl.w
	case ingest.DrumCounts:
		return (pl.wraps-in.wraps0-in.slip)*in.perTurn + in.counts0
	case ingest.BrakePressure:
		return pl.brake.pressure
	case ingest.EmergencyPressure:
		return pl.emerg.pressure
	case ingest.DriveTorque:
		return pl.drive.torque
	case ingest.DriveEngaged:
		return on(pl.drive.engaged)
	case ingest.AuxiliaryCurrent:
		return pl.aux.excitation * pl.p.aux.full
	case ingest.BrakeTemperature:
		return pl.heat.ring
	case ingest.CoolantTemperature:
		return pl.aux.temp
	case ingest.DeadLineTension:
		return pl.pull * pl.p.deadLineShare(pl.dir)
	case ingest.CrownSaver:
		return on(pl.saver.tripped)
	case ingest.BitDepth:
		return d.bitDepth(pl)
	}
	return math.NaN()
}

func on(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// read writes the readings of one sample period dt into s.
func (in *instruments) read(s *ingest.Sample, dt float64) {
	for c := range in.ch {
		x := &in.ch[c]
		if !x.fitted || x.lies.gone {
			continue
		}
		x.phase++
		if x.phase < x.every {
			continue
		}
		x.phase = 0
		ch := ingest.Channel(c)
		if x.lies.null {
			s.Set(ch, ingest.BadValue(ingest.Null))
			continue
		}
		s.Set(ch, ingest.Number(in.reading(ch, x, dt*float64(x.every))))
	}
}

func (in *instruments) reading(c ingest.Channel, x *instrument, dt float64) float64 {
	l := &x.lies
	l.drifted += l.drift * dt
	if l.frozen {
		return x.lastOut
	}
	v := x.lagged + x.zero + l.offset + l.drifted
	if sd := x.noise + l.noise; sd > 0 {
		v += sd * in.rng.NormFloat64()
	}
	if l.deadband > 0 {
		if math.Abs(v-x.shown) < l.deadband {
			v = x.shown
		}
		x.shown = v
	}
	if x.step > 0 {
		v = math.Round(v/x.step) * x.step
	}
	switch c {
	case ingest.DrumCounts:
		v = wrapCounts(v, in.bits)
	case ingest.BrakePressure, ingest.EmergencyPressure, ingest.AuxiliaryCurrent:
		v = math.Max(0, v)
	}
	if l.scale != 0 {
		v *= l.scale
	}
	if l.spikes > 0 && in.rng.Float64() < l.spikes {
		v += l.spikeBy
	}
	x.lastOut = v
	return v
}

// wrapCounts is what a counter of so many bits shows.
func wrapCounts(v float64, bits uint) float64 {
	size := math.Ldexp(1, int(bits))
	v = math.Mod(v, size)
	if v < 0 {
		v += size
	}
	return v
}
