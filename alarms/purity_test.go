package alarms

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The package is decisions only: what it imports cannot read a clock, a file or a
// socket, and of package time it uses no function that does.
func TestDecisionsOnly(t *testing.T) {
	allowed := strings.Fields("bytes cmp encoding/json errors fmt hash/crc32 io iter maps math slices strconv strings text/tabwriter time unicode/utf8")
	clocks := strings.Fields("Now Since Until After AfterFunc Tick NewTimer NewTicker Sleep Local")
	names, err := filepath.Glob("*.go")
	if err != nil || len(names) < 10 {
		t.Fatalf("%d files, %v", len(names), err)
	}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, spec := range file.Imports {
			if path, _ := strconv.Unquote(spec.Path.Value); !slices.Contains(allowed, path) {
				t.Errorf("%s imports %s", name, path)
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clocks, s.Sel.Name) {
					t.Errorf("%s uses time.%s", name, s.Sel.Name)
				}
			}
			if _, ok := n.(*ast.GoStmt); ok {
				t.Errorf("%s starts a goroutine", name)
			}
			return true
		})
	}
}

// A change of a rule (a delay, a limit at the detector, a text) keeps the alarm's
// history: the next evaluation is by the new rule.
func TestAChangedRuleKeepsTheHistory(t *testing.T) {
	old := Rule{Name: "changed", Priority: Medium}
	a := reach(t, &old, "bA")
	fresh := Rule{Name: "changed", Priority: Medium, OffDelay: 3e9, Meaning: "said better"}
	no := Input{Condition: Over(260, 270)} // the limit was 250
	is, all := settle(t, &fresh, a, second(2), no)
	if is.State != Acknowledged || is.Version != a.Version || is.AcknowledgedBy != a.AcknowledgedBy || len(all) != 0 {
		t.Errorf("the change alone moved it: %+v, %+v", is, all)
	}
	is, _ = settle(t, &fresh, is, second(4), no)
	is, _ = settle(t, &fresh, is, second(5), no)
	if is.State != Normal || is.Occurrence != 1 {
		t.Errorf("%v, occurrence %d, want normal, 1", is.State, is.Occurrence)
	}
}
