// Package testnames lists the tests and fuzz targets of the module, for tables that name the tests
// which show what they say. It may not be used by anything but tests.
package testnames

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// In returns the names of the tests in a folder, which has some.
func In(t testing.TB, folder string) map[string]bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(folder, "*_test.go"))
	if err != nil || len(files) == 0 {
		t.Fatalf("%s: no tests there, %v", folder, err)
	}
	names := map[string]bool{}
	for _, path := range files {
		if err := add(names, path); err != nil {
			t.Fatal(err)
		}
	}
	return names
}

// Below returns the names of the tests in a folder and all below it.
func Below(t testing.TB, root string) map[string]bool {
	t.Helper()
	names := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && path != root && (d.Name() == "testdata" || d.Name() == "node_modules" || strings.HasPrefix(d.Name(), ".")):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(path, "_test.go"):
			return nil
		}
		return add(names, path)
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func add(names map[string]bool, path string) error {
	file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
	if err != nil {
		return err
	}
	for _, decl := range file.Decls {
		f, ok := decl.(*ast.FuncDecl)
		if ok && f.Recv == nil && (strings.HasPrefix(f.Name.Name, "Test") || strings.HasPrefix(f.Name.Name, "Fuzz")) {
			names[f.Name.Name] = true
		}
	}
	return nil
}
