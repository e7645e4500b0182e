package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"hoistward/configs"
	"hoistward/detect/hoist"
)

// calculated runs one command line through the parser and returns what it printed.
func calculated(line string, args ...string) (string, error) {
	var c struct {
		Calc      calcCmd      `cmd:""`
		Calibrate calibrateCmd `cmd:""`
	}
	var out bytes.Buffer
	s := &streams{out: &out, err: io.Discard}
	parser, err := kong.New(&c, kong.Bind(s), kong.Writers(io.Discard, io.Discard))
	if err != nil {
		return "", err
	}
	chosen, err := parser.Parse(joinNegatives(append(strings.Fields(line), args...)))
	if err != nil {
		return "", err
	}
	err = chosen.Run()
	return out.String(), err
}

func object(t *testing.T, line string, args ...string) map[string]any {
	t.Helper()
	text, err := calculated(line+" --json", args...)
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	var o map[string]any
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		t.Fatalf("%s: %v in %s", line, err, text)
	}
	return o
}

// The values are those of testdata/published, where their sources stand.
func TestCalcAgainstPublishedValues(t *testing.T) {
	const s5 = "calc stop --rig R1 --direction down --speed 1.0m/s --hook-load 250t --radius 0.44m --auxiliary-lost"
	const c = " --stand 93ft --pipe 17.55lb/ft --travelling 75000lb --collars 19734lb"
	for _, row := range []struct {
		line, key string
		want, tol float64
	}{
		{"calc stop --rig R1 --direction up --speed 1.5m/s --hook-load 294.2kN --radius 0.44m", "distance_m", 1.1794, 1e-4},
		{"calc stop --rig R1 --direction up --speed 1.5m/s --hook-load 294.2kN --radius 0.44m", "time_s", 1.0736, 1e-4},
		{"calc stop --rig R1 --direction up --speed 1.5m/s --hook-load 294.2kN --radius 0.44m", "end_temperature_C", 21.86, 0.01},
		{"calc stop --rig R1 --direction raising --speed 295.2756ft/min --hook-load 66.139klbf --radius 17.3228in", "distance_m", 1.1794, 1e-3},
		{"calc stop --rig R1 --direction up --speed 2.5m/s --acceleration 0.25m/s2 --hook-load 30t --radius 0.44m", "distance_m", 2.5565, 1e-4},
		{s5, "distance_m", 1.7773, 1e-4},
		{s5 + " --brake-temperature 300degC", "distance_m", 2.1864, 1e-4},
		{s5 + " --brake-temperature 380degC", "distance_m", 4.272, 1e-3},
		{"calc position --rig R1 --wraps 100", "line_on_drum_m", 265.5642, 1e-4},
		{"calc position --rig R1 --wraps 100", "layer", 3, 0},
		{"calc position --rig R1 --wraps 100", "radius_m", 0.9179 / 2, 5e-5},
		{"calc position --rig R1 --wraps 12", "line_on_drum_m", 30.0434, 1e-4},
		{"calc reeving --rig R1 --hook-load 400klbf --lines 10", "design_factor", 192 / 49.32, 0.01},
		{"calc reeving --lines 16", "efficiency", 0.728, 5e-4},
		{"calc reeving --rig R1 --hook-load 250t", "dead_line_raising_kN", 2451.6625 / 12.006, 0.02},
		{"calc reeving --rig R1 --dead-line 100kN", "hook_load_lowering_kN", 843.5, 0.05},
		{"calc stretch --rig R1 --hook-load 250t --part 40m", "stretch_m", 0.2320, 1e-4},
		{"calc stretch --rig R1 --hook-load 250t --height 4m", "natural_frequency_Hz", 1.16, 0.005},
		{"calc brake --rig R1 --hook-load 250t --radius 0.44m", "torque_lowering_kNm", 179.448, 0.01},
		{"calc brake --rig R1 --hook-load 250t --radius 0.44m", "static_demand_kNm", 107.87, 0.01},
		{"calc brake --rig R1 --hook-load 250t --radius 0.44m --brake-temperature 400degC", "fade_factor", 0.6, 1e-9},
		{"calc brake --rig R1 --wraps 20 --drum-speed 75rpm", "auxiliary_kNm", 88, 1e-6},
		{"calc heat --rig R1 --hook-load 150t --travel 28m --every 180s --share 10%", "rise_per_stand_K", 4.869, 1e-3},
		{"calc line-work --depth 12000ft" + c, "line_work_ton_miles", 626.93, 0.01},
		{"calc line-work --form drilling --passes 3 --from 12000ft --depth 15000ft" + c, "line_work_ton_miles", 694.6, 0.05},
		{"calc line-work --form casing --depth 5200ft --stand 42ft --pipe 25lb/ft --mud 10ppg --travelling 95000lb", "line_work_ton_miles", 120.90, 0.01},
		{"calc line-work --form round-trip --depth 5500ft --stand 94ft --pipe 11.27lb/ft --travelling 95000lb --collars 26866lb", "line_work_ton_miles", 258.74, 0.01},
	} {
		got, ok := object(t, row.line)[row.key].(float64)
		if !ok || !(math.Abs(got-row.want) <= row.tol) {
			t.Errorf("%s: %s = %v, want %g ± %g", row.line, row.key, got, row.want, row.tol)
		}
	}
}

// The closed form of repeated stops and the forecast are two roads to one peak.
func TestCalcHeatAgreesWithItself(t *testing.T) {
	o := object(t, "calc heat --rig R1 --hook-load 150t --travel 28m --every 180s --share 10% --drum-speed 60rpm")
	for _, step := range o["steps"].([]any) {
		if s := step.(map[string]any); s["name"] == "closed form over the air: peak" {
			if peak := 20 + s["value"].(float64); !(math.Abs(peak-o["settles_C"].(float64)) <= 0.5) {
				t.Errorf("closed form %g °C, forecast %v °C", peak, o["settles_C"])
			}
			return
		}
	}
	t.Error("no closed form among the steps")
}

func TestCalcPositionInverts(t *testing.T) {
	there := object(t, "calc position --rig R1 --wraps 100 --hook-load 900kN")
	h, _ := json.Marshal(there["height_m"])
	back := object(t, "calc position --rig R1 --hook-load 900kN --height "+string(h)+"m")
	if w, _ := back["wraps"].(float64); !(math.Abs(w-100) <= 1e-5) {
		t.Errorf("100 wraps come back as %v", back["wraps"])
	}
}

func TestCalcStopSaysWhatItCannot(t *testing.T) {
	o := object(t, "calc stop --rig R1 --direction down --speed 1m/s --hook-load 250t --radius 0.44m --auxiliary-lost --friction 0.4 --bound")
	if o["can_stop"] != false || o["distance_m"] != nil || o["reason"] == "" || o["bound_can_stop"] != false {
		t.Errorf("a brake that cannot hold gives %v", o)
	}
	text, err := calculated("calc stop --rig R1 --direction down --speed 1m/s --hook-load 250t --radius 0.44m --auxiliary-lost --friction 0.4")
	if err != nil || !strings.Contains(text, "without limit") || !strings.Contains(text, "below what the load demands") {
		t.Errorf("%v\n%s", err, text)
	}
}

func TestCalcStopBoundAndHeight(t *testing.T) {
	o := object(t, "calc stop --rig R1 --direction up --speed 1.5m/s --height 30m --bound --speed-sd 0.03m/s")
	rest, bound := o["rest_height_m"].(float64), o["bound_rest_height_m"].(float64)
	if !(rest > 30.9 && rest < 31.5 && bound > rest+0.05 && bound < rest+0.6) {
		t.Errorf("rest %g m, bound %g m", rest, bound)
	}
}

func TestCalcText(t *testing.T) {
	const line = "calc stop --rig R1 --direction up --speed 1.5m/s --hook-load 30t --radius 0.44m"
	text, err := calculated(line)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"formula", "M dv/dt", "given", "steps", "answer", "1.17939 m", "fast-line factor", "Advisory"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	text, err = calculated(line + " --units oilfield")
	if err != nil || !strings.Contains(text, "3.86939 ft") || !strings.Contains(text, "295.276 ft/min") || !strings.Contains(text, "71.3") {
		t.Errorf("in oilfield units: %v\n%s", err, text)
	}
}

// Every mistake of a command line is told, all at once, as wrong usage.
func TestCalcRefuses(t *testing.T) {
	void := filepath.Join(t.TempDir(), "void.yaml")
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(string(text), "position_reference:")
	_, tail, _ := strings.Cut(string(text), "\nbrakes:")
	if err := os.WriteFile(void, []byte(head+"brakes:"+tail), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		line string
		says []string
	}{
		{"calc stop --rig R1 --direction up --speed 1.5 --hook-load 30m --friction 9", []string{"--speed", "without a unit", "--hook-load", "want a force", "--friction", "--radius"}},
		{"calc stop --rig R1 --direction up --speed -1m/s --radius 0m", []string{"--speed", "0 or more", "--radius", "more than 0"}},
		{"calc stop --rig R1 --direction up --speed 1m/s --radius 0.4m --wraps 20", []string{"got 2 of them"}},
		{"calc stop --rig R9 --direction up --speed 1m/s --radius 0.4m", []string{"R9", "R1"}},
		{"calc position --rig R1", []string{"got 0 of them, want one"}},
		{"calc position --rig R1 --height -40m", []string{"line on the drum"}},
		{"calc position --rig R1 --counts 100", []string{"state their counts"}},
		{"calc reeving --rig R1 --lines 7", []string{"got 7, want an even number"}},
		{"calc reeving --rig R1 --set reeving.lines=7 --hook-load 1kN", []string{"reeving.lines", "even number"}},
		{"calc stretch --rig R1 --height 50m", []string{"below the crown"}},
		{"calc heat --rig R1", []string{"--power and --for"}},
		{"calc heat --rig R1 --power 5kW", []string{"--for: got nothing"}},
		{"calc line-work --depth 9000ft", []string{"--stand: got nothing", "--pipe: got nothing"}},
		{"calc line-work --form coring --depth 900ft --from 1000ft --stand 93ft --pipe 20lb/ft", []string{"above --depth"}},
		{"calibrate --point height=2m,counts=0 --point height=3m,wraps=4", []string{"all of one kind"}},
		{"calibrate --point height=2,count=0", []string{"without a unit", `key "count"`}},
		{"calc brake --rig " + void + " --height 5m", []string{"void"}},
	} {
		out, err := calculated(row.line)
		var usage usageError
		if !errors.As(err, &usage) || out != "" {
			t.Errorf("%s: got %v, want wrong usage; printed %q", row.line, err, out)
			continue
		}
		for _, want := range row.says {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v; want %q said", row.line, err, want)
			}
		}
	}
	if _, err := calculated("calc position --wraps 20 --rig " + void); err != nil {
		t.Errorf("a void map still has a drum: %v", err)
	}
}

func TestCalibrate(t *testing.T) {
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	m, err := hoist.NewMap(rig)
	if err != nil {
		t.Fatal(err)
	}
	var points []string
	for _, w := range []float64{16, 30, 60, 90, 110, 130, 150} {
		h, _ := json.Marshal(float64(m.Height(w, 294e3)))
		n, _ := json.Marshal((w - 14) * 4096)
		points = append(points, "--point", "height="+string(h)+"m,counts="+string(n)+",hook_load=294kN")
	}
	o := object(t, "calibrate --rig R1 --height-sd 5mm", points...)
	wraps, rise, rms := o["wraps"].(float64), o["layer_rise"].(float64), o["rms_m"].(float64)
	if !(math.Abs(wraps-14) <= 0.02 && math.Abs(rise-0.866) <= 1e-3 && rms <= 1e-4) || o["wraps_solved"] != true || len(o["points"].([]any)) != 7 {
		t.Errorf("wraps %g, rise %g, rms %g m", wraps, rise, rms)
	}
	if text, _ := o["rig_file"].(string); !strings.Contains(text, "position_reference:") || !strings.Contains(text, "counts: 8192") {
		t.Errorf("for the rig file:\n%s", text)
	}
	text, err := calculated("calibrate --rig R1", points[:2]...)
	if err != nil || !strings.Contains(text, "do not tell where layers change") {
		t.Errorf("one point: %v\n%s", err, text)
	}
	_, err = calculated("calibrate --rig R1 --point height=2m,counts=0 --point height=9m,counts=-90000")
	if err == nil || !strings.Contains(err.Error(), "sign of the counts") {
		t.Errorf("turned sign: %v", err)
	}
}

// The examples' power and hoisting speed agree: at full load a drawworks lifts at
// 0.2 to 0.8 m/s (common practice for 550 to 4000 hp; 1500 hp and 1,000,000 lbf on 12
// lines give 38.1 ft/min, a published course solution).
func TestExamplesHoistAtTheirPower(t *testing.T) {
	powers := map[float64]bool{}
	for _, name := range configs.Names() {
		rig, _, err := configs.LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		hp := math.Round(float64(rig.Drawworks.RatedPower) / 745.7)
		powers[hp] = true
		if rig.Drawworks.RatedLoad == 0 {
			continue
		}
		o := object(t, "calc reeving --rig "+name)
		if v := o["hoisting_speed_mps"].(float64); !(v >= 0.2 && v <= 0.8) || !(hp >= 550 && hp <= 4000) {
			t.Errorf("%s: %g hp lifts %g N at %.3f m/s", name, hp, rig.Drawworks.RatedLoad, v)
		}
		if f := o["design_factor"].(float64); !(f >= hoist.LeastDesignFactorCasing) {
			t.Errorf("%s: design factor %.2f at the rated load", name, f)
		}
	}
	if len(powers) < 4 {
		t.Errorf("%d sizes of drawworks among the examples, want 4 or more", len(powers))
	}
}
