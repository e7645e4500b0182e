package hoist

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"hoistward/ingest/units"
)

// The closed form is the second road where friction is
// one number: lowering, with the retarding torque fading as the brake builds, the
// deceleration rises straight from 0.
func TestStopAgainstClosedFormLowering(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		r.Service.Fade = nil
		r.Service.DeadTime = units.Second(rapid.Float64Range(0, 1).Draw(t, "dead"))
		r.Service.RiseTime = units.Second(rapid.Float64Range(0.01, 2).Draw(t, "rise"))
		c := down(rapid.Float64Range(30, 280).Draw(t, "tonnes"), rapid.Float64Range(0.01, 4).Draw(t, "v"), 20, false)
		a := r.Deceleration(r.Service.Capacity(293, 1, Lowering), c.HookLoad, c.Radius, Lowering)
		want, wantTime := Braking{Dead: r.Service.DeadTime, Rise: r.Service.RiseTime, Deceleration: a}.Stop(c.Speed)
		got := r.Stop(c)
		if !near(float64(got.Distance), float64(want), 1e-4) || !near(float64(got.Time), float64(wantTime), 1e-4) {
			t.Fatalf("integrated %.6f m %.6f s (%v), closed form %.6f m %.6f s", got.Distance, got.Time, got.Reason, want, wantTime)
		}
	})
}

// Raising without a load there is neither pull nor slack, and the drive's phase
// stands apart: drive on, then constant speed to the dead time's end, then the rise.
func TestStopAgainstClosedFormRaising(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		r.Service.Fade, r.Drawworks.Drum.Inertia = nil, 3e5
		rel := rapid.Float64Range(0, 0.5).Draw(t, "release")
		wait := rapid.Float64Range(0, 0.5).Draw(t, "wait")
		r.Drawworks.DriveRelease, r.Service.DeadTime = units.Second(rel), units.Second(rel+wait)
		c := up(0, rapid.Float64Range(0.01, 3).Draw(t, "v"), rapid.Float64Range(0, 1).Draw(t, "a"))
		mass := float64(r.Drawworks.Drum.Inertia) * 10 / 0.44
		a := float64(r.Service.Capacity(293, 1, Raising)) / mass
		want, _ := Braking{
			Drive: units.Second(rel), DriveRate: c.Acceleration, Rise: r.Service.RiseTime, Deceleration: units.MetrePerSecond2(a),
		}.Stop(c.Speed)
		want += units.Metre((float64(c.Speed) + float64(c.Acceleration)*rel) * wait)
		if got := r.Stop(c); !near(float64(got.Distance), float64(want), 1e-4) {
			t.Fatalf("integrated %.6f m (%v), closed form %.6f m", got.Distance, got.Reason, want)
		}
	})
}

// fineStop integrates the same equations by the midpoint rule in steps of 0.1 ms,
// without phases, kinks or closed forms, drum and block each by themselves.
func fineStop(r *Rig, c StopCase) (distance float64, stops bool) {
	const dt = 1e-4
	n, rad, g := float64(r.Reeving.Lines), float64(c.Radius), 9.80665
	f := r.Reeving.FastLineFactor(c.Direction)
	sign := 1.0
	if c.Direction == Raising {
		sign = -1
	}
	m := float64(c.HookLoad) / g
	taut := float64(r.Drawworks.Drum.Inertia)*n/rad + f*m*rad
	loose := float64(r.Drawworks.Drum.Inertia) * n / rad
	pull := sign * f * m * g * rad
	q := taut*float64(c.Acceleration) - pull
	heat := float64(r.Heat.Mass) * float64(r.Heat.SpecificHeat)
	brake := func(t, temp float64) float64 {
		u := 1.0
		if x := t - float64(r.Service.DeadTime); x <= 0 {
			u = 0
		} else if x < float64(r.Service.RiseTime) {
			u = x / float64(r.Service.RiseTime)
		}
		return u * float64(r.Service.Capacity(units.Kelvin(temp), c.FrictionFactor, c.Direction))
	}
	applied := func(t float64) float64 {
		if q > 0 {
			if t < float64(r.Drawworks.DriveRelease) {
				return q
			}
			return 0
		}
		if c.RetardingLost {
			return 0
		}
		u := (t - float64(r.Service.DeadTime)) / float64(r.Service.RiseTime)
		return q * (1 - min(max(u, 0), 1))
	}
	v, s, temp := float64(c.Speed), 0.0, float64(c.BrakeTemperature)
	slack, vb, sb := false, 0.0, 0.0
	for t := 0.0; t < 60; t += dt {
		rate := func(t, v, temp float64) (float64, float64) {
			b := brake(t, temp)
			if slack {
				return (applied(t) - b) / loose, b * v * n / rad / heat
			}
			return (applied(t) + pull - b) / taut, b * v * n / rad / heat
		}
		a, _ := rate(t, v, temp)
		if !slack && c.Direction == Raising && a < -g-1e-9 {
			slack, vb, sb = true, v, s
			a, _ = rate(t, v, temp)
		}
		if v <= 0 && a <= 0 && (!slack || vb <= 0) {
			return max(s, sb), true
		}
		if v > 0 || a > 0 {
			am, qm := rate(t+dt/2, v+a*dt/2, temp)
			s += dt * (v + a*dt/2)
			v += dt * am
			temp += dt * qm
		}
		if slack && vb > 0 {
			sb += vb*dt - g*dt*dt/2
			vb -= g * dt
		}
	}
	return math.Inf(1), false
}

// Any stop agrees with the fine integration to 1 mm: disc and band, fade, heat
// within the stop, drive release before and after the brake, slack line.
func TestStopAgainstFineIntegration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		if rapid.Bool().Draw(t, "band") {
			r.Service.Kind, r.Service.Bands, r.Service.WrapAngle = BandBrake, 2, 4.7
			r.Service.LiveTension, r.Service.EffectiveRadius = 25e3, 0.635
		}
		r.Drawworks.Drum.Inertia = units.KilogramMetre2(rapid.Float64Range(200, 6000).Draw(t, "J"))
		r.Drawworks.DriveRelease = units.Second(rapid.Float64Range(0, 0.8).Draw(t, "release"))
		r.Service.DeadTime = units.Second(rapid.Float64Range(0.05, 0.6).Draw(t, "dead"))
		r.Service.RiseTime = units.Second(rapid.Float64Range(0.05, 0.8).Draw(t, "rise"))
		r.Heat.Mass = units.Kilogram(rapid.Float64Range(300, 3000).Draw(t, "mass"))
		c := down(rapid.Float64Range(30, 200).Draw(t, "tonnes"), rapid.Float64Range(0.05, 3).Draw(t, "v"),
			rapid.Float64Range(0, 420).Draw(t, "celsius"), rapid.Bool().Draw(t, "lost"))
		if rapid.Bool().Draw(t, "up") {
			c.Direction = Raising
		}
		c.Acceleration = units.MetrePerSecond2(rapid.Float64Range(-0.5, 0.5).Draw(t, "a"))
		c.FrictionFactor = rapid.Float64Range(0.5, 1.2).Draw(t, "friction")
		got := r.Stop(c)
		want, stops := fineStop(r, c)
		if got.CanStop && float64(got.Time) < 30 && !near(float64(got.Distance), want, 1e-3) {
			t.Fatalf("got %.5f m in %.4f s slack %v, fine integration %.5f m", got.Distance, got.Time, got.Slack, want)
		}
		if stops && want < 400 && !got.CanStop {
			t.Fatalf("got %v, fine integration stops in %.3f m", got.Reason, want)
		}
	})
}

// Energy: what drum and load give up is what heats the brake, sheave friction
// already in the line's pull.
func TestStopKeepsEnergy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := r1()
		c := down(rapid.Float64Range(30, 250).Draw(t, "tonnes"), rapid.Float64Range(0, 2).Draw(t, "v"), rapid.Float64Range(0, 370).Draw(t, "celsius"), true)
		s := r.Stop(c)
		if !s.CanStop {
			return
		}
		f, turn := r.Reeving.FastLineFactor(Lowering), 10/0.44
		inertia := 3000*turn + f*float64(c.HookLoad)/9.80665*0.44
		want := turn * (inertia*float64(c.Speed*c.Speed)/2 + f*float64(c.HookLoad)*0.44*float64(s.Distance))
		got := float64(s.EndTemperature-c.BrakeTemperature) * 1800 * 470
		if !near(got, want, 20+2e-4*want) {
			t.Fatalf("brake took %.1f J, the hoist gave %.1f J", got, want)
		}
	})
}

// A stop that heats through both kinks of the fade curve agrees to 0.1 mm.
func TestStopAcrossKinks(t *testing.T) {
	r := r1()
	for _, row := range []struct{ mass, celsius, v, tonnes float64 }{
		{120, 200, 2, 150}, {60, 240, 1.5, 120}, {200, 230, 3, 150}, {300, 248, 2, 200}, {100, 380, 1, 100},
	} {
		r.Heat.Mass = units.Kilogram(row.mass)
		c := down(row.tonnes, row.v, row.celsius, true)
		got := r.Stop(c)
		want, _ := fineStop(r, c)
		t.Logf("%+v: ends at %.0f °C, %.5f m (fine %.5f)", row, got.EndTemperature.Celsius(), got.Distance, want)
		if !near(float64(got.Distance), want, 1e-4) {
			t.Errorf("%+v: %.6f m, fine integration %.6f m", row, got.Distance, want)
		}
	}
}
