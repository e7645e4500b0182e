package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
	"hoistward/simulator"
)

// Kind is what a case is about.
type Kind uint8

// The kinds of case.
const (
	StopCase Kind = iota
	ContactCase
	StandsCase
	FadeCase
	AuxiliaryCase
	SensorCase
	HeatCase
	numKinds
)

// String returns the word used in folders and reports.
func (k Kind) String() string {
	return [...]string{"stop", "contact", "stands", "fade", "auxiliary", "sensor", "heat", "unknown"}[min(k, numKinds)]
}

// mix is the order in which kinds come round; two hours of running in are long, and
// come once in heatEvery.
var mix = [...]Kind{
	StopCase, ContactCase, StandsCase, FadeCase, SensorCase,
	StopCase, ContactCase, AuxiliaryCase, StandsCase, SensorCase,
	StopCase, ContactCase, FadeCase, StopCase, SensorCase,
	ContactCase, StandsCase, AuxiliaryCase, StopCase, ContactCase,
}

const (
	heatEvery = 50
	heatFirst = 12
)

// Case is one drawn case. The same options, seed and index give the same case.
type Case struct {
	Index    int
	Kind     Kind
	Rig      string
	scenario simulator.Scenario
	text     []byte // the rig file that the monitor is given
	base     *hoist.Rig
	seed     uint64
	lie      lie
}

func (c *Case) contact() bool { return c.Kind == ContactCase }

// Example is a rig that cases are drawn around.
type Example struct {
	Name string
	Text []byte // of its rig file
}

// drawer draws one case.
type drawer struct {
	o *Options
	r *rand.Rand
	c *Case
}

func (d *drawer) between(lo, hi float64) float64 { return lo + (hi-lo)*d.r.Float64() }

func (d *drawer) chance(p float64) bool { return d.r.Float64() < p }

// kindOf returns the kind of the case of that index.
func kindOf(index int) Kind {
	if index%heatEvery == heatFirst {
		return HeatCase
	}
	return mix[index%len(mix)]
}

// ParseKind returns the kind of that name.
func ParseKind(name string) (Kind, bool) {
	for k := range numKinds {
		if k.String() == name {
			return k, true
		}
	}
	return numKinds, false
}

// draw makes the case of that index.
func draw(o *Options, index int) (*Case, error) {
	kind := kindOf(index)
	d := drawer{o: o, r: rand.New(rand.NewPCG(o.Seed, uint64(index))), c: &Case{Index: index, Kind: kind}}
	d.c.seed = d.r.Uint64()
	if err := d.rig(); err != nil {
		return nil, fmt.Errorf("case %d: %w", index, err)
	}
	d.setting()
	switch kind {
	case StopCase:
		d.stop()
	case ContactCase:
		d.run()
	case StandsCase:
		d.stands()
	case FadeCase:
		d.fade()
	case AuxiliaryCase:
		d.auxiliary()
	case SensorCase:
		d.sensor()
	case HeatCase:
		d.twoHours()
	}
	d.c.scenario.Name = fmt.Sprintf("trial %d %v", index, kind)
	return d.c, nil
}

// rig draws a rig file around one of the examples. Cases of the auxiliary brake take
// a rig that has one.
func (d *drawer) rig() error {
	for range 100 {
		e := d.o.Rigs[d.r.IntN(len(d.o.Rigs))]
		rig, text, err := d.varied(e)
		if err != nil {
			return fmt.Errorf("rig %s: %w", e.Name, err)
		}
		d.c.Rig, d.c.base, d.c.text = rig.Name, rig, text
		if d.c.Kind != AuxiliaryCase || rig.Auxiliary.Kind != hoist.NoAuxiliary {
			return nil
		}
	}
	return fmt.Errorf("got no rig with an auxiliary brake among %d, want one", len(d.o.Rigs))
}

// varied makes another rig of an example: masses, heights, lines and times as they
// differ from rig to rig. The monitor is told all of it; what it is not told is how
// the plant differs from its file.
func (d *drawer) varied(e Example) (*hoist.Rig, []byte, error) {
	rig, err := d.o.Open(e.Text)
	if err != nil {
		return nil, nil, err
	}
	crown := float64(rig.Mast.CrownHeight) + d.between(-2, 3)
	limit := crown - d.between(1, 3.2)
	mass := float64(rig.TravellingMass) * d.between(0.85, 1.2)
	lines := rig.Reeving.Lines
	if d.chance(0.3) {
		lines = max(6, min(14, lines+2*(1-2*d.r.IntN(2))))
	}
	of := func(x, lo, hi float64) float64 { return x * d.between(lo, hi) }
	text := e.Text
	for _, s := range []struct {
		path string
		v    float64
		unit string
	}{
		{"travelling_mass", mass, "kg"},
		{"position_reference.hook_load", mass * gravity, "N"},
		{"reeving.lines", float64(lines), ""},
		{"mast.crown_height", crown, "m"},
		{"mast.crown_limit", limit, "m"},
		{"mast.crown_saver_trip", limit - d.between(0.5, 1.2), "m"},
		{"mast.floor_limit", float64(rig.Mast.FloorLimit) * d.between(0.7, 1.4), "m"},
		{"drawworks.drum.inertia", of(float64(rig.Drawworks.Drum.Inertia), 0.85, 1.2), "kg.m2"},
		{"drawworks.drive.release", of(float64(rig.Drawworks.DriveRelease), 0.8, 1.2), "s"},
		{"brakes.service.friction", d.between(0.36, 0.44), ""},
		{"brakes.service.dead_time", of(float64(rig.Service.DeadTime), 0.8, 1.2), "s"},
		{"brakes.service.rise_time", of(float64(rig.Service.RiseTime), 0.8, 1.2), "s"},
	} {
		value := fmt.Sprintf("%.6g %s", s.v, s.unit)
		if s.unit == "" {
			value = fmt.Sprintf("%.4g", s.v)
		}
		if text, err = d.o.Set(text, s.path, value); err != nil {
			return nil, nil, err
		}
	}
	rig, err = d.o.Open(text)
	return rig, text, err
}

const gravity = float64(units.StandardGravity)

// setting is what all cases share: sample rate, instruments, load, air and start.
func (d *drawer) setting() {
	rig, s := d.c.base, &d.c.scenario
	s.Rate = []float64{5, 10, 10, 10, 20}[d.r.IntN(5)]
	s.Spread, s.Step, s.Jitter = 1, 500*time.Microsecond, d.between(0, 0.004)
	s.Channels = []ingest.Channel{
		ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.BrakePressure,
		ingest.EmergencyPressure, ingest.DriveEngaged, ingest.AuxiliaryCurrent,
	}
	if rig.Drawworks.Encoder.CountsPerRevolution > 0 {
		s.Channels = append(s.Channels, ingest.DrumCounts)
	}
	length := 9.2
	switch crown := float64(rig.Mast.CrownHeight); {
	case crown > 36:
		length = 27.6
	case crown > 25:
		length = 18.4
	}
	ambient := float64(rig.Heat.Ambient)
	s.Initial = simulator.Initial{
		StandLength: length, StandMass: length * d.between(20, 35),
		StringMass: d.between(0.03, 1) * d.heaviest(), Ambient: 0,
		BrakeTemp: ambient + d.between(0, 80), InSlips: true,
	}
}

// heaviest is the string that this hoist is loaded with at most, kg: its rating, a
// third of the line's strength, and 1.8 times what the cold brake must hold at the
// top of the mast.
func (d *drawer) heaviest() float64 {
	rig := d.c.base
	n := float64(rig.Reeving.Lines)
	most := float64(rig.Line.BreakingStrength) / 3 / rig.Reeving.FastLineFactor(hoist.Raising)
	if rated := float64(rig.Drawworks.RatedLoad); rated > 0 {
		most = math.Min(most, 0.9*rated)
	}
	if m, err := hoist.NewMap(rig); err == nil {
		r := float64(m.Radius(m.Wraps(rig.Mast.CrownLimit, rig.Reference.HookLoad)))
		hold := float64(rig.Service.Capacity(rig.Heat.Ambient, 1, hoist.Lowering))
		most = math.Min(most, hold/1.8*n/r)
	}
	return math.Max(5e3, most/gravity-float64(rig.TravellingMass))
}

// once is one move of the block, up or down, loaded or empty.
func (d *drawer) once(up, loaded bool) {
	s, m := &d.c.scenario, d.c.base.Mast
	s.Duration = 90 * time.Second
	s.Initial.Latched, s.Initial.InSlips = loaded, !loaded
	low, high := float64(m.FloorLimit)+d.between(1.5, 5), float64(m.CrownSaverTrip)-d.between(1, 4)
	s.Driller = simulator.Driller{
		Task: simulator.Lower, Begin: "once", Wait: 1.5, Bottom: low, Top: high,
		RaiseEmpty: d.between(0.4, 1.7), RaiseLoaded: d.between(0.3, 1.1),
		LowerEmpty: d.between(0.4, 1.4), LowerLoaded: d.between(0.25, 0.9),
	}
	s.Initial.BlockHeight = high
	if up {
		s.Driller.Task, s.Initial.BlockHeight = simulator.Hoisting, low
	}
}

// stop is a move in which nothing is wrong. One brake in three is watched by a
// temperature sensor, and may then be as hot as amber when watching begins.
func (d *drawer) stop() {
	d.once(d.chance(0.5), d.chance(0.6))
	if s := &d.c.scenario; d.chance(1.0 / 3) {
		s.Channels = append(s.Channels, ingest.BrakeTemperature)
		s.Initial.BrakeTemp = d.between(float64(d.c.base.Heat.Ambient), float64(d.c.base.Heat.Amber))
	}
}

// run is a move towards crown or floor that nobody slows down, with the crown saver
// failed; going down the auxiliary brake may be lost as well.
func (d *drawer) run() {
	up, loaded := d.chance(0.5), d.chance(0.5)
	d.once(up, loaded)
	s := &d.c.scenario
	s.Faults = []simulator.Fault{
		{Kind: "crown_saver_failed", Channel: ingest.NumChannels},
		{Kind: "inattentive", At: 2 * time.Second, Channel: ingest.NumChannels},
	}
	if !up && loaded && d.chance(0.4) {
		s.Faults = append(s.Faults, simulator.Fault{
			Kind: "auxiliary_lost", Channel: ingest.NumChannels, While: lowering, Speed: 0.2,
			Below: d.between(4, float64(d.c.base.Mast.CrownLimit)),
		})
	}
}

// While of a fault.
const (
	raising  = 1<<simulator.RaisingLoaded | 1<<simulator.RaisingEmpty
	lowering = 1<<simulator.LoweringLoaded | 1<<simulator.LoweringEmpty
)

// roomFor makes the string light enough to grow by so many stands without becoming
// more than the hoist is loaded with.
func (d *drawer) roomFor(stands float64) {
	i := &d.c.scenario.Initial
	i.StringMass = math.Max(5e3, math.Min(i.StringMass, d.heaviest()-stands*i.StandMass))
}

// stands is ordinary work.
func (d *drawer) stands() {
	s := &d.c.scenario
	s.Duration = 900 * time.Second
	task := [...]simulator.Task{simulator.TripOut, simulator.TripIn, simulator.TripIn, simulator.Casing, simulator.Tripping}[d.r.IntN(5)]
	s.Driller = simulator.Driller{Task: task, Stands: 3, Pace: d.between(1, 3)}
	if task == simulator.Casing {
		s.Initial.StandLength, s.Initial.StandMass = 12, 12*d.between(50, 100)
	}
	d.roomFor(15)
}

// fade is a trip in during which a quarter of the friction goes, from one moment to
// the next. In half of the cases the brake does all the work.
func (d *drawer) fade() {
	s := &d.c.scenario
	s.Duration = 1200 * time.Second
	s.Driller = simulator.Driller{Task: simulator.TripIn, Pace: 3}
	d.roomFor(20)
	s.Faults = []simulator.Fault{{Kind: "brake_friction", Value: 0.75, At: time.Duration(d.between(500, 700) * 1e9), Channel: ingest.NumChannels}}
	if d.chance(0.5) {
		s.Faults = append(s.Faults, simulator.Fault{Kind: "no_auxiliary_use", Channel: ingest.NumChannels})
	}
}

// auxiliary is a stand lowered on the auxiliary brake, which is then lost.
func (d *drawer) auxiliary() {
	d.once(false, true)
	s := &d.c.scenario
	s.Initial.StringMass = math.Max(s.Initial.StringMass, 0.3*d.heaviest())
	high := float64(d.c.base.Mast.CrownSaverTrip)
	s.Faults = []simulator.Fault{{
		Kind: "auxiliary_lost", Channel: ingest.NumChannels, While: lowering,
		Speed: 0.8 * s.Driller.LowerLoaded, Below: d.between(0.4, 0.8) * high,
	}}
}

// twoHours is a trip in, or casing, with no sensor on the brake.
func (d *drawer) twoHours() {
	s := &d.c.scenario
	s.Duration = 2*time.Hour + 10*time.Minute
	s.Driller = simulator.Driller{Task: simulator.TripIn, Pace: d.between(1, 2)}
	if d.chance(0.3) {
		s.Driller.Task = simulator.Casing
		s.Initial.StandLength, s.Initial.StandMass = 12, 12*d.between(50, 100)
	}
	s.Initial.StringMass = d.between(0.2, 0.9) * d.heaviest()
	d.roomFor(80)
}
