package main

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The bill of a built program is that of the go command's own reading of the file.
func TestBillOfMaterials(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program")
	}
	file := filepath.Join(t.TempDir(), "hoistward")
	if out, err := exec.Command("go", "build", "-o", file, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	run := func(name string, args ...string) []byte {
		t.Helper()
		out, err := exec.Command(name, args...).Output()
		if err != nil {
			t.Fatal(name, args, err)
		}
		return out
	}
	text := run(file, "version", "--modules", "--json")
	var b bom
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&b); err != nil {
		t.Fatal(err)
	}
	if b.Format != "CycloneDX" || b.Spec != "1.6" || !regexp.MustCompile(`^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`).MatchString(b.Serial) {
		t.Errorf("%s %s %s", b.Format, b.Spec, b.Serial)
	}
	if again := run(file, "version", "--modules", "--json"); !bytes.Equal(text, again) {
		t.Error("two bills of one program differ")
	}
	billed := map[string]string{}
	for _, c := range b.Components {
		sum := ""
		if len(c.Properties) > 0 {
			sum = c.Properties[0].Value
		}
		billed[c.Name+" "+c.Version] = sum
		if c.PURL != "pkg:golang/"+c.Name+"@"+c.Version {
			t.Errorf("%s: %s", c.Name, c.PURL)
		}
	}
	n := 0
	for line := range strings.Lines(string(run("go", "version", "-m", file))) {
		if f := strings.Fields(line); len(f) == 4 && f[0] == "dep" {
			n++
			if sum, ok := billed[f[1]+" "+f[2]]; !ok || sum != f[3] {
				t.Errorf("%s %s is billed %v with %q, want %q", f[1], f[2], ok, sum, f[3])
			}
		}
	}
	if n < 20 || len(b.Components) != n+1 || len(b.DependsOn) != 1 || len(b.DependsOn[0].DependsOn) != n+1 {
		t.Errorf("%d modules, %d components, %v", n, len(b.Components), b.DependsOn)
	}
	var v built
	if err := json.Unmarshal(run(file, "version", "--json"), &v); err != nil || v.Program != "hoistward" || v.Modules != n || !strings.HasPrefix(v.Go, "go1.") {
		t.Errorf("%+v, %v", v, err)
	}
	if list := string(run(file, "version", "--modules")); strings.Count(list, "\n") != n+1 || !strings.Contains(list, "github.com/gorilla/websocket") {
		t.Errorf("list of %d lines", strings.Count(list, "\n"))
	}
}
