package simulator

import (
	"math"
	"testing"

	"hoistward/ingest"
)

// deed is what a scenario must show to be what it says it is, from the truth and
// the samples of one run.
type deed struct {
	name  string
	check func(t *testing.T, x *story)
}

// story is a whole run, gathered.
type story struct {
	run     *Run
	truth   []Truth
	samples []ingest.Sample
}

func tell(t *testing.T, name string, seed uint64) *story {
	t.Helper()
	x := &story{run: start(t, name, seed)}
	x.run.pl.energy.kept = true
	for {
		var s ingest.Sample
		var tr Truth
		if !x.run.Next(&s, &tr) {
			return x
		}
		x.truth, x.samples = append(x.truth, tr), append(x.samples, s)
	}
}

// when returns the time and speed of the first such event, −1 where there is none.
func (x *story) when(e Event) (at, speed float64) {
	for i := range x.truth {
		if x.truth[i].Event == e {
			return x.truth[i].Time, x.truth[i].ImpactSpeed
		}
	}
	return -1, 0
}

func (x *story) most(f func(*Truth) float64) float64 {
	m := math.Inf(-1)
	for i := range x.truth {
		m = math.Max(m, f(&x.truth[i]))
	}
	return m
}

func (x *story) at(time float64) *Truth {
	return &x.truth[min(int(math.Round(time*x.run.scenario.Rate)), len(x.truth)-1)]
}

func height(x *Truth) float64 { return x.Height }
func ring(x *Truth) float64   { return x.Ring - 273.15 }
func down(x *Truth) float64   { return -x.Velocity }

func between(t *testing.T, what string, got, lo, hi float64) {
	t.Helper()
	if !(got >= lo && got <= hi) {
		t.Errorf("%s: got %.4g, want %g to %g", what, got, lo, hi)
	}
}

var deeds = []deed{
	{"overhoist", func(t *testing.T, x *story) {
		at, speed := x.when(CrownContact)
		between(t, "contact, s", at, 20, 40)
		between(t, "at m/s", speed, 1.0, 1.4)
		between(t, "height at 8 s", x.at(8).Height, 11, 15)
		between(t, "highest", x.most(height), 44, 44)
		between(t, "end", x.truth[len(x.truth)-1].Time, 60, 60)
	}},
	{"inattention-saver-works", func(t *testing.T, x *story) {
		at, _ := x.when(CrownSaverTripped)
		between(t, "trip, s", at, 25, 36)
		between(t, "highest", x.most(height), 40.2, 41)
	}},
	{"saver-backup", func(t *testing.T, x *story) {
		at, _ := x.when(CrownSaverTripped)
		between(t, "trip, s", at, 25, 38)
		between(t, "height there", x.at(at).Height, 40.2, 40.9)
		between(t, "highest", x.most(height), 40.6, 41.8)
	}},
	{"late-clutch-release", func(t *testing.T, x *story) {
		engaged, pressed := 0.0, 0.0
		for i := range x.truth {
			if x.truth[i].DriveTorque > 5e3 && x.truth[i].BrakeTorque > 3e4 && x.truth[i].Velocity > 0.02 {
				engaged += 0.1
			}
			pressed = math.Max(pressed, x.truth[i].DriveTorque)
		}
		between(t, "s that the drive pulled against the brake", engaged, 0.4, 4)
		between(t, "highest", x.most(height), 39, 44)
	}},
	{"knock-back", func(t *testing.T, x *story) { between(t, "highest", x.most(height), 39.5, 44) }},
	{"floor-strike", func(t *testing.T, x *story) {
		at, speed := x.when(FloorContact)
		between(t, "contact, s", at, 25, 50)
		between(t, "at m/s", speed, 0.4, 0.8)
	}},
	{"fade", func(t *testing.T, x *story) {
		between(t, "hottest, °C", x.most(ring), 350, 600)
		cold, hot := 0.0, 1.0
		for i := range x.truth {
			if v := &x.truth[i]; v.BrakePressure > 5e5 && math.Abs(v.Velocity) > 0.2 {
				if v.Ring < 273.15+230 {
					cold = math.Max(cold, v.Friction)
				}
				hot = math.Min(hot, v.Friction)
			}
		}
		between(t, "friction left", hot/cold, 0.4, 0.75)
	}},
	{"oil-on-disc", func(t *testing.T, x *story) { between(t, "friction", x.run.pl.friction, 0.1, 0.3) }},
	{"glazed-lining", func(t *testing.T, x *story) { between(t, "friction", x.run.pl.friction, 0.15, 0.38) }},
	{"band-brake-worn", func(t *testing.T, x *story) {
		between(t, "friction", x.run.pl.friction, 0.2, 0.42)
		between(t, "stands", float64(x.truth[len(x.truth)-1].Stand), 2, 20)
	}},
	{"hydraulic-leak", func(t *testing.T, x *story) {
		between(t, "emergency pressure at 60 s", x.at(60).EmergencyPress, 0, 1e5)
		between(t, "speed at 60 s", math.Abs(x.at(60).Velocity), 0, 0.02)
		between(t, "supply left", x.run.pl.brake.supply, 0, 0.5)
	}},
	{"emergency-drag", func(t *testing.T, x *story) {
		drag := 0.0
		for i := range x.truth {
			if v := &x.truth[i]; v.Activity == RaisingLoaded && v.Velocity > 0.3 && v.Time > 60 && v.BrakePressure < 1e4 {
				drag = math.Max(drag, v.BrakeTorque)
			}
		}
		between(t, "drag while hoisting, N·m", drag, 3e3, 1e4)
	}},
	{"emergency-set", func(t *testing.T, x *story) {
		between(t, "speed at 20 s", math.Abs(x.at(20).Velocity), 0, 0.1)
		between(t, "before", x.at(11.9).Velocity, 0.7, 1.4)
	}},
	{"emergency-stop", func(t *testing.T, x *story) {
		at, speed := x.when(EmergencyPulled)
		between(t, "pulled, s", at, 12.9, 13.2)
		between(t, "at m/s", speed, 0.9, 1.5)
		between(t, "speed 3 s later", math.Abs(x.at(at+3).Velocity), 0, 0.05)
		between(t, "run-on", x.at(at+3).Height-x.at(at).Height, 0.3, 1.2)
	}},
	{"eddy-lost", func(t *testing.T, x *story) {
		between(t, "fastest down", x.most(down), 0.6, 4)
		between(t, "lowest", -x.most(func(v *Truth) float64 { return -v.Height }), 1.5, 25)
	}},
	{"motor-trip", func(t *testing.T, x *story) { between(t, "fastest down", x.most(down), 0.9, 4) }},
	{"eddy-weak-coil", func(t *testing.T, x *story) {
		sound := tell(t, "trip-in", 1)
		between(t, "brake work over that of a sound trip", x.run.pl.energy.brake/sound.run.pl.energy.brake, 1.5, 100)
	}},
	{"coolant-lost", func(t *testing.T, x *story) {
		between(t, "coolant, °C", x.run.pl.aux.temp-273.15, 120, 400)
	}},
	{"brake-creep", func(t *testing.T, x *story) {
		at, _ := x.when(EmergencyPulled)
		between(t, "handle pulled, s", at, 30, 150)
		moved := x.at(0).Height - x.truth[len(x.truth)-1].Height
		between(t, "crept", moved, 0.05, 1)
	}},
	{"stuck-pipe", func(t *testing.T, x *story) {
		at, _ := x.when(PipeFree)
		between(t, "free, s", at, 10, 60)
		between(t, "most hook load", x.most(func(v *Truth) float64 { return v.HookLoad }), 2.5e6, 4e6)
	}},
	{"line-cut-not-rezeroed", func(t *testing.T, x *story) {
		between(t, "drum turned", x.at(5).Wraps-x.at(88).Wraps, 6.0, 6.5)
		between(t, "block moved", math.Abs(x.at(5).Height-x.at(88).Height), 0, 0.01)
		between(t, "trips on", x.most(height), 25, 36)
	}},
	{"height-frozen", func(t *testing.T, x *story) {
		same, most := 0, 0
		for i := 1; i < len(x.samples); i++ {
			if x.samples[i].Values[ingest.BlockHeight] == x.samples[i-1].Values[ingest.BlockHeight] {
				same++
			} else {
				same = 0
			}
			most = max(most, same)
		}
		between(t, "same reading in a row", float64(most), 1000, 1300)
	}},
	{"hook-load-lost", func(t *testing.T, x *story) {
		null, gone := 0, 0
		for i := range x.samples {
			v := x.samples[i].Values[ingest.HookLoad]
			switch {
			case !x.samples[i].Named(ingest.HookLoad):
				gone++
			case v.Quality == ingest.Bad:
				null++
			}
		}
		between(t, "no value", float64(null), 299, 301)
		between(t, "not named", float64(gone), 899, 901)
	}},
	{"encoder-slip", func(t *testing.T, x *story) { between(t, "turns lost", math.Abs(x.run.in.slip), 0.05, 20) }},
	{"clock-jump", func(t *testing.T, x *story) {
		ahead := x.samples[700].Time.Sub(x.run.start).Seconds() - x.truth[700].Time
		between(t, "ahead at 70 s", ahead, 21599, 21601)
		between(t, "behind at 200 s", x.samples[2000].Time.Sub(x.run.start).Seconds()-x.truth[2000].Time, -5.01, -4.99)
	}},
	{"wrong-lines", func(t *testing.T, x *story) {
		turned := x.most(func(v *Truth) float64 { return v.Wraps }) - x.truth[0].Wraps
		rose := x.most(height) - x.truth[0].Height
		between(t, "rise over what ten lines would give", rose/(turned*math.Pi*0.797/10), 1.2, 1.5)
	}},
	{"swapped-unit", func(t *testing.T, x *story) {
		between(t, "hook load read over true", x.samples[900].Values[ingest.HookLoad].V/x.truth[900].HookLoad, 0.09, 0.115)
	}},
	{"height-drift", func(t *testing.T, x *story) {
		n := len(x.truth) - 1
		between(t, "height read over true", x.samples[n].Values[ingest.BlockHeight].V-x.truth[n].Height, 0.7, 0.95)
	}},
	{"hook-load-spikes", func(t *testing.T, x *story) {
		n := 0
		for i := range x.samples {
			if x.samples[i].Values[ingest.HookLoad].V-x.truth[i].HookLoad > 2.5e6 {
				n++
			}
		}
		between(t, "spikes", float64(n), 40, 130)
	}},
	{"drop-outs", func(t *testing.T, x *story) {
		hook, speed := 0, 0
		for i := range x.samples {
			if x.samples[i].Named(ingest.HookLoad) {
				hook++
			}
			if _, ok := x.samples[i].Values[ingest.DrumSpeed].Float(); ok {
				speed++
			}
		}
		between(t, "hook loads", float64(hook), 590, 610)
		between(t, "drum speeds", float64(speed), 2890, 2910)
	}},
	{"casing-run", quiet(6)}, {"drill-stand", quiet(1)}, {"ream-stand", quiet(0)}, {"water-brake-trip", quiet(2)}, {"counter-wraps", quiet(1)},
}

// quiet is ordinary work: nothing struck, no watcher alarmed, so many stands done.
func quiet(stands int) func(*testing.T, *story) {
	return func(t *testing.T, x *story) {
		w := watcher{x.run.pl.p.rig, x.run.pl.drum}
		worst, at := math.Inf(1), 0.0
		for i := range x.truth {
			v := &x.truth[i]
			if v.Event != NoEvent {
				t.Errorf("%v at %.1f s", v.Event, v.Time)
			}
			if room := w.room(v); room < worst {
				worst, at = room, v.Time
			}
		}
		if !(worst > 0) {
			t.Errorf("%.2f m short of quiet at %.1f s", -worst, at)
		}
		between(t, "stands", float64(x.truth[len(x.truth)-1].Stand), float64(stands), 1e6)
		between(t, "travel", x.most(height)+x.most(func(v *Truth) float64 { return -v.Height }), 8, 60)
	}
}

// Each scenario does what its file says, on three seeds.
func TestScenariosDoWhatTheySay(t *testing.T) {
	told := map[string]bool{"tripping": true, "trip-in": true, "trip-out": true, "broker-outage": true} // tested elsewhere
	for _, d := range deeds {
		told[d.name] = true
		t.Run(d.name, func(t *testing.T) {
			for seed := range uint64(3) {
				d.check(t, tell(t, d.name, seed+1))
			}
		})
	}
	for _, name := range Scenarios() {
		if !told[name] {
			t.Errorf("%s: no test of what it does", name)
		}
	}
}

// The link is down for as long as the file says.
func TestOutageIsTold(t *testing.T) {
	run := start(t, "broker-outage", 1)
	down := 0
	for run.Next(nil, nil) {
		if run.Outage() {
			down++
		}
	}
	between(t, "samples withheld", float64(down), 199, 201)
}
