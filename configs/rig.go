package configs

import (
	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// What a rig file need not say. FILES.md lists them for its readers.
const (
	standardHoldFactor                   = 1.25
	standardAmbient                      = units.ZeroCelsius + 20
	standardRiseTime        units.Second = 0.05
	standardInertia                      = 0.05
	mostCalipers, mostBands              = 64, 4
)

// ReadRig reads the text of a rig file. The name is only for the problems, which
// come in order of line; where there is any, the rig is not to be used.
func ReadRig(name string, text []byte) (*hoist.Rig, []Problem) {
	r, rig := readRig(name, text)
	return rig, r.done()
}

func readRig(name string, text []byte) (*reader, *hoist.Rig) {
	r := newReader(name)
	rig := &hoist.Rig{}
	root, ok := r.document(text, "the keys of a rig file")
	if !ok {
		return r, rig
	}
	rig.Name = root.name("rig")
	readDrawworks(root.child("drawworks", true), &rig.Drawworks)
	readLine(root.child("line", true), &rig.Line)
	readReeving(root.child("reeving", true), &rig.Reeving)
	quantity(root, "travelling_mass", &rig.TravellingMass, units.Mass, positive)
	readMast(root.child("mast", true), &rig.Mast)
	readReference(root.child("position_reference", false), &rig.Reference)
	readBrakes(root.child("brakes", true), rig)
	readUncertainty(root.child("uncertainty", true), &rig.Uncertainty)
	root.close()
	return r, rig
}

func readDrawworks(o *object, d *hoist.Drawworks) {
	quantity(o, "rated_power", &d.RatedPower, units.Power, positive)
	optional(o, "rated_load", &d.RatedLoad, units.Force, positive, 0)
	drum := o.child("drum", true)
	quantity(drum, "root_diameter", &d.Drum.RootDiameter, units.Length, positive)
	quantity(drum, "groove_pitch", &d.Drum.GroovePitch, units.Length, positive)
	quantity(drum, "wraps_per_layer", &d.Drum.WrapsPerLayer, units.Dimensionless, positive)
	quantity(drum, "layer_rise", &d.Drum.LayerRise, units.Dimensionless, positive)
	quantity(drum, "inertia", &d.Drum.Inertia, units.Inertia, positive)
	drum.close()
	encoder := o.child("encoder", false)
	if !encoder.silent {
		quantity(encoder, "counts_per_revolution", &d.Encoder.CountsPerRevolution, units.Dimensionless, positive)
		whole(encoder, "counter_bits", &d.Encoder.CounterBits, true, 8, 53)
	}
	encoder.close()
	drive := o.child("drive", true)
	quantity(drive, "release", &d.DriveRelease, units.Time, notNegative)
	drive.close()
	o.close()
}

func readLine(o *object, l *hoist.Line) {
	quantity(o, "diameter", &l.Diameter, units.Length, positive)
	quantity(o, "metallic_area", &l.MetallicArea, units.Area, positive)
	quantity(o, "elastic_modulus", &l.ElasticModulus, units.Pressure, positive)
	quantity(o, "breaking_strength", &l.BreakingStrength, units.Force, positive)
	quantity(o, "fast_line_length", &l.FastLineLength, units.Length, positive)
	quantity(o, "dead_line_length", &l.DeadLineLength, units.Length, positive)
	o.close()
}

func readReeving(o *object, v *hoist.Reeving) {
	whole(o, "lines", &v.Lines, true, 1, 64)
	quantity(o, "sheave_factor", &v.SheaveFactor, units.Dimensionless, positive)
	o.close()
}

func readMast(o *object, m *hoist.Mast) {
	quantity(o, "crown_height", &m.CrownHeight, units.Length, positive)
	quantity(o, "crown_limit", &m.CrownLimit, units.Length, positive)
	quantity(o, "crown_saver_trip", &m.CrownSaverTrip, units.Length, positive)
	quantity(o, "floor_limit", &m.FloorLimit, units.Length, notNegative)
	o.close()
}

// readReference reads the map's known point. `void: true` keeps the old numbers
// in the file and leaves the map void, so they must still be readable.
func readReference(o *object, p *hoist.Reference) {
	if o.silent {
		return
	}
	void := o.truth("void")
	need := func(key string, dst *float64, d units.Dimension, must rule) {
		if !void {
			quantity(o, key, dst, d, must)
			return
		}
		optional(o, key, dst, d, must, 0)
	}
	need("block_height", (*float64)(&p.BlockHeight), units.Length, anyNumber)
	need("wraps", &p.Wraps, units.Dimensionless, positive)
	need("hook_load", (*float64)(&p.HookLoad), units.Force, notNegative)
	p.HasCounts = optional(o, "counts", &p.Counts, units.Dimensionless, anyNumber, 0)
	p.SetAt = o.instant("set_at", !void)
	p.Set = !void
	o.close()
}

func readBrakes(o *object, rig *hoist.Rig) {
	readService(o.child("service", true), &rig.Service)
	readEmergency(o.child("emergency", false), &rig.Emergency)
	readHeat(o.child("heat", true), &rig.Heat)
	readAuxiliary(o.child("auxiliary", false), &rig.Auxiliary)
	o.close()
}

func readService(o *object, s *hoist.ServiceBrake) {
	kind, known := o.choice("kind", true, "disc", "band")
	s.Kind = hoist.BrakeKind(kind)
	disc := func() {
		whole(o, "calipers", &s.Calipers, true, 1, mostCalipers)
		quantity(o, "piston_area", &s.PistonArea, units.Area, positive)
	}
	band := func() {
		whole(o, "bands", &s.Bands, true, 1, mostBands)
		quantity(o, "wrap_angle", &s.WrapAngle, units.Angle, positive)
		quantity(o, "live_tension", &s.LiveTension, units.Force, positive)
	}
	switch {
	case !known:
		o.allow("calipers", "piston_area", "bands", "wrap_angle", "live_tension")
	case s.Kind == hoist.BandBrake:
		band()
		o.refuse("with kind: band", "calipers", "piston_area")
	default:
		disc()
		o.refuse("with kind: disc", "bands", "wrap_angle", "live_tension")
	}
	quantity(o, "effective_radius", &s.EffectiveRadius, units.Length, positive)
	quantity(o, "friction", &s.Friction, units.Dimensionless, positive)
	quantity(o, "full_pressure", &s.FullPressure, units.Pressure, positive)
	quantity(o, "dead_time", &s.DeadTime, units.Time, notNegative)
	quantity(o, "rise_time", &s.RiseTime, units.Time, notNegative)
	optional(o, "hold_factor", &s.HoldFactor, units.Dimensionless, positive, standardHoldFactor)
	s.Fade = readFade(o)
	o.close()
}

func readFade(o *object) hoist.FadeCurve {
	items := o.list("fade", true, "a list of {temperature, factor}, one at least")
	curve := make(hoist.FadeCurve, len(items))
	for i, m := range items {
		point := o.r.mapping(m, m.node.Line)
		quantity(point, "temperature", &curve[i].Temperature, units.Temperature, positive)
		quantity(point, "factor", &curve[i].Factor, units.Dimensionless, notNegative)
		point.close()
	}
	return curve
}

func readEmergency(o *object, e *hoist.EmergencyBrake) {
	if o.silent {
		return
	}
	whole(o, "calipers", &e.Calipers, true, 1, mostCalipers)
	quantity(o, "spring_force", &e.SpringForce, units.Force, positive)
	quantity(o, "release_pressure", &e.ReleasePressure, units.Pressure, positive)
	quantity(o, "effective_radius", &e.EffectiveRadius, units.Length, positive)
	quantity(o, "friction", &e.Friction, units.Dimensionless, positive)
	o.close()
}

func readHeat(o *object, h *hoist.HeatModel) {
	quantity(o, "mass", &h.Mass, units.Mass, positive)
	quantity(o, "specific_heat", &h.SpecificHeat, units.SpecificHeat, positive)
	quantity(o, "cooling_area", &h.CoolingArea, units.Area, positive)
	quantity(o, "emissivity", &h.Emissivity, units.Dimensionless, notNegative)
	optional(o, "ambient", &h.Ambient, units.Temperature, positive, standardAmbient)
	quantity(o, "amber", &h.Amber, units.Temperature, positive)
	quantity(o, "red", &h.Red, units.Temperature, positive)
	o.close()
}

func readAuxiliary(o *object, a *hoist.AuxiliaryBrake) {
	if o.silent {
		return
	}
	kind, known := o.choice("kind", true, "none", "eddy_current", "hydrodynamic", "motor")
	a.Kind = hoist.AuxiliaryKind(kind)
	switch {
	case !known:
		o.allow("peak_torque", "peak_speed", "power_limit", "full_current")
	case a.Kind == hoist.NoAuxiliary:
		o.refuse("with kind: none", "peak_torque", "peak_speed", "power_limit", "full_current")
	case a.Kind == hoist.MotorBraking:
		quantity(o, "peak_torque", &a.PeakTorque, units.Torque, positive)
		optional(o, "peak_speed", &a.PeakSpeed, units.RotationSpeed, positive, 0)
		quantity(o, "power_limit", &a.PowerLimit, units.Power, positive)
		o.refuse("with kind: motor", "full_current")
	default:
		quantity(o, "peak_torque", &a.PeakTorque, units.Torque, positive)
		quantity(o, "peak_speed", &a.PeakSpeed, units.RotationSpeed, positive)
		if a.Kind == hoist.EddyCurrent {
			optional(o, "full_current", &a.FullCurrent, units.Current, positive, 0)
		} else {
			o.refuse("with kind: hydrodynamic", "full_current")
		}
		o.refuse("but with kind: motor", "power_limit")
	}
	o.close()
}

func readUncertainty(o *object, u *hoist.Uncertainty) {
	quantity(o, "friction", &u.Friction, units.Dimensionless, positive)
	quantity(o, "dead_time", &u.DeadTime, units.Time, positive)
	optional(o, "rise_time", &u.RiseTime, units.Time, positive, standardRiseTime)
	quantity(o, "release", &u.Release, units.Time, positive)
	quantity(o, "height", &u.Height, units.Length, positive)
	quantity(o, "hook_load", &u.HookLoad, units.Dimensionless, positive)
	optional(o, "inertia", &u.Inertia, units.Dimensionless, positive, standardInertia)
	o.close()
}
