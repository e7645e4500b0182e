package simulator

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// allowed are the only things of hoist that the plant may name: what a rig is.
// Its physics is the detectors' own, and a plant that shared it would prove
// nothing about them.
var allowed = map[string]bool{
	"Rig": true, "Drawworks": true, "Drum": true, "Encoder": true, "Line": true, "Reeving": true, "Mast": true,
	"Reference": true, "ServiceBrake": true, "EmergencyBrake": true, "HeatModel": true, "AuxiliaryBrake": true,
	"Uncertainty": true, "FadeCurve": true, "FadePoint": true,
	"BrakeKind": true, "DiscBrake": true, "BandBrake": true,
	"AuxiliaryKind": true, "NoAuxiliary": true, "EddyCurrent": true, "Hydrodynamic": true, "MotorBraking": true,
}

var forbiddenImports = map[string]string{
	"hoistward/detect":    "the plant must not know how it is watched",
	"hoistward/alarms":    "arrows point inward",
	"hoistward/dashboard": "arrows point inward",
	"hoistward/cmd":       "nobody imports cmd",
	"net":                 "I/O belongs in simulator/publish",
	"net/http":            "I/O belongs in simulator/publish",
}

// methods of hoist's types that would smuggle its physics in: a call on a field
// of the rig. The rig's own fields are plain numbers, so none is needed.
func TestPlantIsIndependent(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		for _, problem := range offences(t, name, nil) {
			t.Error(problem)
		}
	}
}

// The check itself is shown to bite.
func TestIndependenceCheckBites(t *testing.T) {
	for what, src := range map[string]string{
		"forbidden import":    "package x\nimport _ \"hoistward/detect\"",
		"physics by name":     "package x\nimport \"hoistward/detect/hoist\"\nvar y = hoist.Stop",
		"physics by a method": "package x\nimport \"hoistward/detect/hoist\"\nfunc f(r *hoist.Rig) float64 { return r.Service.Fade.Factor(3) }",
		"clock":               "package x\nimport \"time\"\nvar y = time.Now()",
	} {
		if len(offences(t, "x.go", src)) == 0 {
			t.Errorf("%s was not seen", what)
		}
	}
}

func offences(t *testing.T, name string, src any) (found []string) {
	t.Helper()
	set := token.NewFileSet()
	f, err := parser.ParseFile(set, name, src, 0)
	if err != nil {
		t.Fatal(err)
	}
	at := func(n ast.Node) string { return set.Position(n.Pos()).String() + ": " }
	for _, im := range f.Imports {
		path, _ := strconv.Unquote(im.Path.Value)
		for bad, why := range forbiddenImports {
			if path == bad || (strings.HasPrefix(path, bad+"/") && path != "hoistward/detect/hoist") {
				found = append(found, at(im)+"imports "+path+": "+why)
			}
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if call, ok := n.(*ast.CallExpr); ok {
			if chain := selectors(call.Fun); ofRig(chain) {
				found = append(found, at(n)+"calls "+strings.Join(chain, ".")+": hoist's physics")
			}
		}
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		id, ok := sel.X.(*ast.Ident)
		switch {
		case ok && id.Name == "hoist" && !allowed[sel.Sel.Name]:
			found = append(found, at(n)+"uses hoist."+sel.Sel.Name)
		case ok && id.Name == "time" && sel.Sel.Name == "Now":
			found = append(found, at(n)+"reads a clock")
		}
		return true
	})
	return found
}

func selectors(e ast.Expr) []string {
	switch x := e.(type) {
	case *ast.SelectorExpr:
		return append(selectors(x.X), x.Sel.Name)
	case *ast.Ident:
		return []string{x.Name}
	}
	return nil
}

// rigParts are the fields of a rig; a call through one is a call of hoist's.
func ofRig(chain []string) bool {
	if len(chain) < 2 {
		return false
	}
	parts := map[string]bool{"rig": true, "Drawworks": true, "Line": true, "Reeving": true, "Mast": true, "Reference": true,
		"Service": true, "Emergency": true, "Heat": true, "Auxiliary": true, "Uncertainty": true, "Drum": true, "Fade": true}
	for _, p := range chain[:len(chain)-1] {
		if parts[p] {
			return true
		}
	}
	return false
}
