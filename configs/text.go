package configs

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"hoistward/detect/hoist"
)

// Text returns the rig file of r, in SI units: ReadRig of it gives r back, to the
// bit. It is for rigs that no file describes, such as a scenario's.
func Text(r *hoist.Rig) []byte {
	w := &writer{}
	w.line("rig: %s", r.Name)
	w.group("drawworks", func() { w.drawworks(&r.Drawworks) })
	w.group("line", func() {
		w.number("diameter", float64(r.Line.Diameter), "m")
		w.number("metallic_area", float64(r.Line.MetallicArea), "m2")
		w.number("elastic_modulus", float64(r.Line.ElasticModulus), "Pa")
		w.number("breaking_strength", float64(r.Line.BreakingStrength), "N")
		w.number("fast_line_length", float64(r.Line.FastLineLength), "m")
		w.number("dead_line_length", float64(r.Line.DeadLineLength), "m")
	})
	w.group("reeving", func() {
		w.line("lines: %d", r.Reeving.Lines)
		w.number("sheave_factor", r.Reeving.SheaveFactor, "")
	})
	w.number("travelling_mass", float64(r.TravellingMass), "kg")
	w.group("mast", func() {
		w.number("crown_height", float64(r.Mast.CrownHeight), "m")
		w.number("crown_limit", float64(r.Mast.CrownLimit), "m")
		w.number("crown_saver_trip", float64(r.Mast.CrownSaverTrip), "m")
		w.number("floor_limit", float64(r.Mast.FloorLimit), "m")
	})
	w.group("position_reference", func() { w.reference(&r.Reference) })
	w.group("brakes", func() {
		w.group("service", func() { w.service(&r.Service) })
		if r.Emergency.Calipers > 0 {
			w.group("emergency", func() { w.emergency(&r.Emergency) })
		}
		w.group("heat", func() { w.heat(&r.Heat) })
		w.group("auxiliary", func() { w.auxiliary(&r.Auxiliary) })
	})
	w.group("uncertainty", func() {
		u := &r.Uncertainty
		w.number("friction", u.Friction, "")
		w.number("dead_time", float64(u.DeadTime), "s")
		w.number("rise_time", float64(u.RiseTime), "s")
		w.number("release", float64(u.Release), "s")
		w.number("height", float64(u.Height), "m")
		w.number("hook_load", u.HookLoad, "")
		w.number("inertia", u.Inertia, "")
	})
	w.group("due", func() {
		w.number("crown_saver", float64(r.Due.CrownSaver), "s")
		w.number("brake", float64(r.Due.Brake), "s")
		w.number("cut_length", float64(r.Due.CutLength), "m")
		w.optional("line_goal", float64(r.Due.LineGoal), "J/m")
	})
	return []byte(w.String())
}

// writer builds the text, group by group.
type writer struct {
	strings.Builder
	depth int
}

func (w *writer) line(format string, a ...any) {
	w.WriteString(strings.Repeat("  ", w.depth))
	fmt.Fprintf(w, format+"\n", a...)
}

func (w *writer) group(key string, body func()) {
	w.line("%s:", key)
	w.depth++
	body()
	w.depth--
}

func (w *writer) number(key string, x float64, unit string) {
	w.line("%s: %s", key, quantityText(x, unit))
}

// optional writes a number unless it is 0, "not stated".
func (w *writer) optional(key string, x float64, unit string) {
	if x != 0 {
		w.number(key, x, unit)
	}
}

func quantityText(x float64, unit string) string {
	return strings.TrimSpace(strconv.FormatFloat(x, 'g', -1, 64) + " " + unit)
}

func (w *writer) drawworks(d *hoist.Drawworks) {
	w.number("rated_power", float64(d.RatedPower), "W")
	w.optional("rated_load", float64(d.RatedLoad), "N")
	w.group("drum", func() {
		w.number("root_diameter", float64(d.Drum.RootDiameter), "m")
		w.number("groove_pitch", float64(d.Drum.GroovePitch), "m")
		w.number("wraps_per_layer", d.Drum.WrapsPerLayer, "")
		w.number("layer_rise", d.Drum.LayerRise, "")
		w.number("inertia", float64(d.Drum.Inertia), "kg.m2")
	})
	if d.Encoder.CountsPerRevolution > 0 {
		w.group("encoder", func() {
			w.number("counts_per_revolution", d.Encoder.CountsPerRevolution, "")
			w.line("counter_bits: %d", d.Encoder.CounterBits)
		})
	}
	w.group("drive", func() { w.number("release", float64(d.DriveRelease), "s") })
}

func (w *writer) reference(p *hoist.Reference) {
	if !p.Set {
		w.line("void: true")
	}
	if p.Set || p.Wraps != 0 {
		w.number("block_height", float64(p.BlockHeight), "m")
		w.number("wraps", p.Wraps, "")
		w.number("hook_load", float64(p.HookLoad), "N")
	}
	if p.HasCounts {
		w.number("counts", p.Counts, "")
	}
	if !p.SetAt.IsZero() {
		w.line("set_at: %s", p.SetAt.UTC().Format(time.RFC3339Nano))
	}
}

func (w *writer) service(s *hoist.ServiceBrake) {
	if s.Kind == hoist.BandBrake {
		w.line("kind: band")
		w.line("bands: %d", s.Bands)
		w.number("wrap_angle", s.WrapAngle, "rad")
		w.number("live_tension", float64(s.LiveTension), "N")
	} else {
		w.line("kind: disc")
		w.line("calipers: %d", s.Calipers)
		w.number("piston_area", float64(s.PistonArea), "m2")
	}
	w.number("effective_radius", float64(s.EffectiveRadius), "m")
	w.number("friction", s.Friction, "")
	w.number("full_pressure", float64(s.FullPressure), "Pa")
	w.number("dead_time", float64(s.DeadTime), "s")
	w.number("rise_time", float64(s.RiseTime), "s")
	w.number("hold_factor", s.HoldFactor, "")
	w.group("fade", func() {
		for _, p := range s.Fade {
			w.line("- {temperature: %s, factor: %s}", quantityText(float64(p.Temperature), "K"), quantityText(p.Factor, ""))
		}
	})
}

func (w *writer) emergency(e *hoist.EmergencyBrake) {
	w.line("calipers: %d", e.Calipers)
	w.number("spring_force", float64(e.SpringForce), "N")
	w.number("release_pressure", float64(e.ReleasePressure), "Pa")
	w.number("effective_radius", float64(e.EffectiveRadius), "m")
	w.number("friction", e.Friction, "")
}

func (w *writer) heat(h *hoist.HeatModel) {
	w.number("mass", float64(h.Mass), "kg")
	w.number("specific_heat", float64(h.SpecificHeat), "J/kg.K")
	w.number("cooling_area", float64(h.CoolingArea), "m2")
	w.number("emissivity", h.Emissivity, "")
	w.number("ambient", float64(h.Ambient), "K")
	w.optional("ring_share", h.RingShare, "")
	w.optional("exchange_time", float64(h.ExchangeTime), "s")
	w.optional("water_flow", float64(h.WaterFlow), "m3/s")
	w.number("amber", float64(h.Amber), "K")
	w.number("red", float64(h.Red), "K")
}

func (w *writer) auxiliary(a *hoist.AuxiliaryBrake) {
	kinds := map[hoist.AuxiliaryKind]string{
		hoist.NoAuxiliary: "none", hoist.EddyCurrent: "eddy_current", hoist.Hydrodynamic: "hydrodynamic", hoist.MotorBraking: "motor",
	}
	w.line("kind: %s", kinds[a.Kind])
	if a.Kind == hoist.NoAuxiliary {
		return
	}
	w.number("peak_torque", float64(a.PeakTorque), "N.m")
	w.optional("peak_speed", float64(a.PeakSpeed), "rad/s")
	if a.Kind == hoist.MotorBraking {
		w.number("power_limit", float64(a.PowerLimit), "W")
	}
	if a.Kind == hoist.EddyCurrent {
		w.optional("full_current", float64(a.FullCurrent), "A")
	}
}
