package simulator

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// Run is one scenario being played on one rig from one seed. It is not safe for
// concurrent use; runs do not share anything.
type Run struct {
	scenario *Scenario
	pl       *plant
	d        *driller
	in       instruments
	start    time.Time
	rng      *rand.Rand // troubles and jitter

	perSample   int // plant steps between samples
	perLook     int // between looks of the driller
	limit       uint64
	faults      []armed
	nextTrouble time.Duration
	trouble     string
	clockOffset float64 // s
	clockDrift  float64 // s a second
	drifted     float64
	outage      bool
	lastV       float64
	event       impact
	began       bool
	drag0       float64
}

// armed is a fault on its way.
type armed struct {
	Fault
	from   time.Duration // At of a trouble counts from here
	struck time.Duration
	state  uint8 // 0 waiting, 1 on, 2 over
}

// Fit returns the rig that the plant of this scenario is: base with what the
// scenario changes. The monitor is to be given it too, unless the story is that
// it was not told (Rig.LinesUnknown).
func (s *Scenario) Fit(base *hoist.Rig) *hoist.Rig {
	r := *base
	fitBrakes(&r, s.Rig)
	if s.Rig.Lines > 0 {
		r.Reeving.Lines = s.Rig.Lines
	}
	if s.Initial.Ambient > 0 {
		r.Heat.Ambient = kelvin(s.Initial.Ambient)
	}
	return &r
}

// New makes a run of s on rig. Same rig, scenario and seed: same bytes.
func New(rig *hoist.Rig, s *Scenario, seed uint64) (*Run, error) {
	if s.Rig.LinesUnknown && s.Rig.Lines == 0 {
		return nil, fmt.Errorf("scenario %s: rig.lines: got nothing, want the lines really strung, since lines_unknown is set", s.Name)
	}
	fitted := s.Fit(rig)
	if err := possible(fitted); err != nil {
		return nil, fmt.Errorf("simulator: rig %s: %w", rig.Name, err)
	}
	stream := func(n uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, n)) }
	dt := s.Step.Seconds()
	p := draw(fitted, s.Spread, stream(1))
	sized := *s // the caller's scenario stays as it is
	s = &sized
	s.Initial = workload(&p, s.Initial)
	r := &Run{
		scenario: s, rng: stream(4),
		start:     time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC),
		perSample: int(math.Round(1 / (s.Rate * dt))),
		perLook:   int(math.Round(look / dt)),
		limit:     uint64(math.Round(s.Duration.Seconds() / dt)),
	}
	r.pl = newPlant(p, dt)
	r.drag0 = r.pl.p.holeDrag
	r.in = newInstruments(&r.pl.p, s.Channels, s.Spread, stream(3))
	for c, k := range s.Every {
		r.in.ch[c].every = k
	}
	r.d = &driller{rng: stream(2)}
	r.d.habits = drawHabits(&r.pl.p, r.d.rng, s)
	if err := r.arrange(); err != nil {
		return nil, fmt.Errorf("scenario %s: %w", s.Name, err)
	}
	for _, f := range s.Faults {
		r.faults = append(r.faults, armed{Fault: f})
	}
	r.faults = slices.Grow(r.faults, 64)
	if n := s.NowAndThen; len(n.OneOf) > 0 {
		r.nextTrouble = r.between(n.First, n.FirstTo)
	}
	return r, nil
}

// possible refuses a rig that no plant can be built from.
func possible(r *hoist.Rig) error {
	checks := []struct {
		name  string
		value float64
	}{
		{"reeving.lines", float64(r.Reeving.Lines)},
		{"reeving.sheave_factor - 1", r.Reeving.SheaveFactor - 1},
		{"drawworks.drum.inertia", float64(r.Drawworks.Drum.Inertia)},
		{"drawworks.drum.root_diameter", float64(r.Drawworks.Drum.RootDiameter)},
		{"drawworks.drum.wraps_per_layer", r.Drawworks.Drum.WrapsPerLayer},
		{"drawworks.rated_power", float64(r.Drawworks.RatedPower)},
		{"line.elastic_modulus", float64(r.Line.ElasticModulus)},
		{"line.metallic_area", float64(r.Line.MetallicArea)},
		{"line.breaking_strength", float64(r.Line.BreakingStrength)},
		{"travelling_mass", float64(r.TravellingMass)},
		{"mast.crown_height", float64(r.Mast.CrownHeight)},
		{"brakes.service.friction", r.Service.Friction},
		{"brakes.service.full_pressure", float64(r.Service.FullPressure)},
		{"brakes.heat.mass", float64(r.Heat.Mass)},
		{"brakes.heat.specific_heat", float64(r.Heat.SpecificHeat)},
	}
	for _, c := range checks {
		if !(c.value > 0) {
			return fmt.Errorf("%s: got %g, want more than 0", c.name, c.value)
		}
	}
	return nil
}

// arrange sets block, string, brake and driller as the scenario begins.
func (r *Run) arrange() error {
	s, pl, d := r.scenario, r.pl, r.d
	i := &s.Initial
	h := i.BlockHeight
	begin := s.Driller.Begin
	if begin == "" {
		begin = firstStep[s.Driller.Task]
	}
	if h == 0 {
		h = d.bottom
		if beginsAtTop[begin] {
			h = d.top
		}
	}
	if h >= pl.p.crown {
		return fmt.Errorf("initial.block_height: got %g m, want below the crown at %g m", h, pl.p.crown)
	}
	if d.top <= d.bottom {
		return fmt.Errorf("driller.top: got %g m, want above the bottom at %g m", d.top, d.bottom)
	}
	if i.BrakeTemp > 0 {
		pl.heat.ring, pl.heat.body = i.BrakeTemp, i.BrakeTemp
	}
	pl.hoisted = stringState{mass: i.StringMass, latched: i.Latched, inSlips: i.InSlips, y: h + 0.02, seat: h + 0.02}
	d.c = controls{brake: 1, latch: i.Latched, slips: i.InSlips}
	pl.brake.valve, pl.brake.pressure = pl.p.brake.full, pl.p.brake.full
	for k := range pl.brake.delay {
		pl.brake.delay[k] = 1
	}
	pl.hang(h)
	d.fill(pl)
	d.depth = i.StringMass / math.Max(i.StandMass, 1) * i.StandLength
	d.out = s.Driller.Task == TripOut || s.Driller.Task == Tripping && begin == "latch"
	d.careful = s.Driller.Task == Tripping
	d.phase = stepNames[begin]
	r.in.tieCounts(&pl.p, pl.wraps, i.Counts, i.HasCounts)
	return nil
}

// Start sets the time of the first sample's period; UTC.
func (r *Run) Start(t time.Time) { r.start = t.UTC() }

// Scenario returns what is being played.
func (r *Run) Scenario() *Scenario { return r.scenario }

// Period returns the time between samples.
func (r *Run) Period() time.Duration { return time.Duration(r.perSample) * r.scenario.Step }

// Elapsed returns how far the run has come.
func (r *Run) Elapsed() time.Duration { return time.Duration(r.pl.steps) * r.scenario.Step }

// Outage tells whether the scenario has the link to the broker down now: what is
// read meanwhile does not arrive.
func (r *Run) Outage() bool { return r.outage }

// Trouble names the trouble that last came by chance, empty before the first.
func (r *Run) Trouble() string { return r.trouble }

// Next moves the run on by one sample period and writes what the instruments
// say into sample and what is so into truth; either may be nil. It returns false
// when the scenario is over, and then writes nothing. It does not allocate once
// under way.
func (r *Run) Next(sample *ingest.Sample, truth *Truth) bool {
	if r.limit > 0 && r.pl.steps+uint64(r.perSample) > r.limit {
		return false
	}
	if !r.began {
		r.began = true
		r.in.observe(r.pl, r.d, 0)
	}
	r.event = impact{}
	for range r.perSample {
		if r.pl.steps%uint64(r.perLook) == 0 {
			r.look()
		}
		r.pl.step(&r.d.c)
		if e := r.pl.hit; e.event != NoEvent && (r.event.event == NoEvent || e.event < r.event.event) {
			r.event = e
		}
		r.pl.hit = impact{}
		if r.pl.steps%observeEvery == 0 {
			r.in.observe(r.pl, r.d, observeEvery*r.pl.dt)
		}
	}
	period := float64(r.perSample) * r.pl.dt
	r.drifted += r.clockDrift * period
	if sample != nil {
		*sample = ingest.Sample{}
		at := r.clockOffset + r.drifted
		if j := r.scenario.Jitter; j > 0 {
			at += j * math.Max(-3, math.Min(3, r.rng.NormFloat64()))
		}
		sample.Time = r.start.Add(r.Elapsed() + time.Duration(math.Round(at*1e3))*time.Millisecond)
		r.in.read(sample, period)
	}
	if truth != nil {
		r.tell(truth, period)
	}
	r.lastV = r.pl.v
	return true
}

// observeEvery is how many plant steps pass between looks of the instruments.
const observeEvery = 10

func (r *Run) tell(t *Truth, period float64) {
	pl := r.pl
	*t = Truth{
		Time: r.Elapsed().Seconds(), Height: pl.h, Velocity: pl.v, Acceleration: (pl.v - r.lastV) / period,
		HookLoad: pl.pull, DrumSpeed: pl.w, Wraps: pl.wraps, DriveTorque: pl.drive.torque,
		BrakeTorque: pl.brakeTq, AuxTorque: pl.auxTq, BrakePressure: pl.brake.pressure,
		EmergencyPress: pl.emerg.pressure, Ring: pl.heat.ring, Body: pl.heat.body, Friction: pl.friction,
		Slack: pl.slack(), Stand: r.d.stands, Activity: r.d.activity,
		Event: r.event.event, ImpactSpeed: r.event.speed,
	}
}

// look is one look of the driller, with what goes wrong before it.
func (r *Run) look() {
	now := r.Elapsed()
	r.chance(now)
	for i := range r.faults {
		r.strike(&r.faults[i], now)
	}
	if now.Seconds() < r.scenario.Driller.Wait {
		r.d.perceive(r.pl)
		return
	}
	if !r.d.moving() {
		r.d.begin(r.pl, r.scenario)
	}
	r.d.tick(r.pl, r.scenario)
}

func (r *Run) strike(f *armed, now time.Duration) {
	switch f.state {
	case 0:
		if now < f.from+f.At || !r.met(&f.Fault) {
			return
		}
		f.state, f.struck = 1, now
		faultKinds[f.Kind].set(r, &f.Fault, true)
	case 1:
		if f.For > 0 && now-f.struck >= f.For {
			f.state = 2
			faultKinds[f.Kind].set(r, &f.Fault, false)
		}
	}
}

func (r *Run) met(f *Fault) bool {
	return (f.While == 0 || f.While&(1<<r.d.activity) != 0) &&
		(f.Above == 0 || r.pl.h > f.Above) && (f.Below == 0 || r.pl.h < f.Below) &&
		math.Abs(r.pl.v) >= f.Speed
}

// chance brings the next trouble when it is due.
func (r *Run) chance(now time.Duration) {
	n := &r.scenario.NowAndThen
	if len(n.OneOf) == 0 || now < r.nextTrouble {
		return
	}
	i := r.rng.IntN(len(n.OneOf))
	r.trouble = n.Names[i]
	r.faults = slices.DeleteFunc(r.faults, func(f armed) bool { return f.state == 2 })
	for _, f := range n.OneOf[i] {
		r.faults = append(r.faults, armed{Fault: f, from: now})
	}
	r.nextTrouble = now + r.between(n.Then, n.ThenTo)
}

func (r *Run) between(a, b time.Duration) time.Duration {
	if b <= a {
		return a
	}
	return a + time.Duration(r.rng.Int64N(int64(b-a)))
}

func (r *Run) setDrag(v float64, on bool) {
	r.pl.p.holeDrag = r.drag0
	if on {
		r.pl.p.holeDrag = v
	}
}
