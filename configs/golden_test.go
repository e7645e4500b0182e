package configs

import (
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files of ../testdata/configs anew")

const bad = "../testdata/configs"

func badFiles(t *testing.T) []string {
	t.Helper()
	rigs, err := filepath.Glob(bad + "/rig-*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	sites, err := filepath.Glob(bad + "/site-*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(rigs) == 0 || len(sites) == 0 {
		t.Fatalf("%d rig files and %d site files in %s, want some of each", len(rigs), len(sites), bad)
	}
	return append(rigs, sites...)
}

// report is what a check prints, with the folder of the test files taken off.
func report(path string) string {
	var b strings.Builder
	found := Inspect(path)
	for _, p := range found.Problems {
		b.WriteString(p.String() + "\n")
	}
	for _, n := range found.Notes {
		b.WriteString(n.String() + "\n")
	}
	return strings.ReplaceAll(b.String(), bad+"/", "")
}

func TestGolden(t *testing.T) {
	for _, path := range badFiles(t) {
		t.Run(filepath.Base(path), func(t *testing.T) {
			got := report(path)
			golden := strings.TrimSuffix(path, ".yaml") + ".golden"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got == "" {
				t.Error("no problem, want some: the file is there for its mistakes")
			}
			if d := cmp.Diff(string(want), got); d != "" {
				t.Errorf("report differs from %s (-want +got):\n%s", golden, d)
			}
		})
	}
}

// TestEveryKindOfMistakeIsShown holds the golden files to the list of mistakes
// that a check must find.
func TestEveryKindOfMistakeIsShown(t *testing.T) {
	var all strings.Builder
	for _, path := range badFiles(t) {
		all.WriteString(report(path))
	}
	kinds := map[string]string{
		"unknown key with a near one":    `relaese: got an unknown key, want "release" perhaps`,
		"unknown key":                    `colour: got an unknown key, want no such key; known here: kind, `,
		"doubled key":                    `line\.diameter: got the key a second time \(first in line \d+\), want it once`,
		"second document":                `got a second document`,
		"missing key":                    `travelling_mass: got nothing`,
		"missing group":                  `brakes: got nothing, want a group of keys`,
		"empty value":                    `rig-shapes.yaml:\d+: travelling_mass: got nothing`,
		"empty file":                     `got an empty file`,
		"not YAML":                       `got text that is not YAML`,
		"group for a value":              `elastic_modulus: got a group of keys`,
		"value for a group":              `encoder: got "4096", want a group of keys`,
		"list for a group":               `reeving: got a list`,
		"empty list":                     `fade: got an empty list`,
		"alias":                          `got an alias`,
		"anchor":                         `got an anchor`,
		"merge":                          `got a merge`,
		"no unit":                        `root_diameter: got "762" without a unit`,
		"another dimension":              `rated_power: got "2000 kg", a mass, want a power`,
		"unknown unit":                   `metallic_area: got the unit "furlong"`,
		"not a number":                   `groove_pitch: got "thirty-six"`,
		"infinite":                       `counts_per_revolution: got ".inf"`,
		"too large for a number":         `full_pressure: got .?1e308 GPa.*want a .*pressure`,
		"negative":                       `drum\.inertia: got -3000 kg\.m2`,
		"lines odd":                      `reeving\.lines: got 7, want an even number from 4 to 16`,
		"rise":                           `layer_rise: got 0\.5, want 0\.84 to 1`,
		"counter bits":                   `counter_bits: got 64, want a whole number from 8 to 53`,
		"wraps per layer":                `wraps_per_layer: got 4000`,
		"not a time":                     `set_at: got "yesterday"`,
		"unknown word":                   `service\.kind: got "drum", want disc or band`,
		"zero uncertainty":               `uncertainty\.friction: got 0,`,
		"negative uncertainty":           `uncertainty\.dead_time: got -0\.05 s`,
		"percent forgotten":              `uncertainty\.hook_load: got 2, want above 0 and at most 50 %`,
		"crown limit above crown":        `mast\.crown_limit: got 45\.0 m, want a height below mast\.crown_height`,
		"trip above limit":               `mast\.crown_saver_trip: got 41\.5 m, want at most mast\.crown_limit`,
		"floor limit above crown limit":  `mast\.floor_limit: got 41\.2 m`,
		"reference above crown":          `position_reference\.block_height: got 50 m`,
		"red below amber":                `brakes\.heat\.red: got 200 degC, want above brakes\.heat\.amber`,
		"amber below ambient":            `brakes\.heat\.amber: got 250 K`,
		"fade not rising":                `fade\[1\]\.temperature: got 240 degC, want above`,
		"fade factor":                    `fade\[1\]\.factor: got 6`,
		"friction":                       `brakes\.service\.friction: got 0\.04`,
		"key of another kind":            `service\.bands: got the key, want no such key with kind: disc`,
		"replicas of a group":            `group\.replicas: got 2, want 1, 3 or 5`,
		"topic of a group":               `sources\[0\]\.topic: got "rigs/\{rig\}/readings", want hoist/\{rig\}/readings with a group`,
		"other host":                     `listen: got "0\.0\.0\.0:8077", want a loopback host.*without the group tls`,
		"password in the file":           `password: got a password in the file`,
		"user in the broker's address":   `broker: got a user in the address`,
		"broker's scheme":                `broker: got "mqtt\.example:1883"`,
		"broker without port":            `broker: got "tcp://127\.0\.0\.1"`,
		"wildcard in the topic":          `topic: got "hoist/\+/readings", want no \+`,
		"two {rig}":                      `topic: got "hoist/\{rig\}/\{rig\}"`,
		"{rig} in part of a level":       `topic: got "hoist/rig-\{rig\}/readings"`,
		"space in the topic":             `topic: got "hoist / \{rig\}", want no spaces`,
		"own alarms":                     `topic: got "hoist/\{rig\}/alarms", where the monitor itself`,
		"qos":                            `qos: got 2, want a whole number from 0 to 1`,
		"channel without unit":           `block_height\.unit: got nothing`,
		"channel's unit of another kind": `hook_load\.unit: got "kg", a unit of mass`,
		"unit on a plain number":         `drum_counts\.unit: got a unit, want none`,
		"unknown channel":                `brake_presure: got an unknown key, want "brake_pressure" perhaps`,
		"range backwards":                `hook_load\.range: got 5 MN to -20 kN`,
		"null that is no number":         `null\[0\]: got "none"`,
		"two channels of one field":      `dead_line_tension\.field: got "load", which hook_load is read from`,
		"channel of the time's field":    `block_height\.field: got "block_height", which the time is read from`,
		"two sources of one name":        `sources\[1\]\.name: got "one" a second time`,
		"one client id twice":            `client_id: got "watcher", which four uses`,
		"key without certificate":        `key_file: got the key without certificate_file`,
		"file not there":                 `password_file: got "no-such-file", which is not there`,
		"rig file not there":             `rigs\[4\]\.file: got "no-such-rig\.yaml", which is not there`,
		"two rigs of one name":           `rigs\[1\]\.file: got a second rig named "R1"`,
		"one rig file twice":             `rigs\[2\]\.file: got "R1", want each rig file once`,
		"no rigs":                        `rigs: got an empty list`,
		"a rig file's own mistake":       `rig-limits\.yaml:\d+: mast\.crown_height: got "44\.0" without a unit`,
		"note of a missing channel":      `note: without drum_speed the monitor cannot answer`,
	}
	for kind, pattern := range kinds {
		if !regexp.MustCompile(pattern).MatchString(all.String()) {
			t.Errorf("%s: no line of the reports matches %s", kind, pattern)
		}
	}
}

func TestProblemsAreInOrderOfLine(t *testing.T) {
	for _, path := range badFiles(t) {
		last := map[string]int{}
		for _, p := range Check(path) {
			if p.Line < last[p.File] {
				t.Errorf("%s stands after line %d", p, last[p.File])
			}
			last[p.File] = p.Line
		}
	}
}
