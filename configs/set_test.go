package configs

import (
	"bytes"
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// oneDifference returns the parts of a and b between their common beginning and
// end.
func oneDifference(a, b []byte) (left, right string) {
	i := 0
	for i < min(len(a), len(b)) && a[i] == b[i] {
		i++
	}
	j := 0
	for j < min(len(a), len(b))-i && a[len(a)-1-j] == b[len(b)-1-j] {
		j++
	}
	return string(a[i : len(a)-j]), string(b[i : len(b)-j])
}

func TestSetChangesOneValueAndNoOtherByte(t *testing.T) {
	type place struct {
		text []byte
		path string
		raw  string
	}
	var places []place
	for _, name := range Names() {
		_, text, err := LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		windows := bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n"))
		r, _ := readRig(name, text)
		for _, path := range slices.Sorted(maps.Keys(r.raw)) {
			places = append(places, place{text, path, r.raw[path]}, place{windows, path, r.raw[path]})
		}
	}
	values := rapid.OneOf(rapid.SampledFrom([]string{"0.6s", "12 %", "", "a: b", "# no", "it's", "{", "[x", "- 1", "*a", "null", "!x", "\"q\"", "'", "°C 5", "a, b", "}"}),
		rapid.StringOfN(rapid.RuneFrom([]rune(" #:{}[],'\"\\&*!|>%@`abc019.-°")), 0, 12, -1))
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(places).Draw(t, "place")
		value := values.Draw(t, "value")
		changed, err := Set(p.text, p.path, value)
		if err != nil {
			t.Fatal(err)
		}
		left, right := oneDifference(p.text, changed)
		if strings.ContainsAny(left+right, "\r\n") {
			t.Fatalf("%s: %q became %q, over more than a line", p.path, left, right)
		}
		r, _ := readRig("changed", changed)
		before, _ := readRig("before", p.text)
		for path, raw := range before.raw {
			want := raw
			if path == p.path {
				want = value
			}
			if got, there := r.raw[path]; there && got != want {
				t.Fatalf("set %s to %q: %s reads %q, want %q", p.path, value, path, got, want)
			}
		}
	})
}

func TestSetByHand(t *testing.T) {
	const text = "# a rig\nrig: 'R ''9'   # name\ndrawworks: {drum: {inertia: \"3 \\\"kg\", layer_rise: 0.9}, drive: {release: 0.4 s}}\n"
	tests := []struct{ path, value, want string }{
		{"rig", "R1", "# a rig\nrig: R1   # name\ndrawworks: {drum: {inertia: \"3 \\\"kg\", layer_rise: 0.9}, drive: {release: 0.4 s}}\n"},
		{"drawworks.drum.inertia", "5 kg.m2", "# a rig\nrig: 'R ''9'   # name\ndrawworks: {drum: {inertia: 5 kg.m2, layer_rise: 0.9}, drive: {release: 0.4 s}}\n"},
		{"drawworks.drive.release", "a, b: c", "# a rig\nrig: 'R ''9'   # name\ndrawworks: {drum: {inertia: \"3 \\\"kg\", layer_rise: 0.9}, drive: {release: 'a, b: c'}}\n"},
	}
	// Columns count characters, not bytes.
	if got, err := Set([]byte("a: {\"°é\": 1, b: 2}\n"), "a.b", "3"); err != nil || string(got) != "a: {\"°é\": 1, b: 3}\n" {
		t.Errorf("after letters of two bytes: %q, %v", got, err)
	}
	for _, tt := range tests {
		got, err := Set([]byte(text), tt.path, tt.value)
		if err != nil {
			t.Errorf("%s: %v", tt.path, err)
			continue
		}
		if string(got) != tt.want {
			t.Errorf("%s:\n got %q\nwant %q", tt.path, got, tt.want)
		}
	}
}

func TestSetPutsInAnOptionalKey(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	changed, err := Set(text, "brakes.heat.ambient", "-10 degC")
	if err != nil {
		t.Fatal(err)
	}
	if _, added := oneDifference(text, changed); strings.Count(added, "\n") != 1 {
		t.Errorf("added %q, want one line", added)
	}
	if !bytes.Contains(changed, []byte("  heat:\n    ambient: -10 degC\n    mass: 1800 kg\n")) {
		t.Errorf("the key stands elsewhere:\n%s", changed)
	}
	rig, problems := ReadRig("R1", changed)
	if len(problems) > 0 || rig.Heat.Ambient != 263.15 {
		t.Errorf("ambient %v with problems %v, want 263.15 K", rig.Heat.Ambient, problems)
	}
}

func TestSetRefusals(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct{ path, value, want string }{
		{"drawworks.drive.relaese", "1 s", `"drawworks.drive.release" perhaps`},
		{"drawwork.drive.release", "1 s", `no such key (drawwork), want "drawworks" perhaps`},
		{"colour", "red", "want one of brakes, drawworks, due, line"},
		{"brakes", "none", "got a group of keys, want the path of a single value"},
		{"brakes.service.fade", "none", "got a list, want the path of a single value"},
		{"brakes.service.fade[2].factor", "1", "no such key (brakes.service.fade[2])"},
		{"brakes.service.fade[01].factor", "1", "no such key"},
		{"brakes.service.bands", "2", "no such key (brakes.service.bands)"},
		{"rig.name", "x", "no such key (rig.name)"},
		{"rig", "a\nb", "want a value of one line"},
		{"", "x", "no such key"},
		{"brakes.service.", "x", "no such key"},
		{"[0]", "x", "no such key"},
	}
	for _, tt := range tests {
		changed, err := Set(text, tt.path, tt.value)
		if err == nil || changed != nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "set "+tt.path+": got ") {
			t.Errorf("%s=%q: error %v, want one with %q", tt.path, tt.value, err, tt.want)
		}
	}
	for _, text := range []string{"", "# nothing", "rig: [", "- a", "rig: |\n  R1\n", "rig: !x R1\n", "rig: &a R1\n", "rig: R\n  1\n", "rig: \"R\n  1\"\n"} {
		if changed, err := Set([]byte(text), "rig", "R2"); err == nil {
			t.Errorf("%q: became %q, want an error", text, changed)
		}
	}
	void := strings.Replace(string(text), "position_reference:", "other:", 1)
	if _, err := Set([]byte(void), "position_reference.wraps", "3"); err == nil || !strings.Contains(err.Error(), "a file without position_reference") {
		t.Errorf("a group that is not there: %v", err)
	}
}
