package hoist

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

func TestValidateR1(t *testing.T) {
	if p := r1().Validate(); len(p) != 0 {
		t.Errorf("R1: %v", p)
	}
}

// Everything that cannot be is listed, all at once, under its path.
func TestValidateListsAll(t *testing.T) {
	nan := math.NaN()
	for _, row := range []struct {
		path   string
		change func(*Rig)
	}{
		{"rig", func(r *Rig) { r.Name = "" }},
		{"reeving.lines", func(r *Rig) { r.Reeving.Lines = 7 }},
		{"reeving.sheave_factor", func(r *Rig) { r.Reeving.SheaveFactor = 0.98 }},
		{"drawworks.drum.layer_rise", func(r *Rig) { r.Drawworks.Drum.LayerRise = 1.05 }},
		{"drawworks.drum.inertia", func(r *Rig) { r.Drawworks.Drum.Inertia = -1 }},
		{"drawworks.drum.wraps_per_layer", func(r *Rig) { r.Drawworks.Drum.WrapsPerLayer = 0 }},
		{"drawworks.drum.root_diameter", func(r *Rig) { r.Drawworks.Drum.RootDiameter = units.Metre(math.Inf(1)) }},
		{"drawworks.encoder.counter_bits", func(r *Rig) { r.Drawworks.Encoder.CounterBits = 60 }},
		{"drawworks.drive.release", func(r *Rig) { r.Drawworks.DriveRelease = units.Second(nan) }},
		{"line.metallic_area", func(r *Rig) { r.Line.MetallicArea = 0.002 }},
		{"line.elastic_modulus", func(r *Rig) { r.Line.ElasticModulus = 93.1e6 }},
		{"travelling_mass", func(r *Rig) { r.TravellingMass = 0 }},
		{"mast.floor_limit", func(r *Rig) { r.Mast.FloorLimit = 50 }},
		{"mast.crown_limit", func(r *Rig) { r.Mast.CrownLimit = 44.5 }},
		{"mast.crown_saver_trip", func(r *Rig) { r.Mast.CrownSaverTrip = 45 }},
		{"position_reference.wraps", func(r *Rig) { r.Reference.Wraps = -1 }},
		{"position_reference.block_height", func(r *Rig) { r.Reference.BlockHeight = 60 }},
		{"brakes.service.calipers", func(r *Rig) { r.Service.Calipers = 0 }},
		{"brakes.service.friction", func(r *Rig) { r.Service.Friction = 4 }},
		{"brakes.service.fade[1].temperature", func(r *Rig) { r.Service.Fade[1].Temperature = 300 }},
		{"brakes.service.bands", func(r *Rig) { r.Service.Kind = BandBrake; r.Service.WrapAngle = 4.7; r.Service.LiveTension = 1 }},
		{"brakes.service.kind", func(r *Rig) { r.Service.Kind = 9 }},
		{"brakes.emergency.spring_force", func(r *Rig) { r.Emergency.SpringForce = 0 }},
		{"brakes.heat.mass", func(r *Rig) { r.Heat.Mass = units.Kilogram(nan) }},
		{"brakes.heat.red", func(r *Rig) { r.Heat.Red = 400 }},
		{"brakes.heat.ring_share", func(r *Rig) { r.Heat.RingShare = 1.5 }},
		{"brakes.auxiliary.peak_speed", func(r *Rig) { r.Auxiliary.PeakSpeed = 0 }},
		{"brakes.auxiliary.kind", func(r *Rig) { r.Auxiliary.Kind = 9 }},
		{"uncertainty.hook_load", func(r *Rig) { r.Uncertainty.HookLoad = -0.1 }},
	} {
		r := r1()
		row.change(r)
		found := false
		for _, p := range r.Validate() {
			found = found || p.Path == row.path
			if p.Got == "" || p.Want == "" || !strings.Contains(p.String(), "want") {
				t.Errorf("%s: %+v", row.path, p)
			}
		}
		if !found {
			t.Errorf("%s is not listed: %v", row.path, r.Validate())
		}
	}
	r := r1()
	r.Reeving.Lines, r.Drawworks.Drum.LayerRise, r.Mast.FloorLimit = 7, 0.5, 50
	if p := r.Validate(); len(p) != 4 { // the floor is above trip and limit both
		t.Errorf("three mistakes list as %v", p)
	}
}

func TestServiceBrakeTorque(t *testing.T) {
	b := r1().Service
	if got := b.Torque(3.5e6, 0.5, Raising); !near(float64(got), 0.25*float64(b.Torque(7e6, 1, Lowering)), 1e-9) {
		t.Errorf("half pressure, half friction: %g", got)
	}
	for _, x := range []units.NewtonMetre{b.Torque(-1, 1, Raising), b.Torque(1e6, -1, Lowering)} {
		if x != 0 {
			t.Errorf("below 0 gives %g N·m", x)
		}
	}
	if x := b.Torque(units.Pascal(math.NaN()), 1, Lowering); !math.IsNaN(float64(x)) {
		t.Errorf("pressure not known gives %g", x)
	}
	if x := b.Capacity(units.FromCelsius(400), 0.9, Lowering); !near(float64(x), 0.54*float64(b.Torque(7e6, 1, Lowering)), 1e-6) {
		t.Errorf("capacity at 400 °C and 0.9: %g", x)
	}
}

// A band brake has one torque a direction: 6.6 times at 0.4 and 270°; and its stop
// upward is longer than that of a disc brake as strong downward.
func TestBandBrakeDirections(t *testing.T) {
	r := r1()
	r.Service.Kind, r.Service.Bands, r.Service.WrapAngle = BandBrake, 2, 1.5*math.Pi
	r.Service.LiveTension, r.Service.EffectiveRadius = 25e3, 0.635
	lower, raise := r.Service.Torque(7e6, 1, Lowering), r.Service.Torque(7e6, 1, Raising)
	if !near(float64(lower/raise), 6.586, 1e-3) || r.Service.Torque(7e6, 1, Static) != lower {
		t.Errorf("lowering %g, raising %g, static %g", lower, raise, r.Service.Torque(7e6, 1, Static))
	}
	band := r.Stop(up(30, 1.5, 0))
	disc := *r
	disc.Service.Kind, disc.Service.Calipers = DiscBrake, 1
	disc.Service.PistonArea *= units.SquareMetre(float64(lower) / float64(disc.Service.Torque(7e6, 1, Raising)))
	if s := disc.Stop(up(30, 1.5, 0)); !(band.Distance > s.Distance+0.5) {
		t.Errorf("band upward %.3f m, disc of its downward torque %.3f m", band.Distance, s.Distance)
	}
}

func TestEmergencyBrake(t *testing.T) {
	e := r1().Emergency
	full := 2 * 0.4 * 90e3 * 0.68 * 2
	for _, row := range []struct {
		pressure units.Pascal
		want     float64
	}{{0, full}, {4.5e6, full / 2}, {9e6, 0}, {12e6, 0}, {-1, full}} {
		if got := e.Torque(row.pressure); !near(float64(got), row.want, 1e-6) {
			t.Errorf("%g Pa: %g N·m, want %g", row.pressure, got, row.want)
		}
	}
	if got := e.Torque(units.Pascal(math.NaN())); !math.IsNaN(float64(got)) {
		t.Errorf("pressure not known: %g", got)
	}
	if got := (EmergencyBrake{}).Torque(0); got != 0 {
		t.Errorf("none fitted: %g", got)
	}
}

func TestHoldMargin(t *testing.T) {
	if got := HoldMargin(1e5, 0, 0.44, 10); !math.IsInf(got, 1) {
		t.Errorf("empty hook: %g", got)
	}
	if got := HoldMargin(units.NewtonMetre(math.NaN()), 1e6, 0.44, 10); !math.IsNaN(got) {
		t.Errorf("capacity not known: %g", got)
	}
}

func TestAuxiliaryBrake(t *testing.T) {
	eddy := r1().Auxiliary
	if eddy.Torque(0, 1) != 0 || eddy.Torque(-5, 1) != eddy.Torque(5, 1) || eddy.Torque(5, 3) != eddy.Torque(5, 1) || eddy.Torque(5, -1) != 0 {
		t.Error("eddy-current brake at rest, backward or with excitation outside 0 to 1")
	}
	if got := eddy.Torque(eddy.PeakSpeed, 0.5); !near(float64(got), 110e3/4, 1e-6) {
		t.Errorf("half the current gives %g N·m, want a quarter of the peak", got)
	}
	motor := AuxiliaryBrake{Kind: MotorBraking, PeakTorque: 100e3, PowerLimit: 1e6}
	for _, row := range []struct{ speed, want float64 }{{0, 100e3}, {5, 100e3}, {10, 100e3}, {20, 50e3}} {
		if got := motor.Torque(units.RadianPerSecond(row.speed), 1); !near(float64(got), row.want, 1e-6) {
			t.Errorf("motor at %g rad/s: %g N·m, want %g", row.speed, got, row.want)
		}
	}
	if (AuxiliaryBrake{}).Torque(10, 1) != 0 || !math.IsNaN(float64(eddy.Torque(5, math.NaN()))) {
		t.Error("no brake, or excitation not known")
	}
	if got := eddy.SteadySpeed(120e3, 1); !math.IsInf(float64(got), 1) {
		t.Errorf("a load above the peak is held at %g rad/s", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		a := AuxiliaryBrake{Kind: rapid.SampledFrom([]AuxiliaryKind{EddyCurrent, Hydrodynamic}).Draw(t, "kind"), PeakTorque: 1e5, PeakSpeed: 15}
		x := rapid.Float64Range(0.1, 1).Draw(t, "excitation")
		load := units.NewtonMetre(rapid.Float64Range(1, 1e5).Draw(t, "load"))
		if w := a.SteadySpeed(load, x); !math.IsInf(float64(w), 1) && !near(float64(a.Torque(w, x)), float64(load), 1e-6*float64(load)+1e-6) {
			t.Fatalf("at %g rad/s the torque is %g, want %g", w, a.Torque(w, x), load)
		}
	})
}

// Motor braking is never counted on: a bound lowering is the same with any.
func TestBoundCountsOnNoMotor(t *testing.T) {
	r := r1()
	c := down(200, 1, 20, false)
	c.Acceleration = -0.3 // the motor slows it now
	with, _ := r.StopBound(c, Spread{})
	r.Auxiliary = AuxiliaryBrake{Kind: MotorBraking, PeakTorque: 1e6}
	c.Acceleration = 0
	without, _ := r.StopBound(c, Spread{})
	if with != without {
		t.Errorf("bound %.4f m while a motor brakes, %.4f m without", with.Distance, without.Distance)
	}
}

func TestHydraulicLag(t *testing.T) {
	h := HydraulicLag{DeadTime: 0.2, TimeConstant: 0.15}
	if p := h.Pressure(0, 7e6, 0.1); p != 0 {
		t.Errorf("in the dead time %g Pa", p)
	}
	if p := h.Pressure(0, 7e6, 0.35); !near(float64(p), 7e6*(1-math.Exp(-1)), 1e-3) {
		t.Errorf("a time constant later %g Pa", p)
	}
	dead, rise := h.Ramp()
	if back := LagFromRamp(dead, rise); !near(float64(back.DeadTime), 0.2, 1e-12) || !near(float64(back.TimeConstant), 0.15, 1e-12) {
		t.Errorf("ramp %g, %g s comes back as %+v", dead, rise, back)
	}
	// The impulse lost until the brake is full is the same either way.
	lost := 0.0
	for i := range 40000 {
		lost += (1 - float64(h.Pressure(0, 1, units.Second(float64(i)+0.5)*1e-4))) * 1e-4
	}
	if !near(lost, float64(dead+rise/2), 1e-4) {
		t.Errorf("lag loses %.5f s, ramp %.5f s", lost, dead+rise/2)
	}
	for range 1000 {
		h.Step(7e6, 0.001)
	}
	if want := h.Pressure(0, 7e6, 1.2); !near(float64(h.Step(7e6, 0)), float64(want), 1) {
		t.Errorf("stepped %g Pa, want %g", h.Step(7e6, 0), want)
	}
}

// Stand by stand, the live sum gives the depth formula's pipe term exactly.
func TestLineWorkAgainstDepthFormula(t *testing.T) {
	const stands, stand, weight, block = 60, 28.3464, 26.117, 34019.4
	var live LineWork
	hoist := func(load, from, to float64) {
		live.Add(units.Metre(from), units.Newton(load))
		live.Add(units.Metre(to), units.Newton(load))
	}
	g := float64(units.StandardGravity)
	for pass := range 2 { // in, then out
		for i := range stands {
			string_ := (float64(i) + 1) * stand * weight * g
			m := block * g
			if pass == 0 { // pick the stand up empty, run it in
				hoist(m, 0, stand)
				hoist(m+string_, stand, 0)
			} else {
				hoist(m+string_, 0, stand)
				hoist(m, stand, 0)
			}
		}
	}
	want := Trip{Stand: stand, Pipe: weight, Travelling: block}.RoundTrip(stands * stand)
	if !near(float64(live.Total), float64(want), 1e-6*float64(want)) {
		t.Errorf("live %.6g J, depth formula %.6g J", live.Total, want)
	}
}

func TestLineWorkWithoutReadings(t *testing.T) {
	var w LineWork
	w.Add(2, 1e6)
	w.Add(4, units.Newton(math.NaN()))
	w.Add(5, 1e6)
	w.Add(units.Metre(math.NaN()), 1e6)
	if got := w.Add(7, 1e6); got != 2e6 || w.Missed != 3 {
		t.Errorf("%g J, %g m missed; want 2e6 J and 3 m", got, w.Missed)
	}
}

func TestCutLength(t *testing.T) {
	u := r1().Drawworks.Drum
	lap := math.Pi * 0.796925
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.Float64Range(1, 100).Draw(t, "want")
		got, laps := u.CutLength(units.Metre(want), 0.034925)
		part := math.Mod(laps, 1)
		if part != 0.25 && part != 0.5 && part != 0.75 || !near(float64(got), laps*lap, 1e-9) || !near(float64(got), want, 0.26*lap) {
			t.Fatalf("%g m: cut %g m, %g laps", want, got, laps)
		}
	})
	if g := CutGoal(0.02); !math.IsNaN(float64(g)) {
		t.Errorf("a goal of %g for a line that the series does not have", g)
	}
}

// The Kalman filter of one parameter agrees with plain weighted least squares where
// nothing drifts, and its interval holds the truth 95 times in 100.
func TestFrictionTracker(t *testing.T) {
	prior := 0.03 / 0.40
	f := NewFrictionTracker(prior, 0)
	num, den := 1/(prior*prior), 1/(prior*prior)
	for i, z := range []float64{0.93, 0.95, 0.92, 0.94} {
		sd := 0.03 / (1 + float64(i)/4)
		f.Take(z, sd)
		num, den = num+z/(sd*sd), den+1/(sd*sd)
	}
	if !near(f.Factor, num/den, 1e-9) || !near(f.Variance, 1/den, 1e-12) || f.Applications != 4 {
		t.Errorf("%+v, least squares %g variance %g", f, num/den, 1/den)
	}
	if low, high := f.Interval(0); !near(high-low, 2*1.959964*math.Sqrt(1/den), 1e-6) {
		t.Errorf("interval %g to %g", low, high)
	}
	// An error of 3 % that all evidence shares widens it in quadrature.
	if low, high := f.Interval(0.03); !near(high-low, 2*1.959964*math.Sqrt(1/den+0.0009*f.Factor*f.Factor), 1e-6) {
		t.Errorf("interval with a common error %g to %g", low, high)
	}
	before := f
	for _, bad := range [][2]float64{{math.NaN(), 1}, {1, 0}, {1, -5}, {1, math.NaN()}, {math.Inf(1), 1}, {1, math.Inf(1)}} {
		f.Take(bad[0], bad[1])
	}
	if f != before {
		t.Errorf("evidence that cannot be moved it to %+v", f)
	}
	f.AtLeast(f.Factor-0.1, 0.01)
	if f != before {
		t.Errorf("a bound below moved it to %+v", f)
	}
	if f.AtLeast(before.Factor+0.1, 1e-6); !near(f.Factor, before.Factor+0.1, 1e-4) {
		t.Errorf("a sure bound of %g moved it to %g", before.Factor+0.1, f.Factor)
	}
	rls := RecursiveLeastSquares{Mu: 0.4, P: 0.01, Lambda: 0.98}
	rls.Update(math.NaN(), 1)
	rls.Update(1, 0)
	if rls.Mu != 0.4 || rls.P != 0.01 {
		t.Errorf("least squares moved to %+v", rls)
	}
}

// By hand: mean 1, a loss of 0.25 looked for, variance 0.05² = 0.0025. A factor of 0.75
// gives l = 0.25/0.0025·(1 − 0.125 − 0.75) = 12.5, held to 4; one of 0.85 gives 2.5; one
// of 0.95 takes 7.5 away, held to 4.
func TestLossTest(t *testing.T) {
	for name, c := range map[string]struct {
		factors []float64
		sum     float64
		found   bool
	}{
		"one piece never finds":   {[]float64{0.5}, 4, false},
		"two do":                  {[]float64{0.75, 0.75}, 8, true},
		"two of half the loss":    {[]float64{0.85, 0.85}, 5, false},
		"three of it":             {[]float64{0.85, 0.85, 0.85}, 7.5, true},
		"one good one in between": {[]float64{0.75, 0.95, 0.85}, 2.5, false},
		"no loss":                 {[]float64{1.0, 1.1, 0.9}, 0, false},
	} {
		l := LossTest{Loss: 0.25, Most: 4, Mark: 7}
		found := false
		for _, z := range c.factors {
			found = l.Take(z, 1, 0.0025)
		}
		if found != c.found || !near(l.Sum, c.sum, 1e-9) {
			t.Errorf("%s: sum %g found %v, want %g and %v", name, l.Sum, found, c.sum, c.found)
		}
	}
	back := LossTest{Loss: 0.25, Most: 4, Mark: 7}
	if back.TakeReturn(0.75, 1, 0.0025); back.Sum != 0 {
		t.Errorf("a lining as faded as before speaks for its return: %g", back.Sum)
	}
	if back.TakeReturn(1, 1, 0.0025); back.Sum != 4 {
		t.Errorf("a lining as it was counts %g for its return, want 4", back.Sum)
	}
	if back.Take(math.NaN(), 1, 0.1) || back.Take(1, 1, 0) || back.Take(1, 1, math.NaN()) || back.Sum != 4 {
		t.Errorf("evidence that cannot be moved it: %+v", back)
	}
}

// Health is the inverse of Torque, for discs and for bands either way, hot and cold.
func TestHealthInvertsTorque(t *testing.T) {
	disc, band := r1().Service, r1().Service
	band.Kind, band.Bands, band.WrapAngle, band.LiveTension = BandBrake, 2, 1.5*math.Pi, 20e3
	rapid.Check(t, func(t *rapid.T) {
		b := disc
		if rapid.Bool().Draw(t, "band") {
			b = band
		}
		want := rapid.Float64Range(0.2, 1.5).Draw(t, "health")
		temp := units.Kelvin(rapid.Float64Range(280, 720).Draw(t, "temperature"))
		p := units.Pascal(rapid.Float64Range(0.02, 1).Draw(t, "pressure")) * b.FullPressure
		for _, d := range []Direction{Lowering, Raising} {
			if got := b.Health(b.Torque(p, want*b.Fade.Factor(temp), d), p, temp, d); !near(got, want, 1e-9) {
				t.Fatalf("%v: %g, want %g", d, got, want)
			}
		}
	})
	for _, c := range []struct{ torque, p, t, want float64 }{{-5, 1e6, 300, 0}, {1e3, 0, 300, math.NaN()}, {1e3, 1e6, math.NaN(), math.NaN()}, {math.NaN(), 1e6, 300, math.NaN()}} {
		got := disc.Health(units.NewtonMetre(c.torque), units.Pascal(c.p), units.Kelvin(c.t), Lowering)
		if !(got == c.want || math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("%+v: got %g", c, got)
		}
	}
	// More than a band's slack end can give, winding in: G = 2·20 kN·0.68 m = 27.2 kN·m.
	if got := band.Health(28e3, band.FullPressure, 293, Raising); !math.IsInf(got, 1) {
		t.Errorf("beyond a band: %g, want +Inf", got)
	}
}

func TestHeld(t *testing.T) {
	r := r1()
	// 250 t held at 4 MPa, cold: 0.08009·2.4517e6·0.44 = 86.39 kN·m over 102.5 kN·m.
	if got := r.Held(250*9806.65, 0.44, 4e6, 293); !near(got, 0.8425, 1e-3) {
		t.Errorf("proves %g", got)
	}
	for _, p := range []units.Pascal{0, -1, units.Pascal(math.NaN()), units.Pascal(math.Inf(1))} {
		if got := r.Held(250*9806.65, 0.44, p, 293); got != 0 {
			t.Errorf("%g Pa proves %g", p, got)
		}
	}
}

func TestFadeCurve(t *testing.T) {
	if f := (FadeCurve{}).Factor(900); f != 1 {
		t.Errorf("no curve: %g", f)
	}
	if f := r1().Service.Fade.Factor(units.Kelvin(math.NaN())); !math.IsNaN(f) {
		t.Errorf("temperature not known: %g", f)
	}
	rises := FadeCurve{{300, 0.9}, {400, 1.1}, {600, 0.5}}
	if got := rises.bestAbove(350); got != 1.1 {
		t.Errorf("best above 350 K: %g", got)
	}
	if got := rises.bestAbove(500); got != 0.8 {
		t.Errorf("best above 500 K: %g", got)
	}
}
