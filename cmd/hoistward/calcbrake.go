package main

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

type calcBrakeCmd struct {
	calcOptions
	place
	HookLoad          string `placeholder:"2450kN" help:"Hook load, as force or mass; default the empty travelling assembly."`
	BrakeTemperature  string `placeholder:"20degC" help:"Of the brake; default the air's."`
	Friction          string `placeholder:"0.9" help:"Present friction factor of the lining, 1 = as commissioned."`
	Pressure          string `placeholder:"7MPa" help:"Brake pressure; default full."`
	EmergencyPressure string `placeholder:"0MPa" help:"Release pressure of the spring-set calipers; default 0, fully set."`
	DrumSpeed         string `placeholder:"100rpm" help:"For the auxiliary brake; default 0."`
	Excitation        string `placeholder:"1" help:"Of the auxiliary brake, 0 to 1; default 1."`
}

func (c *calcBrakeCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	b, full := &rig.Service, float64(rig.Service.FullPressure)
	load := units.Newton(q.load("--hook-load", c.HookLoad, hanging(rig)))
	r, _ := c.radius(&q, rig, load)
	temp := units.Kelvin(q.any("--brake-temperature", c.BrakeTemperature, units.Temperature, ambient(rig)))
	health := q.within("--friction", c.Friction, units.Dimensionless, 0, 2, 1)
	p := units.Pascal(q.atLeast0("--pressure", c.Pressure, units.Pressure, full))
	release := units.Pascal(q.atLeast0("--emergency-pressure", c.EmergencyPressure, units.Pressure, 0))
	speed := units.RadianPerSecond(q.atLeast0("--drum-speed", c.DrumSpeed, units.RotationSpeed, 0))
	excitation := q.within("--excitation", c.Excitation, units.Dimensionless, 0, 1, 1)
	if err := q.err(); err != nil {
		return err
	}
	a := answer{title: "Brake torque and hold margin", rig: rig.Name, formula: brakeFormula(rig)}
	a.input("hook load, W", float64(load), units.Force)
	a.input("drum radius, r", r, units.Length)
	a.input("lining temperature", float64(temp), units.Temperature)
	a.input("friction as commissioned, cold", b.Friction, units.Dimensionless)
	a.input("friction factor", health, units.Dimensionless)
	a.input("brake pressure, p", float64(p), units.Pressure)
	a.input("drum speed", float64(speed), units.RotationSpeed)
	factor := health * b.Fade.Factor(temp)
	a.step("lining factor at its temperature", b.Fade.Factor(temp), units.Dimensionless)
	a.step("friction now", b.Friction*factor, units.Dimensionless)
	lower, raise := b.Torque(p, factor, hoist.Lowering), b.Torque(p, factor, hoist.Raising)
	demand := float64(load) * r / float64(rig.Reeving.Lines)
	a.step("static demand, W r/n", demand, units.Torque)
	a.result("lining factor", "fade_factor", "", b.Fade.Factor(temp), units.Dimensionless)
	a.result("torque lowering", "torque_lowering_kNm", "kN.m", float64(lower), units.Torque)
	a.result("torque raising", "torque_raising_kNm", "kN.m", float64(raise), units.Torque)
	a.result("static demand", "static_demand_kNm", "kN.m", demand, units.Torque)
	a.result("hold margin", "hold_margin", "", hoist.HoldMargin(lower, load, units.Metre(r), rig.Reeving.Lines), units.Dimensionless)
	a.result("spring-set calipers", "emergency_kNm", "kN.m", float64(rig.Emergency.Torque(release)), units.Torque)
	a.result("auxiliary brake at this speed", "auxiliary_kNm", "kN.m", float64(rig.Auxiliary.Torque(speed, excitation)), units.Torque)
	if want := b.HoldFactor; want > 0 {
		a.result("least margin wanted", "hold_factor", "", want, units.Dimensionless)
	}
	a.note = "Advisory: a holding test on the rig and the maker's data come first."
	return a.write(s.out, c.JSON, c.Units)
}

func brakeFormula(rig *hoist.Rig) string {
	service := "T = 2 μ p A r_e N"
	if rig.Service.Kind == hoist.BandBrake {
		service = "lowering T = B T_l (e^{μθ} − 1) R,  raising T = B T_l (1 − e^{−μθ}) R"
	}
	aux := ""
	switch rig.Auxiliary.Kind {
	case hoist.EddyCurrent:
		aux = "\nauxiliary T = x² 2 T_p/(ω/ω_p + ω_p/ω)"
	case hoist.Hydrodynamic:
		aux = "\nauxiliary T = x T_p (ω/ω_p)²"
	case hoist.MotorBraking:
		aux = "\nauxiliary T = x min(T_p, P/ω)"
	}
	return service + ",  margin = T/(W r/n)\nspring-set T = 2 μ (1 − p/p_r) F_s r_e N" + aux
}

type calcHeatCmd struct {
	calcOptions
	Start     string `placeholder:"20degC" help:"Temperature at the start; default the air's."`
	DrumSpeed string `placeholder:"50rpm" help:"Mean drum speed, for cooling; default 0."`
	Power     string `placeholder:"100kW" help:"Steady heating power, with --for."`
	For       string `name:"for" placeholder:"10min" help:"How long the power lasts."`
	HookLoad  string `placeholder:"1471kN" help:"For repeated stands: hook load lowered, as force or mass."`
	Travel    string `placeholder:"28m" help:"For repeated stands: length of a stand."`
	Share     string `placeholder:"10%" help:"For repeated stands: share of the work that the brake takes; default 100 %."`
	Every     string `placeholder:"180s" help:"For repeated stands: time of one."`
}

func (c *calcHeatCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	start := units.Kelvin(q.any("--start", c.Start, units.Temperature, ambient(rig)))
	speed := units.RadianPerSecond(q.atLeast0("--drum-speed", c.DrumSpeed, units.RotationSpeed, 0))
	a := answer{title: "Brake heat", rig: rig.Name}
	a.input("temperature at the start", float64(start), units.Temperature)
	a.input("air", ambient(rig), units.Temperature)
	a.input("drum speed", float64(speed), units.RotationSpeed)
	a.input("mass of the brake", float64(rig.Heat.Mass), units.Mass)
	a.input("specific heat", float64(rig.Heat.SpecificHeat), units.SpecificHeat)
	a.input("cooling area", float64(rig.Heat.CoolingArea), units.Area)
	a.step("convection at the start", float64(hoist.Convection(speed, rig.Service.EffectiveRadius)), units.HeatTransfer)
	a.step("radiation at the start", float64(hoist.Radiation(rig.Heat.Emissivity, start, units.Kelvin(ambient(rig)))), units.HeatTransfer)
	l := hoist.NewLumped(rig, start)
	a.step("time constant, m c/(h A)", float64(l.TimeConstant(speed)), units.Time)
	steady, stands := c.Power+c.For != "", c.HookLoad+c.Travel+c.Every+c.Share != ""
	switch {
	case steady == stands:
		q.wrong("calc heat", `want --power and --for for a steady power, or --hook-load, --travel and --every for stands`)
	case steady:
		c.steady(&q, &a, rig, l, speed)
	default:
		c.stands(&q, &a, rig, l, speed)
	}
	if err := q.err(); err != nil {
		return err
	}
	return a.write(s.out, c.JSON, c.Units)
}

func (c *calcHeatCmd) steady(q *quantities, a *answer, rig *hoist.Rig, l hoist.Lumped, speed units.RadianPerSecond) {
	q.need("--power", c.Power, "100 kW")
	q.need("--for", c.For, "10 min")
	power := units.Watt(q.atLeast0("--power", c.Power, units.Power, 0))
	dt := units.Second(q.above0("--for", c.For, units.Time, math.NaN()))
	a.formula = "m c dT/dt = P − (h_c + h_r) A (T − T0);  two nodes: friction ring and body, G between"
	a.input("heating power, P", float64(power), units.Power)
	a.input("for", float64(dt), units.Time)
	n := hoist.NewTwoNode(rig, l.Temperature)
	n.Step(power, speed, dt)
	a.result("brake as one lump at the end", "end_temperature_C", "degC", float64(l.Step(power, speed, dt)), units.Temperature)
	a.result("friction ring at the end", "ring_temperature_C", "degC", float64(n.Ring), units.Temperature)
	a.result("body at the end", "body_temperature_C", "degC", float64(n.Body), units.Temperature)
}

func (c *calcHeatCmd) stands(q *quantities, a *answer, rig *hoist.Rig, l hoist.Lumped, speed units.RadianPerSecond) {
	q.need("--hook-load", c.HookLoad, "1471 kN")
	q.need("--travel", c.Travel, "28 m")
	q.need("--every", c.Every, "180 s")
	load := q.load("--hook-load", c.HookLoad, 0)
	travel := q.atLeast0("--travel", c.Travel, units.Length, 0)
	every := units.Second(q.above0("--every", c.Every, units.Time, math.NaN()))
	share := q.within("--share", c.Share, units.Dimensionless, 0, 1, 1)
	work := units.Joule(share * load * travel)
	rise := units.Kelvin(float64(work) / l.Capacity())
	a.formula = "ΔT = share W s/(m c),  peak = ΔT/(1 − e^{−t1/τ}),  τ = m c/(h A)\n" +
		"it settles where E/t1 = (h_c + h_r) A (T_mean − T0); the way there stand by stand"
	a.input("hook load, W", load, units.Force)
	a.input("travel of a stand, s", travel, units.Length)
	a.input("share of the work in the brake", share, units.Dimensionless)
	a.input("time of a stand, t1", float64(every), units.Time)
	a.step("heat of a stand", float64(work), units.Energy)
	n := hoist.NewTwoNode(rig, l.Temperature)
	f := n.Forecast(hoist.Pace{HeatPerStand: work, TimePerStand: every, DrumSpeed: speed}, rig.Heat.Amber, rig.Heat.Red)
	settled := l
	settled.Temperature = f.Settles - rise/2
	tau := settled.TimeConstant(speed)
	peak, trough, mean := hoist.RepeatedStops(rise, every, tau)
	a.step("time constant where it settles, τ", float64(tau), units.Time)
	a.step("closed form over the air: peak", float64(peak), temperatureRise)
	a.step("closed form over the air: trough", float64(trough), temperatureRise)
	a.step("closed form over the air: mean", float64(mean), temperatureRise)
	a.result("rise of a stand", "rise_per_stand_K", "K", float64(rise), temperatureRise)
	a.result("peak settles at", "settles_C", "degC", float64(f.Settles), units.Temperature)
	a.result("stands to amber", "stands_to_amber", "", f.StandsToAmber, units.Dimensionless)
	a.result("stands to red", "stands_to_red", "", f.StandsToRed, units.Dimensionless)
}
