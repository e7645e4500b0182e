package configs

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

// number is one numeric key of a rig file: its SI value in R1, and a unit to write
// others in. The SI values are worked by hand from the file with 1 in = 25.4 mm,
// 1 hp = 550 ft·lbf/s = 745.69987158 W, 0 degC = 273.15 K (all exact by definition),
// 1 rpm = 2π/60 rad/s.
type number struct {
	path string
	si   float64
	unit string
	get  func(*hoist.Rig) float64
}

var r1Numbers = []number{
	{"drawworks.rated_power", 1491399.74316, "kW", func(r *hoist.Rig) float64 { return float64(r.Drawworks.RatedPower) }},
	{"drawworks.drum.root_diameter", 0.762, "mm", func(r *hoist.Rig) float64 { return float64(r.Drawworks.Drum.RootDiameter) }},
	{"drawworks.drum.groove_pitch", 0.036, "mm", func(r *hoist.Rig) float64 { return float64(r.Drawworks.Drum.GroovePitch) }},
	{"drawworks.drum.wraps_per_layer", 40, "", func(r *hoist.Rig) float64 { return r.Drawworks.Drum.WrapsPerLayer }},
	{"drawworks.drum.layer_rise", 0.866, "", func(r *hoist.Rig) float64 { return r.Drawworks.Drum.LayerRise }},
	{"drawworks.drum.inertia", 3000, "kg.m2", func(r *hoist.Rig) float64 { return float64(r.Drawworks.Drum.Inertia) }},
	{"drawworks.encoder.counts_per_revolution", 4096, "", func(r *hoist.Rig) float64 { return r.Drawworks.Encoder.CountsPerRevolution }},
	{"drawworks.encoder.counter_bits", 32, "whole", func(r *hoist.Rig) float64 { return float64(r.Drawworks.Encoder.CounterBits) }},
	{"drawworks.drive.release", 0.4, "s", func(r *hoist.Rig) float64 { return float64(r.Drawworks.DriveRelease) }},
	{"line.diameter", 0.034925, "mm", func(r *hoist.Rig) float64 { return float64(r.Line.Diameter) }},
	{"line.metallic_area", 573.3e-6, "mm2", func(r *hoist.Rig) float64 { return float64(r.Line.MetallicArea) }},
	{"line.elastic_modulus", 93.1e9, "GPa", func(r *hoist.Rig) float64 { return float64(r.Line.ElasticModulus) }},
	{"line.breaking_strength", 854e3, "kN", func(r *hoist.Rig) float64 { return float64(r.Line.BreakingStrength) }},
	{"line.fast_line_length", 55, "m", func(r *hoist.Rig) float64 { return float64(r.Line.FastLineLength) }},
	{"line.dead_line_length", 50, "m", func(r *hoist.Rig) float64 { return float64(r.Line.DeadLineLength) }},
	{"reeving.lines", 10, "whole", func(r *hoist.Rig) float64 { return float64(r.Reeving.Lines) }},
	{"reeving.sheave_factor", 1.04, "", func(r *hoist.Rig) float64 { return r.Reeving.SheaveFactor }},
	{"travelling_mass", 30e3, "t", func(r *hoist.Rig) float64 { return float64(r.TravellingMass) }},
	{"mast.crown_height", 44, "m", func(r *hoist.Rig) float64 { return float64(r.Mast.CrownHeight) }},
	{"mast.crown_limit", 41, "m", func(r *hoist.Rig) float64 { return float64(r.Mast.CrownLimit) }},
	{"mast.crown_saver_trip", 40, "m", func(r *hoist.Rig) float64 { return float64(r.Mast.CrownSaverTrip) }},
	{"mast.floor_limit", 1.5, "m", func(r *hoist.Rig) float64 { return float64(r.Mast.FloorLimit) }},
	{"position_reference.block_height", 2, "m", func(r *hoist.Rig) float64 { return float64(r.Reference.BlockHeight) }},
	{"position_reference.wraps", 14, "", func(r *hoist.Rig) float64 { return r.Reference.Wraps }},
	{"position_reference.hook_load", 294e3, "kN", func(r *hoist.Rig) float64 { return float64(r.Reference.HookLoad) }},
	{"brakes.service.calipers", 6, "whole", func(r *hoist.Rig) float64 { return float64(r.Service.Calipers) }},
	{"brakes.service.piston_area", 7854e-6, "mm2", func(r *hoist.Rig) float64 { return float64(r.Service.PistonArea) }},
	{"brakes.service.effective_radius", 0.68, "m", func(r *hoist.Rig) float64 { return float64(r.Service.EffectiveRadius) }},
	{"brakes.service.friction", 0.4, "", func(r *hoist.Rig) float64 { return r.Service.Friction }},
	{"brakes.service.full_pressure", 7e6, "MPa", func(r *hoist.Rig) float64 { return float64(r.Service.FullPressure) }},
	{"brakes.service.dead_time", 0.3, "s", func(r *hoist.Rig) float64 { return float64(r.Service.DeadTime) }},
	{"brakes.service.rise_time", 0.5, "s", func(r *hoist.Rig) float64 { return float64(r.Service.RiseTime) }},
	{"brakes.service.fade[0].temperature", 523.15, "K", func(r *hoist.Rig) float64 { return float64(r.Service.Fade[0].Temperature) }},
	{"brakes.service.fade[0].factor", 1, "", func(r *hoist.Rig) float64 { return r.Service.Fade[0].Factor }},
	{"brakes.service.fade[1].temperature", 673.15, "K", func(r *hoist.Rig) float64 { return float64(r.Service.Fade[1].Temperature) }},
	{"brakes.service.fade[1].factor", 0.6, "", func(r *hoist.Rig) float64 { return r.Service.Fade[1].Factor }},
	{"brakes.emergency.calipers", 2, "whole", func(r *hoist.Rig) float64 { return float64(r.Emergency.Calipers) }},
	{"brakes.emergency.spring_force", 90e3, "kN", func(r *hoist.Rig) float64 { return float64(r.Emergency.SpringForce) }},
	{"brakes.emergency.release_pressure", 9e6, "MPa", func(r *hoist.Rig) float64 { return float64(r.Emergency.ReleasePressure) }},
	{"brakes.emergency.effective_radius", 0.68, "m", func(r *hoist.Rig) float64 { return float64(r.Emergency.EffectiveRadius) }},
	{"brakes.emergency.friction", 0.4, "", func(r *hoist.Rig) float64 { return r.Emergency.Friction }},
	{"brakes.heat.mass", 1800, "kg", func(r *hoist.Rig) float64 { return float64(r.Heat.Mass) }},
	{"brakes.heat.specific_heat", 470, "J/kg.K", func(r *hoist.Rig) float64 { return float64(r.Heat.SpecificHeat) }},
	{"brakes.heat.cooling_area", 5.5, "m2", func(r *hoist.Rig) float64 { return float64(r.Heat.CoolingArea) }},
	{"brakes.heat.emissivity", 0.8, "", func(r *hoist.Rig) float64 { return r.Heat.Emissivity }},
	{"brakes.heat.amber", 523.15, "K", func(r *hoist.Rig) float64 { return float64(r.Heat.Amber) }},
	{"brakes.heat.red", 623.15, "K", func(r *hoist.Rig) float64 { return float64(r.Heat.Red) }},
	{"brakes.auxiliary.peak_torque", 110e3, "kN.m", func(r *hoist.Rig) float64 { return float64(r.Auxiliary.PeakTorque) }},
	{"brakes.auxiliary.peak_speed", 15.70796327, "rad/s", func(r *hoist.Rig) float64 { return float64(r.Auxiliary.PeakSpeed) }},
	{"uncertainty.friction", 0.03, "", func(r *hoist.Rig) float64 { return r.Uncertainty.Friction }},
	{"uncertainty.dead_time", 0.05, "s", func(r *hoist.Rig) float64 { return float64(r.Uncertainty.DeadTime) }},
	{"uncertainty.release", 0.08, "s", func(r *hoist.Rig) float64 { return float64(r.Uncertainty.Release) }},
	{"uncertainty.height", 0.03, "m", func(r *hoist.Rig) float64 { return float64(r.Uncertainty.Height) }},
	{"uncertainty.hook_load", 0.02, "", func(r *hoist.Rig) float64 { return r.Uncertainty.HookLoad }},
	{"brakes.auxiliary.full_current", 100, "A", func(r *hoist.Rig) float64 { return float64(r.Auxiliary.FullCurrent) }},
}

// standardNumbers are what R1 does not state.
var standardNumbers = []number{
	{"drawworks.rated_load", 0, "kN", func(r *hoist.Rig) float64 { return float64(r.Drawworks.RatedLoad) }},
	{"position_reference.counts", 0, "", func(r *hoist.Rig) float64 { return r.Reference.Counts }},
	{"brakes.service.hold_factor", 1.25, "", func(r *hoist.Rig) float64 { return r.Service.HoldFactor }},
	{"brakes.heat.ambient", 293.15, "K", func(r *hoist.Rig) float64 { return float64(r.Heat.Ambient) }},
	{"brakes.heat.ring_share", 0, "", func(r *hoist.Rig) float64 { return r.Heat.RingShare }},
	{"brakes.heat.exchange_time", 0, "s", func(r *hoist.Rig) float64 { return float64(r.Heat.ExchangeTime) }},
	{"brakes.heat.water_flow", 0, "m3/s", func(r *hoist.Rig) float64 { return float64(r.Heat.WaterFlow) }},
	{"uncertainty.rise_time", 0.05, "s", func(r *hoist.Rig) float64 { return float64(r.Uncertainty.RiseTime) }},
	{"uncertainty.inertia", 0.05, "", func(r *hoist.Rig) float64 { return r.Uncertainty.Inertia }},
}

const referenceRig = "../testdata/configs/reference-rig.yaml"

func mustRead(t *testing.T, path string) []byte {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func TestReferenceRigAndR1ReadTheSame(t *testing.T) {
	reference, problems := ReadRig("reference-rig.yaml", mustRead(t, referenceRig))
	for _, p := range problems {
		t.Error(p)
	}
	r1, _, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	if reference.Name != "northfell-1" || r1.Name != "R1" {
		t.Errorf("names %q and %q, want northfell-1 and R1", reference.Name, r1.Name)
	}
	reference.Name = r1.Name
	if reference.Auxiliary.FullCurrent != 0 || r1.Auxiliary.FullCurrent != 100 {
		t.Errorf("full currents %v and %v, want none stated and 100 A: all that R1 adds", reference.Auxiliary.FullCurrent, r1.Auxiliary.FullCurrent)
	}
	reference.Auxiliary.FullCurrent = r1.Auxiliary.FullCurrent
	if got, want := fmt.Sprintf("%+v", *r1), fmt.Sprintf("%+v", *reference); got != want {
		t.Errorf("R1 is not the reference rig:\n got %s\nwant %s", got, want)
	}
}

func TestR1Values(t *testing.T) {
	rig, _, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range append(r1Numbers, standardNumbers...) {
		if got := n.get(rig); !(math.Abs(got-n.si) <= 1e-9*math.Abs(n.si)) {
			t.Errorf("%s is %v in SI, want %v", n.path, got, n.si)
		}
	}
	if rig.Service.Kind != hoist.DiscBrake || rig.Auxiliary.Kind != hoist.EddyCurrent {
		t.Errorf("brake kinds %v and %v, want disc and eddy current", rig.Service.Kind, rig.Auxiliary.Kind)
	}
	at := time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC)
	if !rig.Reference.Set || rig.Reference.HasCounts || !rig.Reference.SetAt.Equal(at) {
		t.Errorf("reference %+v, want it set at %v without counts", rig.Reference, at)
	}
}

// TestEveryNumberOfR1IsInTheTable finds numbers in the file by themselves, so that
// a key added to it is added to the round trip too.
func TestEveryNumberOfR1IsInTheTable(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for _, n := range r1Numbers {
		listed[n.path] = true
	}
	r, _ := readRig("R1.yaml", text)
	for path, raw := range r.raw {
		_, err := strconv.ParseFloat(strings.FieldsFunc(raw+" ", func(c rune) bool { return c == ' ' })[0], 64)
		if err == nil && !listed[path] {
			t.Errorf("%s: %s is not in r1Numbers", path, raw)
		}
	}
}

// TestRoundTrip writes each number anew and reads it back: what a key says is what
// its field holds, and no other field moves.
func TestRoundTrip(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	all := append(append([]number{}, r1Numbers...), standardNumbers...)
	before, _ := ReadRig("R1.yaml", text)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.SampledFrom(all).Draw(t, "key")
		written, want := drawValue(t, n)
		changed, err := Set(text, n.path, written)
		if err != nil {
			t.Fatal(err)
		}
		rig, problems := ReadRig("changed.yaml", changed)
		for _, p := range problems {
			if p.Key == n.path {
				return // refused, and said so
			}
		}
		if got := n.get(rig); !(math.Abs(got-want) <= 1e-12*math.Abs(want)) {
			t.Fatalf("%s: %s read as %v, want %v", n.path, written, got, want)
		}
		for _, other := range all {
			if other.path != n.path && other.get(rig) != other.get(before) {
				t.Fatalf("%s: %s moved %s from %v to %v", n.path, written, other.path, other.get(before), other.get(rig))
			}
		}
	})
}

func drawValue(t *rapid.T, n number) (written string, want float64) {
	if n.unit == "whole" {
		i := rapid.IntRange(2, 64).Draw(t, "value")
		return strconv.Itoa(i), float64(i)
	}
	now := math.Max(n.si, 1e-3)
	x := rapid.Float64Range(0.7*now, 1.3*now).Draw(t, "value")
	u, ok := units.Lookup(n.unit)
	if !ok {
		t.Fatalf("unit %q is not known", n.unit)
	}
	return strings.TrimSpace(strconv.FormatFloat(u.FromSI(x), 'g', -1, 64) + " " + n.unit), x
}

// TestOptionalKeys reads what the reference file does not have.
func TestOptionalKeys(t *testing.T) {
	_, text, err := LoadRig("R3")
	if err != nil {
		t.Fatal(err)
	}
	read := func(edit ...string) *hoist.Rig {
		t.Helper()
		changed := strings.NewReplacer(edit...).Replace(string(text))
		rig, problems := ReadRig("R3.yaml", []byte(changed))
		for _, p := range problems {
			t.Error(p)
		}
		return rig
	}
	rig := read()
	// 270 deg = 3π/2 rad.
	if s := rig.Service; s.Kind != hoist.BandBrake || s.Bands != 2 || !(math.Abs(s.WrapAngle-1.5*math.Pi) <= 1e-12) || s.LiveTension != 30e3 {
		t.Errorf("band brake read as %+v", s)
	}
	if rig.Drawworks.RatedLoad != 2e6 || rig.Auxiliary.FullCurrent != 60 || rig.Emergency != (hoist.EmergencyBrake{}) {
		t.Errorf("rated load %v, full current %v, emergency %+v", rig.Drawworks.RatedLoad, rig.Auxiliary.FullCurrent, rig.Emergency)
	}
	if rig := read("position_reference:\n", "position_reference:\n  void: true\n"); rig.Reference.Set || rig.Reference.Wraps != 10 {
		t.Errorf("void reference read as %+v, want it not set and its numbers kept", rig.Reference)
	}
	if rig := read("  wraps: 10.0", "  counts: -7\n  wraps: 10.0"); !rig.Reference.HasCounts || rig.Reference.Counts != -7 {
		t.Errorf("counts read as %+v", rig.Reference)
	}
	without := strings.Index(string(text), "position_reference:")
	brakes := strings.Index(string(text), "brakes:")
	if rig := read(string(text)[without:brakes], ""); rig.Reference != (hoist.Reference{}) {
		t.Errorf("absent reference read as %+v", rig.Reference)
	}
	encoder := "  encoder:\n    counts_per_revolution: 2048\n    counter_bits: 24             # the source's counter wraps here\n"
	if rig := read(encoder, ""); rig.Drawworks.Encoder != (hoist.Encoder{}) {
		t.Errorf("absent encoder read as %+v", rig.Drawworks.Encoder)
	}
	auxiliary := "    kind: eddy_current\n    peak_torque: 70 kN.m\n    peak_speed: 170 rpm\n    full_current: 60 A\n"
	if rig := read(auxiliary, "    kind: none\n"); rig.Auxiliary != (hoist.AuxiliaryBrake{}) {
		t.Errorf("auxiliary brake none read as %+v", rig.Auxiliary)
	}
	if rig := read("  auxiliary:\n"+auxiliary, ""); rig.Auxiliary.Kind != hoist.NoAuxiliary {
		t.Errorf("absent auxiliary brake read as %+v", rig.Auxiliary)
	}
}

// TestAMissingNumberMakesNoOtherMistake: every single number taken out of R1 gives
// exactly one problem, at its own key.
func TestAMissingNumberMakesNoOtherMistake(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range r1Numbers {
		changed, err := Set(text, n.path, "unreadable")
		if err != nil {
			t.Fatal(err)
		}
		_, problems := ReadRig("R1.yaml", changed)
		if len(problems) != 1 || problems[0].Key != n.path {
			t.Errorf("%s unreadable gives %v, want one problem at that key", n.path, problems)
		}
	}
}

// TestNoUncertaintyIsZero: each of them at 0, below 0, and absurdly large is a
// mistake, and the only one.
func TestNoUncertaintyIsZero(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	for key, unit := range map[string]string{"friction": "", "dead_time": " s", "rise_time": " s", "release": " s", "height": " m", "hook_load": "", "inertia": ""} {
		for _, value := range []string{"0", "-0.01", "3"} {
			changed, err := Set(text, "uncertainty."+key, value+unit)
			if err != nil {
				t.Fatal(err)
			}
			if _, problems := ReadRig("R1.yaml", changed); len(problems) != 1 || problems[0].Key != "uncertainty."+key {
				t.Errorf("%s: %s%s gives %v, want one problem at that key", key, value, unit, problems)
			}
		}
	}
}

func TestASecondDocumentThatIsNotYAML(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	_, problems := ReadRig("R1.yaml", append(text, "---\na: [\n"...))
	if len(problems) != 1 || !strings.Contains(problems[0].Got, "not YAML") {
		t.Errorf("got %v, want one problem of a text that is not YAML", problems)
	}
}
