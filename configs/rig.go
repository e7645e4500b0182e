package configs

import (
	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// shortTime bounds the times that a stop is made of: what is longer was meant in
// another unit.
var shortTime = between(0, 10, "0 to 10 s")

// What a rig file need not say. FILES.md lists them for its readers.
const (
	standardHoldFactor                   = 1.25
	standardAmbient                      = units.ZeroCelsius + 20
	standardRiseTime        units.Second = 0.05
	standardInertia                      = 0.05
	mostCalipers, mostBands              = 64, 4
	// A proof test of the crown saver each tour of 12 h, and 30 m of line cut at a time:
	// common practice; local rules and the line's programme come first.
	standardProof     units.Second = 12 * 3600
	standardCutLength units.Metre  = 30
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
	quantity(root, "travelling_mass", &rig.TravellingMass, units.Mass, anyNumber)
	readMast(root.child("mast", true), &rig.Mast)
	readReference(root.child("position_reference", false), &rig.Reference)
	readBrakes(root.child("brakes", true), rig)
	readUncertainty(root.child("uncertainty", true), &rig.Uncertainty)
	readDue(root.child("due", false), &rig.Due)
	root.close()
	r.physical(rig)
	return r, rig
}

func readDrawworks(o *object, d *hoist.Drawworks) {
	quantity(o, "rated_power", &d.RatedPower, units.Power, positive)
	optional(o, "rated_load", &d.RatedLoad, units.Force, positive, 0)
	drum := o.child("drum", true)
	quantity(drum, "root_diameter", &d.Drum.RootDiameter, units.Length, anyNumber)
	quantity(drum, "groove_pitch", &d.Drum.GroovePitch, units.Length, positive)
	quantity(drum, "wraps_per_layer", &d.Drum.WrapsPerLayer, units.Dimensionless, between(5, 200, "5 to 200 wraps in a layer"))
	quantity(drum, "layer_rise", &d.Drum.LayerRise, units.Dimensionless, anyNumber)
	quantity(drum, "inertia", &d.Drum.Inertia, units.Inertia, anyNumber)
	drum.close()
	encoder := o.child("encoder", false)
	if !encoder.silent {
		quantity(encoder, "counts_per_revolution", &d.Encoder.CountsPerRevolution, units.Dimensionless, positive)
		whole(encoder, "counter_bits", &d.Encoder.CounterBits, true, from(8, 53))
	}
	encoder.close()
	drive := o.child("drive", true)
	quantity(drive, "release", &d.DriveRelease, units.Time, shortTime)
	drive.close()
	o.close()
}

func readLine(o *object, l *hoist.Line) {
	quantity(o, "diameter", &l.Diameter, units.Length, anyNumber)
	quantity(o, "metallic_area", &l.MetallicArea, units.Area, anyNumber)
	quantity(o, "elastic_modulus", &l.ElasticModulus, units.Pressure, anyNumber)
	quantity(o, "breaking_strength", &l.BreakingStrength, units.Force, anyNumber)
	quantity(o, "fast_line_length", &l.FastLineLength, units.Length, anyNumber)
	quantity(o, "dead_line_length", &l.DeadLineLength, units.Length, anyNumber)
	o.close()
}

func readReeving(o *object, v *hoist.Reeving) {
	even := wholeRule{4, 16, "an even number from 4 to 16", func(n int) bool { return n%2 == 0 }}
	whole(o, "lines", &v.Lines, true, even)
	quantity(o, "sheave_factor", &v.SheaveFactor, units.Dimensionless, anyNumber)
	o.close()
}

func readMast(o *object, m *hoist.Mast) {
	quantity(o, "crown_height", &m.CrownHeight, units.Length, anyNumber)
	quantity(o, "crown_limit", &m.CrownLimit, units.Length, anyNumber)
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
	need("wraps", &p.Wraps, units.Dimensionless, anyNumber)
	need("hook_load", (*float64)(&p.HookLoad), units.Force, anyNumber)
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
		whole(o, "calipers", &s.Calipers, true, from(1, mostCalipers))
		quantity(o, "piston_area", &s.PistonArea, units.Area, anyNumber)
	}
	band := func() {
		whole(o, "bands", &s.Bands, true, from(1, mostBands))
		quantity(o, "wrap_angle", &s.WrapAngle, units.Angle, anyNumber)
		quantity(o, "live_tension", &s.LiveTension, units.Force, anyNumber)
	}
	switch {
	case !known:
		o.allow("calipers", "piston_area", "bands", "wrap_angle", "live_tension")
	case s.Kind == hoist.BandBrake:
		band()
		o.refuse("no such key with kind: band", "calipers", "piston_area")
	default:
		disc()
		o.refuse("no such key with kind: disc", "bands", "wrap_angle", "live_tension")
	}
	quantity(o, "effective_radius", &s.EffectiveRadius, units.Length, anyNumber)
	quantity(o, "friction", &s.Friction, units.Dimensionless, anyNumber)
	quantity(o, "full_pressure", &s.FullPressure, units.Pressure, anyNumber)
	quantity(o, "dead_time", &s.DeadTime, units.Time, shortTime)
	quantity(o, "rise_time", &s.RiseTime, units.Time, shortTime)
	optional(o, "hold_factor", &s.HoldFactor, units.Dimensionless, between(1, 10, "1 to 10: below 1 the brake does not hold the load"), standardHoldFactor)
	s.Fade = readFade(o)
	o.close()
}

func readFade(o *object) hoist.FadeCurve {
	items := o.list("fade", true, "a list of {temperature, factor}, one at least")
	curve := make(hoist.FadeCurve, len(items))
	for i, m := range items {
		point := o.r.mapping(m, m.node.Line)
		quantity(point, "temperature", &curve[i].Temperature, units.Temperature, anyNumber)
		quantity(point, "factor", &curve[i].Factor, units.Dimensionless, anyNumber)
		point.close()
	}
	return curve
}

func readEmergency(o *object, e *hoist.EmergencyBrake) {
	if o.silent {
		return
	}
	whole(o, "calipers", &e.Calipers, true, from(1, mostCalipers))
	quantity(o, "spring_force", &e.SpringForce, units.Force, anyNumber)
	quantity(o, "release_pressure", &e.ReleasePressure, units.Pressure, anyNumber)
	quantity(o, "effective_radius", &e.EffectiveRadius, units.Length, anyNumber)
	quantity(o, "friction", &e.Friction, units.Dimensionless, anyNumber)
	o.close()
}

func readHeat(o *object, h *hoist.HeatModel) {
	quantity(o, "mass", &h.Mass, units.Mass, anyNumber)
	quantity(o, "specific_heat", &h.SpecificHeat, units.SpecificHeat, anyNumber)
	quantity(o, "cooling_area", &h.CoolingArea, units.Area, anyNumber)
	quantity(o, "emissivity", &h.Emissivity, units.Dimensionless, anyNumber)
	optional(o, "ambient", &h.Ambient, units.Temperature, anyNumber, standardAmbient)
	optional(o, "ring_share", &h.RingShare, units.Dimensionless, anyNumber, 0)
	optional(o, "exchange_time", &h.ExchangeTime, units.Time, anyNumber, 0)
	optional(o, "water_flow", &h.WaterFlow, units.VolumeFlow, anyNumber, 0)
	quantity(o, "amber", &h.Amber, units.Temperature, anyNumber)
	quantity(o, "red", &h.Red, units.Temperature, anyNumber)
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
		o.refuse("no such key with kind: none", "peak_torque", "peak_speed", "power_limit", "full_current")
	case a.Kind == hoist.MotorBraking:
		quantity(o, "peak_torque", &a.PeakTorque, units.Torque, anyNumber)
		optional(o, "peak_speed", &a.PeakSpeed, units.RotationSpeed, anyNumber, 0)
		quantity(o, "power_limit", &a.PowerLimit, units.Power, positive)
		o.refuse("no such key with kind: motor", "full_current")
	default:
		quantity(o, "peak_torque", &a.PeakTorque, units.Torque, anyNumber)
		quantity(o, "peak_speed", &a.PeakSpeed, units.RotationSpeed, anyNumber)
		if a.Kind == hoist.EddyCurrent {
			optional(o, "full_current", &a.FullCurrent, units.Current, positive, 0)
		} else {
			o.refuse("no such key with kind: hydrodynamic", "full_current")
		}
		o.refuse("it only with kind: motor", "power_limit")
	}
	o.close()
}

// readUncertainty takes no zero: what is known exactly would make a bound that
// stops do not stay inside.
func readUncertainty(o *object, u *hoist.Uncertainty) {
	seconds := upTo(2, "above 0 and at most 2 s")
	relative := upTo(0.5, "above 0 and at most 50 %")
	quantity(o, "friction", &u.Friction, units.Dimensionless, positive)
	quantity(o, "dead_time", &u.DeadTime, units.Time, seconds)
	optional(o, "rise_time", &u.RiseTime, units.Time, seconds, standardRiseTime)
	quantity(o, "release", &u.Release, units.Time, seconds)
	quantity(o, "height", &u.Height, units.Length, upTo(2, "above 0 and at most 2 m"))
	quantity(o, "hook_load", &u.HookLoad, units.Dimensionless, relative)
	optional(o, "inertia", &u.Inertia, units.Dimensionless, relative, standardInertia)
	o.close()
}

// readDue takes 0 for "not asked for".
func readDue(o *object, d *hoist.Due) {
	d.CrownSaver, d.CutLength = standardProof, standardCutLength
	if o.silent {
		return
	}
	month := between(0, 31*24*3600, "0 to 31 days, in h")
	optional(o, "crown_saver", &d.CrownSaver, units.Time, month, standardProof)
	optional(o, "brake", &d.Brake, units.Time, month, 0)
	optional(o, "cut_length", &d.CutLength, units.Length, between(0, 500, "0 to 500 m"), standardCutLength)
	optional(o, "line_goal", &d.LineGoal, units.EnergyPerLength, positive, 0)
	o.close()
}
