package detect_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"hoistward/configs"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// epoch is the start of every test run.
var epoch = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func r1(t testing.TB) *hoist.Rig {
	t.Helper()
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	return rig
}

// motionAt is a block that a test moves by formula: height, speed and acceleration
// at a time.
type motionAt func(t float64) (h, v, a float64)

// bench feeds a detector with what ideal instruments, with the noise given, would
// say of a motion. It is a test's own, simpler road than the simulator's plant.
type bench struct {
	t        testing.TB
	rig      *hoist.Rig
	wraps    hoist.Map
	det      *detect.Detector
	asm      ingest.Assembler
	rand     *rand.Rand
	period   float64
	load     float64 // N
	pressure float64 // Pa
	channels uint32
	noise    float64                           // m, of the height sensor
	bend     func(t float64, s *ingest.Sample) // changes what the instruments say
	now      float64
}

func newBench(t testing.TB, rig *hoist.Rig) *bench {
	m, err := hoist.NewMap(rig)
	if err != nil {
		t.Fatal(err)
	}
	all := uint32(1<<ingest.HookLoad | 1<<ingest.BlockHeight | 1<<ingest.DrumSpeed | 1<<ingest.DrumCounts | 1<<ingest.BrakePressure)
	return &bench{
		t: t, rig: rig, wraps: m, det: detect.New(rig, all), rand: rand.New(rand.NewPCG(1, 2)),
		period: 0.1, load: 294.2e3, channels: all, noise: 0.01, now: -0.1,
	}
}

func (b *bench) sample(h, v float64) ingest.Sample {
	var s ingest.Sample
	s.Time = epoch.Add(time.Duration(math.Round(b.now * 1e9)))
	w := b.wraps.Wraps(units.Metre(h), units.Newton(b.load))
	r := float64(b.wraps.Radius(w))
	put := func(c ingest.Channel, x float64) {
		if b.channels&(1<<c) != 0 {
			s.Set(c, ingest.Number(x))
		}
	}
	put(ingest.HookLoad, b.load)
	put(ingest.BlockHeight, h+b.noise*b.rand.NormFloat64())
	put(ingest.DrumSpeed, v*float64(b.rig.Reeving.Lines)/r)
	put(ingest.DrumCounts, math.Floor(w*b.rig.Drawworks.Encoder.CountsPerRevolution))
	put(ingest.BrakePressure, b.pressure)
	return s
}

// run plays a motion for so many seconds and calls see after each frame.
func (b *bench) run(seconds float64, m motionAt, see func(t, h, v float64, r *detect.Result)) {
	start := b.now
	for b.now < start+seconds-1e-9 {
		b.now += b.period
		h, v, _ := m(b.now)
		s := b.sample(h, v)
		if b.bend != nil {
			b.bend(b.now, &s)
		}
		if f, _ := b.asm.Add(&s, s.Time); f != nil {
			r := b.det.Step(f)
			if see != nil {
				see(b.now, h, v, r)
			}
		}
	}
}

// still keeps the block at h.
func still(h float64) motionAt { return func(float64) (float64, float64, float64) { return h, 0, 0 } }
