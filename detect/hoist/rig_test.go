package hoist

import (
	"time"

	"hoistward/ingest/units"
)

// r1 is the synthetic reference rig of configs/R1.yaml, as a literal, so that the
// package's tests need no file.
func r1() *Rig {
	return &Rig{
		Name: "R1",
		Drawworks: Drawworks{
			RatedPower: 2000 * 745.69987158227,
			Drum: Drum{
				RootDiameter: 0.762, GroovePitch: 0.036, WrapsPerLayer: 40, LayerRise: 0.866, Inertia: 3000,
			},
			Encoder:      Encoder{CountsPerRevolution: 4096, CounterBits: 32},
			DriveRelease: 0.40,
		},
		Line: Line{
			Diameter: 0.034925, MetallicArea: 573.3e-6, ElasticModulus: 93.1e9,
			BreakingStrength: 854e3, FastLineLength: 55, DeadLineLength: 50,
		},
		Reeving:        Reeving{Lines: 10, SheaveFactor: 1.04},
		TravellingMass: 30e3,
		Mast:           Mast{CrownHeight: 44, CrownLimit: 41, CrownSaverTrip: 40, FloorLimit: 1.5},
		Reference: Reference{
			Set: true, BlockHeight: 2, Wraps: 14, HookLoad: 294e3,
			SetAt: time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC),
		},
		Service: ServiceBrake{
			Kind: DiscBrake, Calipers: 6, PistonArea: 7854e-6, EffectiveRadius: 0.68, Friction: 0.40,
			FullPressure: 7e6, DeadTime: 0.30, RiseTime: 0.50,
			Fade:       FadeCurve{{units.FromCelsius(250), 1}, {units.FromCelsius(400), 0.60}},
			HoldFactor: 1.5,
		},
		Emergency: EmergencyBrake{Calipers: 2, SpringForce: 90e3, ReleasePressure: 9e6, EffectiveRadius: 0.68, Friction: 0.40},
		Heat: HeatModel{
			Mass: 1800, SpecificHeat: 470, CoolingArea: 5.5, Emissivity: 0.8,
			Ambient: units.FromCelsius(20), Amber: units.FromCelsius(250), Red: units.FromCelsius(350),
		},
		Auxiliary: AuxiliaryBrake{Kind: EddyCurrent, PeakTorque: 110e3, PeakSpeed: 150 * 2 * 3.141592653589793 / 60},
		Uncertainty: Uncertainty{
			Friction: 0.03, DeadTime: 0.05, RiseTime: 0.05, Release: 0.08, Height: 0.03, HookLoad: 0.02, Inertia: 0.05,
		},
	}
}
