package main

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

type calcLineWorkCmd struct {
	calcOptions
	Form       string `enum:"round-trip,drilling,coring,casing,short-trip" default:"round-trip" help:"round-trip, drilling, coring, casing or short-trip."`
	Depth      string `placeholder:"12000ft" help:"Depth; of drilling, coring and short trips the deeper."`
	From       string `placeholder:"10000ft" help:"Of drilling, coring and short trips the shallower depth."`
	Stand      string `placeholder:"93ft" help:"Length of a stand, of a joint for casing."`
	Pipe       string `placeholder:"17.55lb/ft" help:"Pipe or casing a length: buoyed, or in air with --mud."`
	Mud        string `placeholder:"9.6ppg" help:"Mud density: --pipe and --collars are then weights in air."`
	Collars    string `placeholder:"19734lb" help:"Bottom assembly's excess over as much pipe; default 0."`
	Travelling string `placeholder:"75000lb" help:"Travelling assembly; default the rig's."`
	Passes     string `placeholder:"2" help:"Drilling: 2 drilled only, 3 reamed once, 4 reamed twice; default 2."`
	Cut        string `placeholder:"30m" help:"A length of line to cut: the nearest that is no whole number of drum laps is told."`
}

func (c *calcLineWorkCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	a := answer{title: "Work of the drilling line: " + c.Form, rig: rig.Name}
	t := c.trip(&q, &a, rig)
	q.need("--depth", c.Depth, "12000 ft")
	depth := units.Metre(q.above0("--depth", c.Depth, units.Length, math.NaN()))
	from := c.from(&q, depth)
	passes := q.within("--passes", c.Passes, units.Dimensionless, hoist.DrilledOnly, hoist.ReamedTwice, hoist.DrilledOnly)
	cut := units.Metre(q.above0("--cut", c.Cut, units.Length, math.NaN()))
	if err := q.err(); err != nil {
		return err
	}
	a.input("depth, D", float64(depth), units.Length)
	a.step("round trip at the depth", float64(t.RoundTrip(depth)), units.Energy)
	if !math.IsNaN(float64(from)) {
		a.input("shallower depth", float64(from), units.Length)
		a.step("round trip at the shallower depth", float64(t.RoundTrip(from)), units.Energy)
	}
	const round = "T_r = g [D (L + D) w + 4 D (M + C/2)]"
	var work units.Joule
	switch c.Form {
	case "round-trip":
		a.formula, work = round, t.RoundTrip(depth)
	case "drilling":
		a.formula, work = round+",  T = k (T2 − T1)", t.Drilling(from, depth, passes)
		a.input("passes, k", passes, units.Dimensionless)
	case "coring":
		a.formula, work = round+",  T = 2 (T4 − T3)", t.Coring(from, depth)
	case "short-trip":
		a.formula, work = round+",  T = T6 − T5", t.ShortTrip(depth, from)
	case "casing":
		a.formula, work = "T = ½ g [D (L + D) w + 4 D M]", t.SettingCasing(depth)
		a.note = "A widely copied handbook form has D M for 4 D M and gives less than half; this is the work itself. "
	}
	a.result("line work", "line_work_MJ", "MJ", float64(work), units.Energy)
	a.result("", "line_work_ton_miles", "ton-mile", float64(work), units.Energy)
	c.cut(&a, rig, work, cut)
	a.note += "Inspection of the line overrides any calculation."
	return a.write(s.out, c.JSON, c.Units)
}

func (c *calcLineWorkCmd) trip(q *quantities, a *answer, rig *hoist.Rig) hoist.Trip {
	q.need("--stand", c.Stand, "93 ft")
	q.need("--pipe", c.Pipe, "17.55 lb/ft")
	mud := units.KilogramPerMetre3(q.atLeast0("--mud", c.Mud, units.Density, 0))
	buoyancy := hoist.BuoyancyFactor(mud)
	if buoyancy <= 0 {
		q.wrong("--mud", "got %q, denser than steel", c.Mud)
	}
	t := hoist.Trip{
		Stand:      units.Metre(q.above0("--stand", c.Stand, units.Length, math.NaN())),
		Pipe:       units.KilogramPerMetre(buoyancy * q.atLeast0("--pipe", c.Pipe, units.MassPerLength, math.NaN())),
		Collars:    units.Kilogram(buoyancy * q.atLeast0("--collars", c.Collars, units.Mass, 0)),
		Travelling: units.Kilogram(q.atLeast0("--travelling", c.Travelling, units.Mass, float64(rig.TravellingMass))),
	}
	a.input("stand, L", float64(t.Stand), units.Length)
	a.input("travelling assembly, M", float64(t.Travelling), units.Mass)
	if c.Mud != "" {
		a.input("mud", float64(mud), units.Density)
		a.step("buoyancy factor", buoyancy, units.Dimensionless)
	}
	a.step("buoyed pipe, w", float64(t.Pipe), units.MassPerLength)
	a.step("collars' buoyed excess, C", float64(t.Collars), units.Mass)
	return t
}

// from is the shallower depth, which three of the forms need.
func (c *calcLineWorkCmd) from(q *quantities, depth units.Metre) units.Metre {
	if c.Form == "round-trip" || c.Form == "casing" {
		if c.From != "" {
			q.wrong("--from", "got %q, which a %s has no use for", c.From, c.Form)
		}
		return units.Metre(math.NaN())
	}
	q.need("--from", c.From, "10000 ft")
	from := units.Metre(q.atLeast0("--from", c.From, units.Length, math.NaN()))
	if from >= depth {
		q.wrong("--from", "got %q, want a depth above --depth %q", c.From, c.Depth)
	}
	return from
}

// cut adds what the work means for cutting the line.
func (c *calcLineWorkCmd) cut(a *answer, rig *hoist.Rig, work units.Joule, cut units.Metre) {
	goal := hoist.CutGoal(rig.Line.Diameter)
	a.result("goal a length cut, design factor 5", "cut_goal_MJ_per_m", "MJ/m", float64(goal), units.EnergyPerLength)
	a.result("line worn by it at that goal", "line_to_cut_m", "m", float64(work)/float64(goal), units.Length)
	if math.IsNaN(float64(cut)) {
		return
	}
	a.input("length wanted to cut", float64(cut), units.Length)
	length, laps := rig.Drawworks.Drum.CutLength(cut, rig.Line.Diameter)
	a.result("cut instead", "cut_length_m", "m", float64(length), units.Length)
	a.result("drum laps in it", "cut_laps", "", laps, units.Dimensionless)
}

type calcReevingCmd struct {
	calcOptions
	HookLoad     string `placeholder:"400klbf" help:"Hook load, as force or mass; default the rig's rated load, else the empty travelling assembly."`
	Lines        int    `placeholder:"10" help:"Lines strung; default the rig's."`
	SheaveFactor string `placeholder:"1.04" help:"Tension ratio across a rolling sheave; default the rig's."`
	Power        string `placeholder:"1500hp" help:"Power into the drum, for the hoisting speed; default the rig's rating."`
	DeadLine     string `placeholder:"83kN" help:"A dead-line tension: the hook load that it tells each way."`
}

func (c *calcReevingCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	v := rig.Reeving
	if c.Lines != 0 {
		v.Lines = c.Lines
	}
	v.SheaveFactor = q.within("--sheave-factor", c.SheaveFactor, units.Dimensionless, 1, 1.2, v.SheaveFactor)
	if v.Lines < 2 || v.Lines > 24 || v.Lines%2 != 0 {
		q.wrong("--lines", "got %d, want an even number of lines, 2 to 24", v.Lines)
	}
	usual := float64(rig.Drawworks.RatedLoad)
	if !(usual > 0) {
		usual = hanging(rig)
	}
	load := units.Newton(q.load("--hook-load", c.HookLoad, usual))
	power := units.Watt(q.atLeast0("--power", c.Power, units.Power, float64(rig.Drawworks.RatedPower)))
	dead := units.Newton(q.atLeast0("--dead-line", c.DeadLine, units.Force, math.NaN()))
	if err := q.err(); err != nil {
		return err
	}
	a := answer{
		title: "Block and tackle", rig: rig.Name,
		formula: "raising F_f = W (K−1) K^n/(K^n−1), F_d = W (K−1)/(K^n−1)\n" +
			"lowering F_f = W (K−1)/(K (K^n−1)), F_d = W (K−1) K^(n−1)/(K^n−1)\n" +
			"e = (K^n−1)/(K^n n (K−1)),  v = e P/W",
	}
	a.input("hook load, W", float64(load), units.Force)
	a.input("lines, n", float64(v.Lines), units.Dimensionless)
	a.input("sheave factor, K", v.SheaveFactor, units.Dimensionless)
	a.input("power in, P", float64(power), units.Power)
	fast := units.Newton(v.FastLineFactor(hoist.Raising)) * load
	for _, d := range []hoist.Direction{hoist.Raising, hoist.Static, hoist.Lowering} {
		a.step("F_f/W "+d.String(), v.FastLineFactor(d), units.Dimensionless)
		a.step("F_d/W "+d.String(), v.DeadLineFactor(d), units.Dimensionless)
		a.result("fast line "+d.String(), "fast_line_"+d.String()+"_kN", "kN", v.FastLineFactor(d)*float64(load), units.Force)
		a.result("dead line "+d.String(), "dead_line_"+d.String()+"_kN", "kN", v.DeadLineFactor(d)*float64(load), units.Force)
	}
	a.result("efficiency raising", "efficiency", "", v.Efficiency(), units.Dimensionless)
	a.result("mast load raising", "mast_load_kN", "kN", float64(v.MastLoad(load)), units.Force)
	a.result("equivalent mast load", "equivalent_mast_load_kN", "kN", float64(v.EquivalentMastLoad(load)), units.Force)
	a.result("design factor of the fast line", "design_factor", "", rig.Line.DesignFactor(fast), units.Dimensionless)
	a.result("power at the hook", "hook_power_kW", "kW", float64(v.HookPower(power)), units.Power)
	a.result("hoisting speed at that power", "hoisting_speed_mps", "m/s", float64(v.HoistingSpeed(power, load)), units.Speed)
	if !math.IsNaN(float64(dead)) {
		for _, d := range []hoist.Direction{hoist.Raising, hoist.Lowering} {
			a.result("hook load told "+d.String(), "hook_load_"+d.String()+"_kN", "kN", float64(v.HookLoad(dead, d)), units.Force)
		}
		w, sd := v.HookLoadFrom(dead, hoist.Static, false)
		a.result("hook load told at rest", "hook_load_static_kN", "kN", float64(w), units.Force)
		a.result("one sd of that", "hook_load_static_sd_kN", "kN", float64(sd), units.Force)
	}
	return a.write(s.out, c.JSON, c.Units)
}

type calcStretchCmd struct {
	calcOptions
	HookLoad string `placeholder:"2450kN" help:"Hook load, as force or mass; default the empty travelling assembly."`
	Height   string `placeholder:"4m" help:"Block height; the parts reach from there to the crown."`
	Part     string `placeholder:"40m" help:"Length of one part of line, instead of the height."`
}

func (c *calcStretchCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	load := units.Newton(q.load("--hook-load", c.HookLoad, hanging(rig)))
	var part units.Metre
	if (c.Part == "") == (c.Height == "") {
		q.wrong("--part, --height", "want one of the two")
	} else if c.Part != "" {
		part = units.Metre(q.above0("--part", c.Part, units.Length, 0))
	} else if part = rig.Mast.CrownHeight - units.Metre(q.any("--height", c.Height, units.Length, 0)); part <= 0 {
		q.wrong("--height", "got %q, want a height below the crown, %g m", c.Height, rig.Mast.CrownHeight)
	}
	if err := q.err(); err != nil {
		return err
	}
	l, n := &rig.Line, rig.Reeving.Lines
	a := answer{
		title: "Stretch of the line under load", rig: rig.Name,
		formula: "δ = ε [L + (L_fast + L_dead)/n],  ε = W/(n A E)\nk = n E A/L,  f = √(k/m)/2π",
	}
	a.input("hook load, W", float64(load), units.Force)
	a.input("length of a part, L", float64(part), units.Length)
	a.input("fast and dead line", float64(l.FastLineLength+l.DeadLineLength), units.Length)
	a.input("lines, n", float64(n), units.Dimensionless)
	a.input("metallic area, A", float64(l.MetallicArea), units.Area)
	a.input("modulus, E", float64(l.ElasticModulus), units.Pressure)
	strain := float64(load) / (float64(n) * float64(l.MetallicArea) * float64(l.ElasticModulus))
	a.step("strain, ε", strain, units.Dimensionless)
	a.step("tension of a part over the line's strength", float64(load)/float64(n)/float64(l.BreakingStrength), units.Dimensionless)
	a.step("of it in the parts", strain*float64(part), units.Length)
	a.result("block hangs lower by", "stretch_m", "m", float64(l.Stretch(load, part, n)), units.Length)
	a.result("spring rate of the parts", "spring_rate_MN_per_m", "MN/m", float64(l.SpringRate(part, n)), units.Stiffness)
	a.result("the load bounces at", "natural_frequency_Hz", "Hz",
		float64(l.NaturalFrequency(units.Kilogram(float64(load)/float64(units.StandardGravity)), part, n)), units.Frequency)
	return a.write(s.out, c.JSON, c.Units)
}
