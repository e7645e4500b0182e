package hoist

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"hoistward/ingest/units"
)

// given is the inputs of one row, in SI.
type given map[string]float64

// or returns an input, or what holds without it.
func (g given) or(name string, otherwise float64) float64 {
	if x, ok := g[name]; ok {
		return x
	}
	return otherwise
}

// must returns an input that has to be there; NaN fails every comparison.
func (g given) must(name string) float64 { return g.or(name, math.NaN()) }

func (g given) direction() Direction { return Direction(g.must("direction")) }

func (g given) reeving() Reeving { return Reeving{int(g.or("lines", 10)), g.or("K", 1.04)} }

// rig is R1 with the row's inputs in place of its own.
func (g given) rig() *Rig {
	r := r1()
	r.Reeving = g.reeving()
	r.Drawworks.Drum.LayerRise = g.or("rise", 0.866)
	r.Drawworks.Drum.Inertia = units.KilogramMetre2(g.or("inertia", 3000))
	r.Drawworks.DriveRelease = units.Second(g.or("release", 0.4))
	r.Service.DeadTime = units.Second(g.or("dead", 0.3))
	r.Service.RiseTime = units.Second(g.or("rise_time", 0.5))
	r.Service.Calipers = int(g.or("calipers", 6))
	r.Service.PistonArea = math.Pi / 4 * 0.01 // of 100 mm
	r.Line.ElasticModulus = units.Pascal(g.or("modulus", 93.1e9))
	return r
}

func (g given) load() units.Newton { return units.Newton(g.must("hook_load")) }
func (g given) trip() Trip {
	return Trip{
		Stand: units.Metre(g.must("stand")), Travelling: units.Kilogram(g.must("travelling")),
		Collars: units.Kilogram(g.or("collars", 0)),
		Pipe:    units.KilogramPerMetre(g.must("pipe") * BuoyancyFactor(units.KilogramPerMetre3(g.or("mud", 0)))),
	}
}

func (g given) stop() Stop {
	return g.rig().Stop(StopCase{
		Direction: g.direction(), Speed: units.MetrePerSecond(g.must("speed")),
		Acceleration: units.MetrePerSecond2(g.or("acceleration", 0)), HookLoad: g.load(), Radius: 0.44,
		BrakeTemperature: units.Kelvin(g.or("temperature", 293.15)), RetardingLost: g.or("lost", 0) == 1,
		FrictionFactor: 1, PressureFraction: 1,
	})
}

func (g given) closedStop() (units.Metre, units.Second) {
	return Braking{
		Dead: units.Second(g.must("dead")), Drive: units.Second(g.or("drive", 0)),
		DriveRate: units.MetrePerSecond2(g.or("drive_rate", 0)), Rise: units.Second(g.must("rise")),
		Deceleration: units.MetrePerSecond2(g.must("deceleration")),
	}.Stop(units.MetrePerSecond(g.must("speed")))
}

func (g given) leastSquares() RecursiveLeastSquares {
	e := RecursiveLeastSquares{Mu: 0.40, P: 0.01, Lambda: g.must("lambda")}
	for _, y := range []float64{100, 99, 101}[:int(g.must("count"))] {
		e.Update(y, g.must("phi"))
	}
	return e
}

func (g given) band() (units.Newton, units.Newton, units.NewtonMetre) {
	return BandTensions(units.Pascal(g.must("pressure")), units.Metre(g.must("width")), units.Metre(g.must("radius")), g.must("friction"), g.must("wrap"))
}

// answers maps a row's quantity to the function that must give it, in SI.
var answers = map[string]func(given) float64{
	// Reeving.
	"efficiency":       func(g given) float64 { return g.reeving().Efficiency() },
	"fast_line_factor": func(g given) float64 { return g.reeving().FastLineFactor(g.direction()) },
	"fast_line_share": func(g given) float64 {
		return g.reeving().FastLineFactor(g.direction()) * g.must("lines")
	},
	"dead_line_share": func(g given) float64 {
		return g.reeving().DeadLineFactor(g.direction()) * g.must("lines")
	},
	"hook_over_dead_line": func(g given) float64 { return float64(g.reeving().HookLoad(1, g.direction())) },
	"sheave_factor_from_hysteresis": func(g given) float64 {
		k, _, err := SheaveFactorFromHysteresis(units.Newton(g.must("raising")), units.Newton(g.must("lowering")), int(g.must("lines")), 0.01)
		if err != nil {
			return math.NaN()
		}
		return k
	},
	"fast_line_tension": func(g given) float64 {
		return float64(fastLine(g.load(), int(g.must("lines")), g.must("efficiency")))
	},
	"fast_line_rounded": func(g given) float64 {
		return math.Round(g.reeving().FastLineFactor(Raising)*1000) / 1000 * g.must("hook_load")
	},
	"hook_power":           func(g given) float64 { return g.must("power") * g.must("efficiency") },
	"hook_speed":           func(g given) float64 { return g.hookSpeed() },
	"drum_speed":           func(g given) float64 { return g.hookSpeed() * g.must("lines") / g.must("radius") },
	"mast_load":            func(g given) float64 { return float64(mastLoad(g.load(), int(g.must("lines")), g.must("efficiency"))) },
	"equivalent_mast_load": func(g given) float64 { return float64(g.reeving().EquivalentMastLoad(g.load())) },
	"mast_efficiency": func(g given) float64 {
		return float64(mastLoad(g.load(), int(g.must("lines")), g.must("efficiency")) / g.reeving().EquivalentMastLoad(g.load()))
	},
	"design_factor": func(g given) float64 {
		l := Line{BreakingStrength: units.Newton(g.must("strength"))}
		return l.DesignFactor(units.Newton(g.must("tension")))
	},
	// Drum and line.
	"layer_diameter": func(g given) float64 { return float64(g.layer()) },
	"layer_length": func(g given) float64 {
		u, k := g.rig().Drawworks.Drum, g.must("layer")
		return float64(u.Line(40*k, 0.034925) - u.Line(40*(k-1), 0.034925))
	},
	"line_on_drum":    func(g given) float64 { return float64(g.rig().Drawworks.Drum.Line(g.must("wraps"), 0.034925)) },
	"block_per_turn":  func(g given) float64 { return math.Pi * float64(g.layer()) / 10 },
	"block_per_count": func(g given) float64 { return math.Pi * float64(g.layer()) / 10 / 4096 },
	"capacity": func(g given) float64 {
		return float64(Capacity(units.Metre(g.must("depth")), units.Metre(g.must("barrel")), units.Metre(g.must("width")), units.Metre(g.must("line"))))
	},
	"layer_sum": func(g given) float64 {
		n := g.must("width") / g.must("line")
		u := Drum{RootDiameter: units.Metre(g.must("barrel")), WrapsPerLayer: n, LayerRise: 1}
		return float64(u.Line(n*g.must("layers"), units.Metre(g.must("line"))))
	},
	"stretch": func(g given) float64 { return float64(g.rig().Line.Stretch(g.load(), units.Metre(g.must("part")), 10)) },
	"stretch_parts": func(g given) float64 {
		l := g.rig().Line
		l.FastLineLength, l.DeadLineLength = 0, 0
		return float64(l.Stretch(g.load(), units.Metre(g.must("part")), 10))
	},
	"spring_rate": func(g given) float64 { return float64(g.rig().Line.SpringRate(units.Metre(g.must("part")), 10)) },
	"natural_frequency": func(g given) float64 {
		return float64(g.rig().Line.NaturalFrequency(units.Kilogram(g.must("hook_load")/9.80665), units.Metre(g.must("part")), 10))
	},
	// Dynamics and stop.
	"rotating_mass":         func(g given) float64 { return float64(g.rig().EquivalentMass(0, units.Metre(g.must("radius")))) },
	"kinetic_energy":        func(g given) float64 { return g.energy() },
	"emergency_stop_energy": func(g given) float64 { return g.energy() },
	"stop_bulk_rise":        func(g given) float64 { return g.energy() / (1800 * 470) },
	"drum_speed_of_block":   func(g given) float64 { return g.must("speed") * 10 / g.must("radius") },
	"deceleration":          func(g given) float64 { return g.deceleration(g.direction()) },
	"coast": func(g given) float64 {
		g["torque"] = 0
		return g.must("speed") * g.must("speed") / (2 * g.deceleration(Raising))
	},
	"static_torque":        func(g given) float64 { return g.must("hook_load") * g.must("radius") / 10 },
	"closed_stop_distance": func(g given) float64 { s, _ := g.closedStop(); return float64(s) },
	"closed_stop_time":     func(g given) float64 { _, t := g.closedStop(); return float64(t) },
	"stop_distance":        func(g given) float64 { return float64(g.stop().Distance) },
	"stop_time":            func(g given) float64 { return float64(g.stop().Time) },
	"stop_temperature":     func(g given) float64 { return float64(g.stop().EndTemperature) },
	"safe_lowering": func(g given) float64 {
		return float64(g.rig().SafeLowering(g.load(), 0.44, units.Kelvin(g.must("temperature")), 1, units.Metre(g.must("room"))))
	},
	// Brakes.
	"disc_torque": func(g given) float64 { return float64(g.rig().Service.Torque(7e6, 1, Lowering)) },
	"hold_margin": func(g given) float64 {
		return HoldMargin(g.rig().Service.Torque(7e6, g.or("factor", 1), Lowering), g.load(), units.Metre(g.must("radius")), 10)
	},
	"effective_radius_pressure": func(g given) float64 {
		return float64(EffectiveRadiusUniformPressure(units.Metre(g.must("outer")), units.Metre(g.must("inner"))))
	},
	"effective_radius_wear": func(g given) float64 {
		return float64(EffectiveRadiusUniformWear(units.Metre(g.must("outer")), units.Metre(g.must("inner"))))
	},
	"band_ratio": func(g given) float64 { return 1 + bandGain(g.must("friction")*g.must("wrap"), Lowering) },
	"band_tight": func(g given) float64 { a, _, _ := g.band(); return float64(a) },
	"band_slack": func(g given) float64 { _, a, _ := g.band(); return float64(a) },
	"band_torque": func(g given) float64 {
		_, _, a := g.band()
		return float64(a)
	},
	"band_brake": func(g given) float64 {
		b := ServiceBrake{
			Kind: BandBrake, Bands: int(g.must("bands")), Friction: g.must("friction"), WrapAngle: g.must("wrap"),
			EffectiveRadius: units.Metre(g.must("radius")), LiveTension: units.Newton(g.must("tension")), FullPressure: 7e6,
		}
		return float64(b.Torque(7e6, 1, g.direction()))
	},
	"fade_factor": func(g given) float64 { return r1().Service.Fade.Factor(units.Kelvin(g.must("temperature"))) },
	"eddy_share": func(g given) float64 {
		return float64(AuxiliaryBrake{Kind: EddyCurrent, PeakTorque: 1, PeakSpeed: 10}.Torque(units.RadianPerSecond(10*g.must("ratio")), 1))
	},
	"eddy_steady": func(g given) float64 {
		return float64(AuxiliaryBrake{Kind: EddyCurrent, PeakTorque: 1, PeakSpeed: 1}.SteadySpeed(units.NewtonMetre(g.must("load_share")), 1))
	},
	"hydrodynamic_steady_ratio": func(g given) float64 {
		a := AuxiliaryBrake{Kind: Hydrodynamic, PeakTorque: 1, PeakSpeed: 1}
		return float64(a.SteadySpeed(units.NewtonMetre(g.must("load_ratio")), 1) / a.SteadySpeed(1, 1))
	},
	"hydrodynamic_power_ratio": func(g given) float64 {
		a, x := AuxiliaryBrake{Kind: Hydrodynamic, PeakTorque: 1, PeakSpeed: 1}, g.must("speed_ratio")
		return float64(a.Torque(units.RadianPerSecond(x), 1)) * x
	},
	"hook_power_of_load": func(g given) float64 { return g.must("hook_load") * g.must("speed") },
	"drum_power_lowering": func(g given) float64 {
		return g.must("hook_load") * g.must("speed") * 10 * g.reeving().FastLineFactor(Lowering)
	},
	// Heat.
	"iron_volume": func(g given) float64 { // in pounds, feet and °F, as the problem is set
		return g.must("load") / 0.45359237 * g.must("drop") / 0.3048 / (g.must("specific_heat") * g.must("rise")) / g.must("density")
	},
	"stop_rise": func(g given) float64 { return g.must("energy") / (g.must("mass") * g.must("specific_heat")) },
	"first_pass_peak": func(g given) float64 {
		p, _, _ := RepeatedStops(units.Kelvin(g.must("rise")), units.Second(g.must("every")), units.Second(1/g.must("rate")))
		return float64(p)
	},
	"stand_rise": func(g given) float64 {
		l := NewLumped(r1(), 293.15)
		return g.must("share") * g.must("hook_load") * g.must("travel") / l.Capacity()
	},
	"time_constant":   func(g given) float64 { return 1800 * 470 / (g.must("h") * g.must("area")) },
	"repeated_peak":   func(g given) float64 { p, _, _ := g.repeated(); return float64(p) },
	"repeated_trough": func(g given) float64 { _, p, _ := g.repeated(); return float64(p) },
	"repeated_mean":   func(g given) float64 { _, _, p := g.repeated(); return float64(p) },
	"radiation":       func(g given) float64 { return float64(Radiation(0.8, units.Kelvin(g.must("temperature")), 293.15)) },
	"convection": func(g given) float64 {
		return float64(Convection(units.RadianPerSecond(g.must("speed")), units.Metre(g.must("radius"))))
	},
	"water_cooling": func(g given) float64 {
		return float64(WaterCooling(units.CubicMetrePerSecond(g.must("flow")), units.Kelvin(g.must("rise"))))
	},
	"flash_factor":           func(g given) float64 { return float64(SurfaceFlash(1, 1, g.must("k"), 1, 1)) },
	"lowering_stop_distance": func(g given) float64 { return g.loweringStop() },
	"lowering_stop_work": func(g given) float64 {
		return g.loweringStop() * 10 / g.must("radius") * g.must("torque")
	},
	"least_squares":   func(g given) float64 { return g.leastSquares().Mu },
	"least_squares_p": func(g given) float64 { return g.leastSquares().P },
	// Line work.
	"round_trip":     func(g given) float64 { return float64(g.trip().RoundTrip(units.Metre(g.must("depth")))) },
	"setting_casing": func(g given) float64 { return float64(g.trip().SettingCasing(units.Metre(g.must("depth")))) },
	"handbook_casing": func(g given) float64 {
		t, d := g.trip(), g.must("depth")
		return 9.80665 / 2 * (d*(float64(t.Stand)+d)*float64(t.Pipe) + d*float64(t.Travelling))
	},
	"drilling": func(g given) float64 {
		return float64(g.trip().Drilling(units.Metre(g.must("from")), units.Metre(g.must("to")), g.must("k")))
	},
	"coring_of":     func(g given) float64 { return coringRepeats * (g.must("to") - g.must("from")) },
	"short_trip_of": func(g given) float64 { return g.must("to") - g.must("from") },
	"buoyed_pipe":   func(g given) float64 { return g.must("pipe") * BuoyancyFactor(units.KilogramPerMetre3(g.must("mud"))) },
	"collars_excess": func(g given) float64 {
		return g.must("length") * (g.must("collar") - g.must("pipe")) * BuoyancyFactor(units.KilogramPerMetre3(g.must("mud")))
	},
	"ton_mile":         func(g given) float64 { return g.must("of") * float64(TonMile) },
	"cut_goal":         func(g given) float64 { return float64(CutGoal(units.Metre(g.must("line")))) },
	"hook_load_weight": func(g given) float64 { return g.must("mass") * 9.80665 },
}

func (g given) energy() float64 {
	return float64(g.rig().KineticEnergy(g.load(), units.Metre(g.must("radius")), units.MetrePerSecond(g.must("speed"))))
}

func (g given) hookSpeed() float64 {
	return g.must("power") * g.must("efficiency") / g.must("hook_load")
}

func (g given) layer() units.Metre {
	return g.rig().Drawworks.Drum.LayerDiameter(int(g.must("layer")), 0.034925)
}

func (g given) deceleration(d Direction) float64 {
	return float64(g.rig().Deceleration(units.NewtonMetre(g.must("torque")), g.load(), units.Metre(g.must("radius")), d))
}

func (g given) loweringStop() float64 {
	return g.must("speed") * g.must("speed") / (2 * g.deceleration(Lowering))
}

func (g given) repeated() (peak, trough, mean units.Kelvin) {
	return RepeatedStops(units.Kelvin(g.must("rise")), units.Second(g.must("every")), units.Second(g.must("tau")))
}

// parseAny reads a quantity of whatever dimension its unit has.
func parseAny(t *testing.T, text string) float64 {
	t.Helper()
	switch text {
	case "raising":
		return float64(Raising)
	case "lowering":
		return float64(Lowering)
	case "static":
		return float64(Static)
	}
	for d := range units.NumDimensions {
		if x, err := units.Parse(text, d); err == nil {
			return x
		}
	}
	t.Errorf("%q is no quantity", text)
	return math.NaN()
}

const fields = 6

func publishedRows(t *testing.T) map[string][][]string {
	t.Helper()
	files, err := filepath.Glob("../../testdata/published/*.csv")
	if err != nil || len(files) == 0 {
		t.Fatalf("no published tables: %v", err)
	}
	rows := map[string][][]string{}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		r := csv.NewReader(strings.NewReader(string(text)))
		r.FieldsPerRecord = fields
		all, err := r.ReadAll()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		rows[filepath.Base(name)] = all[1:]
	}
	return rows
}

// TestPublishedValues holds the package to every value of testdata/published.
func TestPublishedValues(t *testing.T) {
	used, count := map[string]bool{}, 0
	for file, rows := range publishedRows(t) {
		for _, row := range rows {
			count++
			quantity, inputs, want, tolerance, mark, source := row[0], row[1], row[2], row[3], row[4], row[5]
			if !strings.Contains("PRMAC", mark) || len(mark) != 1 || source == "" {
				t.Errorf("%s: %s: mark %q, source %q", file, quantity, mark, source)
			}
			plain, notFollowed := strings.CutPrefix(quantity, "not_followed_")
			f, ok := answers[plain]
			if !ok {
				t.Errorf("%s: %s: no function answers it", file, quantity)
				continue
			}
			used[plain] = true
			g := given{}
			for pair := range strings.SplitSeq(inputs, ";") {
				name, value, _ := strings.Cut(strings.TrimSpace(pair), "=")
				g[name] = parseAny(t, value)
			}
			got, w, tol := f(g), parseAny(t, want), parseAny(t, tolerance)
			if inside := math.Abs(got-w) <= tol; inside == notFollowed || math.IsNaN(got) {
				t.Errorf("%s: %s(%s): got %.7g, want %s ± %s (%.7g ± %.3g in SI); %s", file, quantity, inputs, got, want, tolerance, w, tol, source)
			}
		}
	}
	for q := range answers {
		if !used[q] {
			t.Errorf("no row asks for %s", q)
		}
	}
	if count < 150 {
		t.Errorf("%d rows, want the whole table", count)
	}
}
