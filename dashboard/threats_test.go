package dashboard

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"go/ast"
)

// Every threat names tests that show how it is met, and each of these is there.
func TestThreatsNameTests(t *testing.T) {
	text, err := os.ReadFile("THREATS.md")
	if err != nil {
		t.Fatal(err)
	}
	known, named, rows := testsBelow(t, ".."), regexp.MustCompile("`(Test[A-Za-z0-9]+)`"), 0
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(strings.TrimSpace(line), " | ")
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "|---") || strings.HasPrefix(line, "| who, what") {
			continue
		}
		rows++
		if len(cells) != 3 {
			t.Errorf("a row of %d cells, want who and what, how it is met, shown by: %s", len(cells), line)
			continue
		}
		tests := named.FindAllStringSubmatch(cells[2], -1)
		if len(tests) == 0 {
			t.Errorf("no test shows how this is met: %s", cells[0])
		}
		for _, name := range tests {
			if !known[name[1]] {
				t.Errorf("%s is no test: %s", name[1], cells[0])
			}
		}
	}
	if rows < 40 {
		t.Errorf("%d rows are read", rows)
	}
}

// testsBelow are the names of the test functions of the module's packages.
func testsBelow(t *testing.T, root string) map[string]bool {
	t.Helper()
	names := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "testdata" || d.Name() == "node_modules" || strings.HasPrefix(d.Name(), ".") && d.Name() != ".."):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(path, "_test.go"):
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, decl := range file.Decls {
			if f, ok := decl.(*ast.FuncDecl); ok && f.Recv == nil {
				names[f.Name.Name] = true
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}
