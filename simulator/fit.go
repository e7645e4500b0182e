package simulator

import (
	"math"
	"slices"
	"sort"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

func kelvin(t float64) units.Kelvin { return units.Kelvin(t) }

// fitBrakes puts in the brakes that a scenario asks for where the rig has
// others, of a size that does the rig's work.
func fitBrakes(r *hoist.Rig, c RigChange) {
	if c.ServiceBrake == "band" && r.Service.Kind != hoist.BandBrake {
		// Two bands, 270°, whose torque paying out equals that of the rig's discs:
		// T = n·F·(e^{μθ} − 1)·R.
		s := &r.Service
		disc := 2 * s.Friction * float64(s.FullPressure) * float64(s.PistonArea) * float64(s.Calipers) * float64(s.EffectiveRadius)
		s.Kind, s.Bands, s.WrapAngle = hoist.BandBrake, 2, 1.5*math.Pi
		s.EffectiveRadius = 0.635
		s.LiveTension = units.Newton(disc / (2 * math.Expm1(s.Friction*s.WrapAngle) * 0.635))
	}
	a := &r.Auxiliary
	switch c.Auxiliary {
	case "eddy_current":
		a.Kind = hoist.EddyCurrent
	case "hydrodynamic":
		a.Kind = hoist.Hydrodynamic
	case "motor":
		a.Kind = hoist.MotorBraking
		if a.PowerLimit == 0 {
			a.PowerLimit = 0.8 * r.Drawworks.RatedPower
		}
	case "none":
		*a = hoist.AuxiliaryBrake{}
	}
}

// stepNames are the steps of work that a scenario may begin with.
var stepNames = map[string]int{
	"hold": atHold, "latch": atLatch, "stab": atStab, "pick_up": atPickUp, "raise_loaded": atRaise, "lower_loaded": atLower,
	"raise_empty": atRaiseE, "lower_empty": atLowerE, "drill": atDrill, "ream_up": atReamUp, "hang_off": atHang, "once": atOnce,
}

func beginNames() []string {
	names := make([]string, 0, len(stepNames))
	for n := range stepNames {
		names = append(names, n)
	}
	sort.Strings(names)
	return slices.Clip(names)
}

var firstStep = [numTasks]string{
	Hold: "hold", TripOut: "latch", TripIn: "stab", Tripping: "latch", Casing: "stab", Drill: "drill", Ream: "ream_up",
	Hoisting: "once", Lower: "once", SlipCut: "hang_off",
}

var beginsAtTop = map[string]bool{"stab": true, "lower_loaded": true, "lower_empty": true, "drill": true}

func (d *driller) moving() bool { return d.began }

// begin starts the first step of the work.
func (d *driller) begin(pl *plant, s *Scenario) {
	d.began = true
	d.since = 0
	switch d.phase {
	case atLatch, atStab, atHold, atHang:
	default:
		d.enter(pl, s)
	}
}

// workload returns the scenario's string, or the most that this rig works with
// where that is less: 0.6 of what its service brake holds at the second layer, what
// its power hoists at 0.35 m/s, and 0.8 of a stated rated load. Scenarios state
// strings for a rig of 2000 hp; a stand shrinks in the same proportion.
func workload(p *params, i Initial) Initial {
	r := 0.5*float64(p.rig.Drawworks.Drum.RootDiameter) + 1.5*float64(p.rig.Line.Diameter)
	s := p.rig.Service
	hold := p.brake.torque(s.Friction, p.brake.full, -1) * p.lines / r
	most := math.Min(0.6*hold, p.drive.power/(p.lines*p.fastLineShare(1)*0.35))
	if rated := float64(p.rig.Drawworks.RatedLoad); rated > 0 {
		most = math.Min(most, 0.8*rated)
	}
	mass := math.Max(0.05*i.StringMass, most/gravity-p.blockMass)
	if mass < i.StringMass {
		i.StandMass *= mass / i.StringMass
		i.StringMass = mass
	}
	return i
}
