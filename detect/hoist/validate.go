package hoist

import (
	"fmt"
	"math"

	"hoistward/ingest/units"
)

// Problem is one thing in a rig that cannot be: where it stands in a rig file,
// what stands there and what should.
type Problem struct {
	Path string // as in a rig file, e.g. "reeving.lines"
	Got  string
	Want string
}

// String returns the problem as one line.
func (p Problem) String() string { return fmt.Sprintf("%s: got %s, want %s", p.Path, p.Got, p.Want) }

// Validate returns everything in the rig that cannot be, all at once, in the
// order of a rig file; none means that every answer of this package is a number
// or has a reason why not.
func (r *Rig) Validate() []Problem {
	v := &validation{}
	if r.Name == "" {
		v.add("rig", "nothing", "a name")
	}
	v.drawworks(&r.Drawworks)
	v.line(&r.Line)
	v.reeving(r.Reeving)
	v.positive("travelling_mass", float64(r.TravellingMass), "kg")
	v.mast(&r.Mast)
	if r.Reference.Set {
		v.reference(r)
	}
	v.service(&r.Service)
	v.emergency(&r.Emergency)
	v.heat(&r.Heat)
	v.auxiliary(&r.Auxiliary)
	v.uncertainty(&r.Uncertainty)
	return v.problems
}

type validation struct{ problems []Problem }

func (v *validation) add(path, got, want string) {
	v.problems = append(v.problems, Problem{path, got, want})
}

func quantity(x float64, unit string) string {
	if unit == "" {
		return fmt.Sprintf("%.6g", x)
	}
	return fmt.Sprintf("%.6g %s", x, unit)
}

// positive wants x finite and above 0.
func (v *validation) positive(path string, x float64, unit string) {
	if !(x > 0) || math.IsInf(x, 0) {
		v.add(path, quantity(x, unit), "a finite value above 0")
	}
}

// notNegative wants x finite and not below 0.
func (v *validation) notNegative(path string, x float64, unit string) {
	if !(x >= 0) || math.IsInf(x, 0) {
		v.add(path, quantity(x, unit), "a finite value, 0 or above")
	}
}

// within wants lo ≤ x ≤ hi.
func (v *validation) within(path string, x, lo, hi float64, unit string) {
	if !(x >= lo && x <= hi) {
		v.add(path, quantity(x, unit), fmt.Sprintf("%s to %s", quantity(lo, unit), quantity(hi, unit)))
	}
}

func (v *validation) drawworks(d *Drawworks) {
	v.notNegative("drawworks.rated_power", float64(d.RatedPower), "W")
	v.notNegative("drawworks.rated_load", float64(d.RatedLoad), "N")
	v.positive("drawworks.drum.root_diameter", float64(d.Drum.RootDiameter), "m")
	v.notNegative("drawworks.drum.groove_pitch", float64(d.Drum.GroovePitch), "m")
	v.positive("drawworks.drum.wraps_per_layer", d.Drum.WrapsPerLayer, "")
	v.within("drawworks.drum.layer_rise", d.Drum.LayerRise, 0.84, 1.00, "")
	v.positive("drawworks.drum.inertia", float64(d.Drum.Inertia), "kg.m2")
	v.notNegative("drawworks.encoder.counts_per_revolution", d.Encoder.CountsPerRevolution, "")
	if b := d.Encoder.CounterBits; b != 0 && (b < 8 || b > 53) {
		v.add("drawworks.encoder.counter_bits", fmt.Sprint(b), "8 to 53")
	}
	v.notNegative("drawworks.drive.release", float64(d.DriveRelease), "s")
}

func (v *validation) line(l *Line) {
	v.positive("line.diameter", float64(l.Diameter), "m")
	v.positive("line.metallic_area", float64(l.MetallicArea), "m2")
	if full := math.Pi / 4 * float64(l.Diameter*l.Diameter); float64(l.MetallicArea) > full && full > 0 {
		v.add("line.metallic_area", quantity(float64(l.MetallicArea)*1e6, "mm2"),
			"less than the full circle of line.diameter, "+quantity(full*1e6, "mm2"))
	}
	v.within("line.elastic_modulus", float64(l.ElasticModulus)/1e9, 10, 250, "GPa")
	v.positive("line.breaking_strength", float64(l.BreakingStrength), "N")
	v.notNegative("line.fast_line_length", float64(l.FastLineLength), "m")
	v.notNegative("line.dead_line_length", float64(l.DeadLineLength), "m")
}

func (v *validation) reeving(r Reeving) {
	if r.Lines < 2 || r.Lines > 24 || r.Lines%2 != 0 {
		v.add("reeving.lines", fmt.Sprint(r.Lines), "an even number of lines, 2 to 24")
	}
	v.within("reeving.sheave_factor", r.SheaveFactor, 1.0, 1.2, "")
}

func (v *validation) mast(m *Mast) {
	v.positive("mast.crown_height", float64(m.CrownHeight), "m")
	v.below("mast.crown_limit", m.CrownLimit, "mast.crown_height", m.CrownHeight)
	if m.CrownSaverTrip != 0 {
		v.below("mast.crown_saver_trip", m.CrownSaverTrip, "mast.crown_height", m.CrownHeight)
		v.below("mast.floor_limit", m.FloorLimit, "mast.crown_saver_trip", m.CrownSaverTrip)
	}
	v.below("mast.floor_limit", m.FloorLimit, "mast.crown_limit", m.CrownLimit)
}

// below wants x finite and below the height that stands at another path.
func (v *validation) below(path string, x units.Metre, other string, limit units.Metre) {
	if !(x < limit) || math.IsInf(float64(x), 0) {
		v.add(path, quantity(float64(x), "m"), "a height below "+other+", "+quantity(float64(limit), "m"))
	}
}

func (v *validation) reference(r *Rig) {
	ref := &r.Reference
	v.below("position_reference.block_height", ref.BlockHeight, "mast.crown_height", r.Mast.CrownHeight)
	v.notNegative("position_reference.wraps", ref.Wraps, "")
	v.notNegative("position_reference.hook_load", float64(ref.HookLoad), "N")
	if ref.HasCounts && (math.IsNaN(ref.Counts) || math.IsInf(ref.Counts, 0)) {
		v.add("position_reference.counts", quantity(ref.Counts, ""), "a finite number of counts")
	}
}

func (v *validation) service(b *ServiceBrake) {
	const at = "brakes.service."
	switch b.Kind {
	case DiscBrake:
		if b.Calipers < 1 {
			v.add(at+"calipers", fmt.Sprint(b.Calipers), "at least 1")
		}
		v.positive(at+"piston_area", float64(b.PistonArea), "m2")
	case BandBrake:
		if b.Bands < 1 {
			v.add(at+"bands", fmt.Sprint(b.Bands), "at least 1")
		}
		v.within(at+"wrap_angle", b.WrapAngle*180/math.Pi, 90, 360, "deg")
		v.positive(at+"live_tension", float64(b.LiveTension), "N")
	default:
		v.add(at+"kind", fmt.Sprint(uint8(b.Kind)), "disc or band")
	}
	v.positive(at+"effective_radius", float64(b.EffectiveRadius), "m")
	v.within(at+"friction", b.Friction, 0.05, 1.0, "")
	v.positive(at+"full_pressure", float64(b.FullPressure), "Pa")
	v.notNegative(at+"dead_time", float64(b.DeadTime), "s")
	v.notNegative(at+"rise_time", float64(b.RiseTime), "s")
	v.notNegative(at+"hold_factor", b.HoldFactor, "")
	for i, p := range b.Fade {
		path := fmt.Sprintf(at+"fade[%d]", i)
		v.positive(path+".temperature", float64(p.Temperature), "K")
		v.within(path+".factor", p.Factor, 0, 1.5, "")
		if i > 0 && !(p.Temperature > b.Fade[i-1].Temperature) {
			v.add(path+".temperature", quantity(p.Temperature.Celsius(), "degC"),
				"above the point before it, "+quantity(b.Fade[i-1].Temperature.Celsius(), "degC"))
		}
	}
}

func (v *validation) emergency(e *EmergencyBrake) {
	const at = "brakes.emergency."
	if e.Calipers < 0 {
		v.add(at+"calipers", fmt.Sprint(e.Calipers), "0 or more")
	}
	if e.Calipers <= 0 {
		return
	}
	v.positive(at+"spring_force", float64(e.SpringForce), "N")
	v.positive(at+"release_pressure", float64(e.ReleasePressure), "Pa")
	v.positive(at+"effective_radius", float64(e.EffectiveRadius), "m")
	v.within(at+"friction", e.Friction, 0.05, 1.0, "")
}

func (v *validation) heat(h *HeatModel) {
	const at = "brakes.heat."
	v.positive(at+"mass", float64(h.Mass), "kg")
	v.positive(at+"specific_heat", float64(h.SpecificHeat), "J/kg.K")
	v.notNegative(at+"cooling_area", float64(h.CoolingArea), "m2")
	v.within(at+"emissivity", h.Emissivity, 0, 1, "")
	if h.Ambient != 0 {
		v.within(at+"ambient", h.Ambient.Celsius(), -60, 80, "degC")
	}
	if h.RingShare != 0 {
		v.within(at+"ring_share", h.RingShare, 0.05, 0.95, "")
	}
	v.notNegative(at+"exchange_time", float64(h.ExchangeTime), "s")
	v.notNegative(at+"water_flow", float64(h.WaterFlow), "m3/s")
	v.positive(at+"amber", float64(h.Amber), "K")
	if !(h.Red > h.Amber) {
		v.add(at+"red", quantity(h.Red.Celsius(), "degC"), "above brakes.heat.amber, "+quantity(h.Amber.Celsius(), "degC"))
	}
}

func (v *validation) auxiliary(a *AuxiliaryBrake) {
	const at = "brakes.auxiliary."
	switch a.Kind {
	case NoAuxiliary:
		return
	case EddyCurrent, Hydrodynamic:
		v.positive(at+"peak_speed", float64(a.PeakSpeed), "rad/s")
	case MotorBraking:
	default:
		v.add(at+"kind", fmt.Sprint(uint8(a.Kind)), "none, eddy_current, hydrodynamic or motor")
	}
	v.positive(at+"peak_torque", float64(a.PeakTorque), "N.m")
	v.notNegative(at+"power_limit", float64(a.PowerLimit), "W")
	v.notNegative(at+"full_current", float64(a.FullCurrent), "A")
}

func (v *validation) uncertainty(u *Uncertainty) {
	const at = "uncertainty."
	v.notNegative(at+"friction", u.Friction, "")
	v.notNegative(at+"dead_time", float64(u.DeadTime), "s")
	v.notNegative(at+"rise_time", float64(u.RiseTime), "s")
	v.notNegative(at+"release", float64(u.Release), "s")
	v.notNegative(at+"height", float64(u.Height), "m")
	v.notNegative(at+"hook_load", u.HookLoad, "")
	v.notNegative(at+"inertia", u.Inertia, "")
}
