package simulator

import (
	"slices"
	"strings"
	"testing"

	"hoistward/ingest"
)

func TestLibrary(t *testing.T) {
	names := Scenarios()
	if len(names) < 24 || !slices.IsSorted(names) {
		t.Errorf("%d scenarios, sorted %v: want at least 24, sorted", len(names), slices.IsSorted(names))
	}
	for _, want := range []string{"tripping", "trip-out", "trip-in", "overhoist", "late-clutch-release", "floor-strike", "fade",
		"hook-load-lost", "height-frozen", "line-cut-not-rezeroed"} {
		if !slices.Contains(names, want) {
			t.Errorf("no scenario %s", want)
		}
	}
	for _, n := range names {
		if _, err := LoadScenario(n); err != nil {
			t.Error(err)
		}
	}
}

func TestUnknownScenarioListsTheKnown(t *testing.T) {
	_, err := LoadScenario("overhoisting")
	if err == nil || !strings.Contains(err.Error(), `got "overhoisting"`) || !strings.Contains(err.Error(), "overhoist, ") {
		t.Errorf("got %v, want the known scenarios", err)
	}
	if _, err := LoadScenario("./no-such.yaml"); err == nil || !strings.Contains(err.Error(), "no-such.yaml") {
		t.Errorf("got %v, want the path", err)
	}
}

// A mistake is told with file, line, key, what was got and what is wanted, and
// all of them at once.
func TestImpossibleValuesSayWhere(t *testing.T) {
	const head = "name: x\ntitle: t\nwhat_happens: w\nwhat_should_be_seen:\n  - {what: s}\n"
	for _, c := range []struct {
		name, text string
		want       []string
	}{
		{"unknown key", head + "duraton: 3 s\n", []string{"x.yaml:6: duraton: got an unknown key", "duration"}},
		{"no unit", head + "duration: 300\n", []string{"x.yaml:6: duration:", "unit"}},
		{"wrong unit", head + "duration: 300 m\n", []string{"x.yaml:6: duration:"}},
		{"twice", head + "duration: 3 s\nduration: 4 s\n", []string{"x.yaml:7: duration: got the key twice"}},
		{"negative mass", head + "initial: {string: -3 t}\n", []string{"x.yaml:6: initial.string: got \"-3 t\""}},
		{"unknown task", head + "driller: {task: dance}\n", []string{"x.yaml:6: driller.task: got \"dance\"", "trip_out"}},
		{"unknown fault", head + "faults:\n  - {at: 1 s, fault: gremlins}\n", []string{"x.yaml:7: faults[0].fault: got \"gremlins\"", "oil_on_disc"}},
		{"fault without value", head + "faults:\n  - {at: 1 s, fault: oil_on_disc}\n", []string{"faults[0].value: got nothing"}},
		{"fault with a value too many", head + "faults:\n  - {at: 1 s, fault: drive_stuck, value: 3}\n", []string{"faults[0].value", "no value"}},
		{"sensor fault without channel", head + "faults:\n  - {at: 1 s, fault: frozen}\n", []string{"faults[0].channel: got nothing"}},
		{"drift in another dimension", head + "faults:\n  - {at: 1 s, fault: drift, channel: block_height, value: 3 kN}\n", []string{"x.yaml:7: faults[0].value"}},
		{"fault after the end", head + "duration: 10 s\nfaults:\n  - {at: 11 s, fault: drive_stuck}\n", []string{"faults[0].at: got 11s"}},
		{"sight after the end", "name: x\ntitle: t\nwhat_happens: w\nwhat_should_be_seen:\n  - {from: 20 s, what: s}\nduration: 10 s\n", []string{"what_should_be_seen[0]"}},
		{"another name", strings.Replace(head, "name: x", "name: y", 1), []string{"name: got \"y\""}},
		{"nothing to see", "name: x\n", []string{"what_should_be_seen"}},
		{"odd rate", head + "rate: 7\n", []string{"rate: got 7"}},
		{"not a number", head + "spread: .nan\n", []string{"x.yaml:6: spread"}},
		{"unknown channel", head + "channels: [hook_lod]\n", []string{"x.yaml:6: channels[0]: got \"hook_lod\"", "hook_load"}},
		{"drill without penetration", head + "driller: {task: drill}\n", []string{"driller.penetration"}},
		{"two mistakes", head + "rate: 0\nspread: 9\n", []string{"x.yaml:6: rate", "x.yaml:7: spread"}},
		{"not yaml", "name: [", []string{"x.yaml"}},
		{"empty", "", []string{"x.yaml: got an empty file"}},
		{"a list", "- 1\n", []string{"got no mapping"}},
	} {
		_, err := ParseScenario("x.yaml", []byte(c.text))
		if err == nil {
			t.Errorf("%s: taken", c.name)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: got %q, want it to say %q", c.name, err, w)
			}
		}
	}
	if _, err := ParseScenario("x.yaml", []byte(head)); err != nil {
		t.Errorf("the shortest scenario: %v", err)
	}
}

func TestImpossibleStartsAreRefused(t *testing.T) {
	s, err := LoadScenario("trip-out")
	if err != nil {
		t.Fatal(err)
	}
	high := *s
	high.Initial.BlockHeight = 50
	low := *s
	low.Driller.Bottom, low.Driller.Top = 30, 20
	unknown := *s
	unknown.Rig.LinesUnknown = true
	for _, x := range []*Scenario{&high, &low, &unknown} {
		if _, err := New(r1(), x, 1); err == nil || !strings.Contains(err.Error(), "got") {
			t.Errorf("got %v, want a refusal that says where", err)
		}
	}
}

// Fit leaves the caller's rig as it was.
func TestFitChangesACopy(t *testing.T) {
	rig := r1()
	fitted := (&Scenario{Rig: RigChange{ServiceBrake: "band", Auxiliary: "motor", Lines: 8}}).Fit(rig)
	if rig.Reeving.Lines != 10 || rig.Service.Kind != 0 || fitted.Reeving.Lines != 8 || fitted.Service.Bands != 2 {
		t.Errorf("rig %+v, fitted %+v", rig.Reeving, fitted.Reeving)
	}
}

// Instruments lie only in the ways that they are told to.
func TestInstruments(t *testing.T) {
	s, err := LoadScenario("trip-out")
	if err != nil {
		t.Fatal(err)
	}
	s.Spread = 0
	run, err := New(r1(), s, 2)
	if err != nil {
		t.Fatal(err)
	}
	var x ingest.Sample
	var truth Truth
	n, load, height, speed, counts0, wraps0 := 0.0, 0.0, 0.0, 0.0, -1.0, 0.0
	for run.Next(&x, &truth) && n < 3000 {
		n++
		d := x.Values[ingest.BlockHeight].V - truth.Height
		height += d * d
		if w := x.Values[ingest.DrumSpeed].V - truth.DrumSpeed; w*w > speed {
			speed = w * w
		}
		l := x.Values[ingest.HookLoad].V - truth.HookLoad
		load += l * l
		c := x.Values[ingest.DrumCounts].V
		if c != float64(int64(c)) || c < 0 || c >= 1<<32 {
			t.Fatalf("counts %v", c)
		}
		if counts0 < 0 {
			counts0, wraps0 = c, truth.Wraps
		}
		if off := (c-counts0)/4096 - (truth.Wraps - wraps0); off > 0.002 || off < -0.002 {
			t.Fatalf("at %.1f s counts are %.4f turns off the drum", truth.Time, off)
		}
	}
	// 6 mm of noise, 10 mm steps, 80 ms of lag at 1 m/s.
	if rms := height / n; !(rms > 3e-6 && rms < 0.05*0.05) {
		t.Errorf("height off by %.4f m squared", rms)
	}
	if !(speed < 1.5*1.5) {
		t.Errorf("drum speed off by up to %.2f rad/s squared", speed)
	}
	if rms := load / n; !(rms > 1e6 && rms < 3e10) {
		t.Errorf("hook load off by %.4g N² squared", rms)
	}
}

// A counter of so many bits begins again at nought, both ways.
func TestCounterWraps(t *testing.T) {
	for _, c := range []struct {
		v    float64
		bits uint
		want float64
	}{{65535, 16, 65535}, {65536, 16, 0}, {65540, 16, 4}, {-1, 16, 65535}, {-65537, 16, 65535}, {4294967296, 32, 0}} {
		if got := wrapCounts(c.v, c.bits); got != c.want {
			t.Errorf("wrapCounts(%g, %d) = %g, want %g", c.v, c.bits, got, c.want)
		}
	}
	s, err := LoadScenario("counter-wraps")
	if err != nil {
		t.Fatal(err)
	}
	run, err := New(r1(), s, 1)
	if err != nil {
		t.Fatal(err)
	}
	var x ingest.Sample
	last, wraps := -1.0, 0
	for run.Next(&x, nil) {
		c := x.Values[ingest.DrumCounts].V
		if last >= 0 && (c-last > 1<<31 || last-c > 1<<31) {
			wraps++
		}
		last = c
	}
	if wraps < 2 {
		t.Errorf("%d wraps in the scenario, want one each way at least", wraps)
	}
}
