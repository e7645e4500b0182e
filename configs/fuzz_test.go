package configs

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"pgregory.net/rapid"
)

// notFinite returns the first number in v that is NaN or infinite.
func notFinite(v reflect.Value, path string) string {
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Sprintf("%s is %v", path, x)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if at := notFinite(v.Field(i), path+"."+v.Type().Field(i).Name); at != "" {
				return at
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			if at := notFinite(v.Index(i), fmt.Sprintf("%s[%d]", path, i)); at != "" {
				return at
			}
		}
	}
	return ""
}

// checkRead holds one reading to what must be so for any text.
func checkRead(t interface{ Fatalf(string, ...any) }, text []byte) {
	rig, problems := ReadRig("any.yaml", text)
	if len(problems) == 0 {
		if at := notFinite(reflect.ValueOf(*rig), "rig"); at != "" {
			t.Fatalf("no problem, but %s", at)
		}
		if left := rig.Validate(); len(left) > 0 {
			t.Fatalf("no problem, but Validate says %v", left)
		}
	}
	lines := 1
	for _, end := range []string{"\n", "\r", "\u0085", "\u2028", "\u2029"} { // line breaks of YAML
		lines += strings.Count(string(text), end)
	}
	for _, p := range problems {
		if p.Got == "" || p.Want == "" || p.Line < 0 || p.Line > lines+1 || strings.Contains(p.Key, "\n") {
			t.Fatalf("problem without a place or a text: %+v", p)
		}
	}
	site, problems := ReadSite("any.yaml", text)
	if len(problems) > 0 {
		return
	}
	for _, s := range site.Sources {
		if errs := s.Mapping.Check(); len(errs) > 0 {
			t.Fatalf("no problem, but the mapping is not fit for use: %v", errs)
		}
		for _, c := range s.Mapping.Channels {
			if at := notFinite(reflect.ValueOf(c), "channel"); at != "" {
				t.Fatalf("no problem, but %s", at)
			}
			if c.Mapped && (c.Scale == 0 || !(c.Low < c.High) || c.Field == "") {
				t.Fatalf("no problem, but the channel is mapped by %+v", c)
			}
		}
	}
}

func seeds(t testing.TB) (all [][]byte) {
	t.Helper()
	paths, err := filepath.Glob("../testdata/configs/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatalf("seeds: %v, %d files", err, len(paths))
	}
	for _, path := range append(paths, "site.yaml", "R1.yaml", "R3.yaml", "R5.yaml") {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, text)
	}
	return all
}

func FuzzRead(f *testing.F) {
	for _, text := range seeds(f) {
		f.Add(text)
	}
	f.Add([]byte("a: &a [*a]"))
	f.Add([]byte("rig: \xff"))
	f.Add([]byte("\ufeffrig: R1"))
	f.Add([]byte("? \n: x"))
	f.Add([]byte("'a&[  *a  ]a\r\r\r\r&[a*a]"))
	f.Fuzz(func(t *testing.T, text []byte) { checkRead(t, text) })
}

func FuzzSet(f *testing.F) {
	for _, text := range seeds(f) {
		f.Add(text, "rig", "R2")
		f.Add(text, "brakes.service.fade[1].factor", "0.5")
		f.Add(text, "brakes.heat.ambient", "0 degC")
	}
	f.Fuzz(func(t *testing.T, text []byte, path, value string) {
		changed, err := Set(text, path, value)
		if err == nil && follow(parsed(t, changed), pathSteps(path)[0]) == nil {
			t.Fatalf("set %q in %q: the key is gone from %q", path, text, changed)
		}
	})
}

func parsed(t *testing.T, text []byte) *yaml.Node {
	t.Helper()
	root, err := parse(text)
	if err != nil {
		t.Fatalf("set made a text that is not YAML: %v\n%s", err, text)
	}
	return root
}

// TestAnyDamageIsRead takes good files and damages lines and values: what reads
// without a problem holds only finite numbers, and nothing panics.
func TestAnyDamageIsRead(t *testing.T) {
	good := seeds(t)
	nasty := []string{"NaN", ".nan", "-.inf m", "1e999 m", "1e308 GPa", "-1 m", "0", "0 s", "1e-320 m", "~", "*x", "&x 1 m", "[]", "{}", "0x1p2000 m", "2 %", "9e15", "!!float 1", "\"\"", "999999999999999999999", "-5", "1e300 t"}
	rapid.Check(t, func(t *rapid.T) {
		lines := strings.Split(string(rapid.SampledFrom(good).Draw(t, "file")), "\n")
		for range rapid.IntRange(1, 6).Draw(t, "damages") {
			i := rapid.IntRange(0, len(lines)-1).Draw(t, "line")
			switch rapid.IntRange(0, 3).Draw(t, "damage") {
			case 0:
				lines = slices.Delete(lines, i, i+1)
				lines = append(lines, "")
			case 1:
				lines = slices.Insert(lines, i, lines[rapid.IntRange(0, len(lines)-1).Draw(t, "other")])
			case 2:
				lines[i] = " " + lines[i]
			default:
				if key, _, ok := strings.Cut(lines[i], ":"); ok {
					lines[i] = key + ": " + rapid.SampledFrom(nasty).Draw(t, "value")
				}
			}
		}
		checkRead(t, []byte(strings.Join(lines, "\n")))
	})
}

// TestAnyValueIsRead sets nasty values through the keys themselves, where damage
// to lines seldom leaves a file whole enough.
func TestAnyValueIsRead(t *testing.T) {
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	all := append(append([]number{}, r1Numbers...), standardNumbers...)
	rapid.Check(t, func(t *rapid.T) {
		now := text
		for range rapid.IntRange(1, 4).Draw(t, "keys") {
			n := rapid.SampledFrom(all).Draw(t, "key")
			x := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, -1, 1e-300, 1e300, 1e307})).Draw(t, "value")
			unit := strings.TrimPrefix(n.unit, "whole")
			changed, err := Set(now, n.path, strings.TrimSpace(fmt.Sprintf("%g %s", x, unit)))
			if err != nil {
				t.Fatal(err)
			}
			now = changed
		}
		checkRead(t, now)
	})
}
