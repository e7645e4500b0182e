package simulator

import (
	"math"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// r1 is the reference rig of the tests, invented, as in configs/R1.yaml.
func r1() *hoist.Rig {
	var r hoist.Rig
	r.Name = "R1"
	r.Drawworks = hoist.Drawworks{
		RatedPower:   2000 * 745.6998715822702,
		Drum:         hoist.Drum{RootDiameter: 0.762, GroovePitch: 0.036, WrapsPerLayer: 40, LayerRise: 0.866, Inertia: 3000},
		Encoder:      hoist.Encoder{CountsPerRevolution: 4096, CounterBits: 32},
		DriveRelease: 0.40,
	}
	r.Line = hoist.Line{
		Diameter: 0.034925, MetallicArea: 573.3e-6, ElasticModulus: 93.1e9, BreakingStrength: 854e3,
		FastLineLength: 55, DeadLineLength: 50,
	}
	r.Reeving = hoist.Reeving{Lines: 10, SheaveFactor: 1.04}
	r.TravellingMass = 30e3
	r.Mast = hoist.Mast{CrownHeight: 44, CrownLimit: 41, CrownSaverTrip: 40, FloorLimit: 1.5}
	r.Reference = hoist.Reference{Set: true, BlockHeight: 2, Wraps: 14, HookLoad: 294e3}
	r.Service = hoist.ServiceBrake{
		Kind: hoist.DiscBrake, Calipers: 6, PistonArea: 7854e-6, EffectiveRadius: 0.68, Friction: 0.40,
		FullPressure: 7e6, DeadTime: 0.30, RiseTime: 0.50,
		Fade: hoist.FadeCurve{{Temperature: units.FromCelsius(250), Factor: 1}, {Temperature: units.FromCelsius(400), Factor: 0.6}},
	}
	r.Emergency = hoist.EmergencyBrake{Calipers: 2, SpringForce: 90e3, ReleasePressure: 9e6, EffectiveRadius: 0.68, Friction: 0.40}
	r.Heat = hoist.HeatModel{
		Mass: 1800, SpecificHeat: 470, CoolingArea: 5.5, Emissivity: 0.8, Ambient: units.FromCelsius(20),
		Amber: units.FromCelsius(250), Red: units.FromCelsius(350),
	}
	r.Auxiliary = hoist.AuxiliaryBrake{Kind: hoist.EddyCurrent, PeakTorque: 110e3, PeakSpeed: 150 * math.Pi / 30}
	r.Uncertainty = hoist.Uncertainty{
		Friction: 0.03, DeadTime: 0.05, RiseTime: 0.05, Release: 0.08, Height: 0.03, HookLoad: 0.02, Inertia: 0.05,
	}
	return &r
}
