package main

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

type calcPositionCmd struct {
	calcOptions
	Wraps    string `placeholder:"100" help:"Wraps on the drum, dead wraps included."`
	Counts   string `placeholder:"50000" help:"Encoder counts, as a total that does not wrap; the rig's reference must state its own."`
	Height   string `placeholder:"20m" help:"Block height, instead of wraps."`
	HookLoad string `placeholder:"294kN" help:"Hook load, as force or mass; default that of the rig's reference."`
}

func (c *calcPositionCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	load := units.Newton(q.load("--hook-load", c.HookLoad, float64(rig.Reference.HookLoad)))
	m, void := hoist.NewMap(rig)
	wraps := c.wraps(&q, &m, void, load)
	if err := q.err(); err != nil {
		return err
	}
	drum, line := rig.Drawworks.Drum, rig.Line.Diameter
	a := answer{
		title: "Block position from drum wraps", rig: rig.Name,
		formula: "L(R) = N π Σ D_j + (R − (k−1) N) π D_k,  D_k = D0 + d + 2 (k−1) h\n" +
			"height = h_ref + [L(R) − L(R_ref)]/n − δ(W, h) + δ(W_ref, h_ref)\n" +
			"δ(W, h) = W/(n A E) [(h_crown − h) + (L_fast + L_dead)/n]",
	}
	a.input("wraps on the drum, R", wraps, units.Dimensionless)
	a.input("hook load, W", float64(load), units.Force)
	a.input("wraps a layer, N", drum.WrapsPerLayer, units.Dimensionless)
	a.input("rope seat diameter, D0", float64(drum.RootDiameter), units.Length)
	a.input("line diameter, d", float64(line), units.Length)
	a.input("lines, n", float64(rig.Reeving.Lines), units.Dimensionless)
	k := drum.Layer(wraps)
	a.step("rise a layer, h", drum.LayerRise*float64(line), units.Length)
	a.step("diameter of the layer, D_k", float64(drum.LayerDiameter(k, line)), units.Length)
	a.step("line on full layers below", float64(drum.Line(float64(k-1)*drum.WrapsPerLayer, line)), units.Length)
	a.step("block travel a turn, π D_k/n", math.Pi*float64(drum.LayerDiameter(k, line))/float64(rig.Reeving.Lines), units.Length)
	height := math.NaN()
	if void == nil {
		height = float64(m.Height(wraps, load))
		a.step("reference height, h_ref", float64(rig.Reference.BlockHeight), units.Length)
		a.step("reference wraps, R_ref", rig.Reference.Wraps, units.Dimensionless)
		a.step("line on the drum at the reference", float64(drum.Line(rig.Reference.Wraps, line)), units.Length)
		a.step("stretch, δ(W, h)", float64(m.Stretch(load, units.Metre(height))), units.Length)
		a.step("stretch at the reference", float64(m.Stretch(rig.Reference.HookLoad, rig.Reference.BlockHeight)), units.Length)
	} else {
		a.note = "No height: " + void.Error() + "."
	}
	a.result("wraps on the drum", "wraps", "", wraps, units.Dimensionless)
	a.result("line on the drum", "line_on_drum_m", "m", float64(drum.Line(wraps, line)), units.Length)
	a.say("layer", "layer", k)
	a.result("radius where the line leaves", "radius_m", "m", float64(drum.Radius(wraps, line)), units.Length)
	a.result("block height", "height_m", "m", height, units.Length)
	return a.write(s.out, c.JSON, c.Units)
}

// wraps returns the wraps that the flags give.
func (c *calcPositionCmd) wraps(q *quantities, m *hoist.Map, void error, load units.Newton) float64 {
	given := 0
	for _, text := range []string{c.Wraps, c.Counts, c.Height} {
		if text != "" {
			given++
		}
	}
	switch {
	case given != 1:
		q.wrong("--wraps, --counts, --height", "got %d of them, want one", given)
	case c.Wraps != "":
		return q.atLeast0("--wraps", c.Wraps, units.Dimensionless, 0)
	case void != nil:
		q.wrong("--height, --counts", "%v", void)
	case c.Counts != "":
		w := m.WrapsFromCounts(q.any("--counts", c.Counts, units.Dimensionless, 0))
		if math.IsNaN(w) {
			q.wrong("--counts", "got %q, want a rig whose encoder and reference state their counts", c.Counts)
		} else if w < 0 {
			q.wrong("--counts", "got %q, which leaves %.3f wraps on the drum, want 0 or more", c.Counts, w)
		}
		return w
	default:
		h := q.any("--height", c.Height, units.Length, 0)
		w := m.Wraps(units.Metre(h), load)
		if math.IsNaN(w) && !math.IsNaN(h) {
			q.wrong("--height", "got %q, want a height that leaves line on the drum", c.Height)
		}
		return w
	}
	return math.NaN()
}

type calcStopCmd struct {
	calcOptions
	place
	Direction        string `enum:"up,down,raising,lowering" required:"" help:"up (raising) or down (lowering)."`
	Speed            string `placeholder:"1.5m/s" help:"Block speed in that direction."`
	Acceleration     string `placeholder:"0.25m/s2" help:"Present acceleration, positive = speeding up; default 0."`
	HookLoad         string `placeholder:"294kN" help:"Hook load, as force or mass; default the empty travelling assembly."`
	BrakeTemperature string `placeholder:"20degC" help:"Of the brake; default the air's."`
	AuxiliaryLost    bool   `help:"The torque that holds back the motion now is gone at the trip."`
	Friction         string `placeholder:"0.9" help:"Present friction factor of the lining, 1 = as commissioned."`
	Pressure         string `placeholder:"7MPa" help:"Brake pressure that the trip brings; default full."`
	Age              string `placeholder:"0.1s" help:"Age of the newest reading; default 0."`
	Bound            bool   `help:"Also the bound that 99 % of stops stay inside, from the rig's uncertainties."`
	SpeedSD          string `name:"speed-sd" placeholder:"0.03m/s" help:"For the bound: standard deviation of the speed; default 0."`
	TemperatureSD    string `name:"temperature-sd" placeholder:"10K" help:"For the bound: standard deviation of the brake's temperature, in K; default 0."`
}

func (c *calcStopCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	x, height, spread := c.question(&q, rig)
	if err := q.err(); err != nil {
		return err
	}
	a := answer{
		title: "Stop after a trip at t = 0: the drive is told to release and the brake to set", rig: rig.Name,
		formula: "M dv/dt = Q(t) ∓ f m g r − u(t) C(T),  dT/dt = u C v n/(r m_b c),  M = J n/r + f m r\n" +
			"Q drive torque until its release, or retarding torque fading as 1 − u; u brake's build-up",
	}
	c.describe(&a, rig, x)
	stop := rig.Stop(x)
	a.result("stop distance", "distance_m", "m", float64(stop.Distance), units.Length)
	a.result("time to rest", "time_s", "s", float64(stop.Time), units.Time)
	a.result("brake at the end", "end_temperature_C", "degC", float64(stop.EndTemperature), units.Temperature)
	a.say("can stop", "can_stop", stop.CanStop)
	a.say("line goes slack", "slack", stop.Slack)
	if !math.IsNaN(height) {
		a.result("block comes to rest at", "rest_height_m", "m", height+float64(x.Direction)*float64(stop.Distance), units.Length)
	}
	a.reason("reason", stop)
	if c.Bound {
		c.bound(&a, rig, x, spread, height)
	}
	if a.note == "" {
		a.note = "Advisory: it does not replace a function test of the crown and floor devices on the rig itself."
	}
	return a.write(s.out, c.JSON, c.Units)
}

// reason says why a stop cannot be had.
func (a *answer) reason(key string, s hoist.Stop) {
	if !s.CanStop {
		a.say("why not", key, s.Reason.String())
	}
}

func (c *calcStopCmd) question(q *quantities, rig *hoist.Rig) (hoist.StopCase, float64, hoist.Spread) {
	q.need("--speed", c.Speed, "1.5 m/s")
	x := hoist.StopCase{Direction: hoist.Raising, RetardingLost: c.AuxiliaryLost}
	if c.Direction == "down" || c.Direction == "lowering" {
		x.Direction = hoist.Lowering
	}
	x.HookLoad = units.Newton(q.load("--hook-load", c.HookLoad, hanging(rig)))
	radius, height := c.radius(q, rig, x.HookLoad)
	x.Radius = units.Metre(radius)
	x.Speed = units.MetrePerSecond(q.atLeast0("--speed", c.Speed, units.Speed, 0))
	x.Acceleration = units.MetrePerSecond2(q.any("--acceleration", c.Acceleration, units.Acceleration, 0))
	x.BrakeTemperature = units.Kelvin(q.any("--brake-temperature", c.BrakeTemperature, units.Temperature, ambient(rig)))
	x.FrictionFactor = q.within("--friction", c.Friction, units.Dimensionless, 0, 2, 1)
	full := float64(rig.Service.FullPressure)
	x.PressureFraction = q.atLeast0("--pressure", c.Pressure, units.Pressure, full) / full
	x.Age = units.Second(q.atLeast0("--age", c.Age, units.Time, 0))
	spread := hoist.Spread{
		Speed:       units.MetrePerSecond(q.atLeast0("--speed-sd", c.SpeedSD, units.Speed, 0)),
		Temperature: units.Kelvin(q.atLeast0("--temperature-sd", c.TemperatureSD, units.Temperature, 0)),
	}
	return x, height, spread
}

func (c *calcStopCmd) describe(a *answer, rig *hoist.Rig, x hoist.StopCase) {
	a.input("block speed, v", float64(x.Speed), units.Speed)
	a.input("acceleration, a0", float64(x.Acceleration), units.Acceleration)
	a.input("hook load, W = m g", float64(x.HookLoad), units.Force)
	a.input("drum radius, r", float64(x.Radius), units.Length)
	a.input("brake temperature, T", float64(x.BrakeTemperature), units.Temperature)
	a.input("friction factor", x.FrictionFactor, units.Dimensionless)
	a.input("brake dead time", float64(rig.Service.DeadTime), units.Time)
	a.input("brake rise time", float64(rig.Service.RiseTime), units.Time)
	a.input("drive release", float64(rig.Drawworks.DriveRelease), units.Time)
	f := rig.Reeving.FastLineFactor(x.Direction)
	pull := f * float64(x.HookLoad) * float64(x.Radius)
	n := float64(rig.Reeving.Lines)
	mass := float64(rig.Drawworks.Drum.Inertia)*n/float64(x.Radius) + pull/float64(units.StandardGravity)
	capacity := rig.Service.Torque(units.Pascal(float64(rig.Service.FullPressure)*x.PressureFraction), x.FrictionFactor*rig.Service.Fade.Factor(x.BrakeTemperature), x.Direction)
	applied := mass*float64(x.Acceleration) + float64(x.Direction)*pull
	a.step("fast-line factor, f", f, units.Dimensionless)
	a.step("pull of the load at the drum, f m g r", pull, units.Torque)
	a.step("inertia, M (torque for 1 m/s2 of the block)", mass, units.Torque)
	switch {
	case applied > 0:
		a.step("drive torque now, Q, until its release", applied, units.Torque)
	case x.RetardingLost:
		a.step("retarding torque now, lost at the trip", -applied, units.Torque)
	default:
		a.step("retarding torque now, fading as 1 - u", -applied, units.Torque)
	}
	a.step("lining factor at T", rig.Service.Fade.Factor(x.BrakeTemperature), units.Dimensionless)
	a.step("brake capacity at T, C", float64(capacity), units.Torque)
	a.step("deceleration with the brake full on", float64(rig.Deceleration(capacity, x.HookLoad, x.Radius, x.Direction)), units.Acceleration)
	a.step("energy of drum and block", float64(rig.KineticEnergy(x.HookLoad, x.Radius, x.Speed)), units.Energy)
}

// bound adds the answer that 99 % of stops stay inside.
func (c *calcStopCmd) bound(a *answer, rig *hoist.Rig, x hoist.StopCase, s hoist.Spread, height float64) {
	b, slope := rig.StopBound(x, s)
	u := rig.Uncertainty
	a.step("one sd of friction", u.Friction, units.Dimensionless)
	a.step("one sd of dead time", float64(u.DeadTime), units.Time)
	a.step("one sd of rise time", float64(u.RiseTime), units.Time)
	a.step("one sd of drive release", float64(u.Release), units.Time)
	a.step("one sd of hook load, relative", u.HookLoad, units.Dimensionless)
	a.step("one sd of inertia, relative", u.Inertia, units.Dimensionless)
	a.result("99 % of stops within", "bound_distance_m", "m", float64(b.Distance), units.Length)
	a.result("bound, time to rest", "bound_time_s", "s", float64(b.Time), units.Time)
	a.result("bound, brake at the end", "bound_end_temperature_C", "degC", float64(b.EndTemperature), units.Temperature)
	a.say("bound can stop", "bound_can_stop", b.CanStop)
	a.result("bound grows with speed by", "bound_speed_slope_s", "s", slope, units.Time)
	if !math.IsNaN(height) {
		a.result("99 % of stops rest short of", "bound_rest_height_m", "m", height+float64(x.Direction)*float64(b.Distance), units.Length)
	}
	a.reason("bound_reason", b)
	a.note = "The bound leaves out the uncertainty of the block's position, which is added to it in full. " +
		"Lowering, it takes the retarding torque as lost. Advisory: it does not replace a function test of the crown and floor devices."
}
