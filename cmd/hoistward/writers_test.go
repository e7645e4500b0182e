package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// What a file that is made is, where no row of keptFiles is.
const (
	askedFor = "a command's output, under the name that was asked for"
	passing  = "gone when the program ends, or left only by a kill"
	example  = "a file for people to change: read as any site or rig file"
)

// makers are all functions of the program that make a file, with the rows of what they
// make. Those that only carry another's bytes name the rows of all who use them.
var makers = map[string][]string{
	"alarms/journal/states.go ReplaceFile":          {"state/*.json", "notify/*.json", "pair.json", formsFile},
	"alarms/journal/writer.go openFile":             {"journal.jsonl", "service/*.jsonl"},
	"alarms/notify/outbox.go save":                  {"notify/*.json"},
	"alarms/notify/webhook.go setAside":             {"notify/*.refused.jsonl", "notify/*.before.jsonl"},
	"cmd/hoistward/benchflow.go site":               {passing},
	"cmd/hoistward/benchprocess.go startMosquitto":  {passing},
	"cmd/hoistward/demo.go site":                    {example},
	"cmd/hoistward/demo.go rigFiles":                {example},
	"cmd/hoistward/demogroup.go memberSite":         {example},
	"cmd/hoistward/doctordisk.go syncSpeed":         {passing},
	"cmd/hoistward/export.go table":                 {askedFor},
	"cmd/hoistward/forms.go keepForms":              {formsFile},
	"cmd/hoistward/pairacts.go keep":                {"pair.json"},
	"cmd/hoistward/replay.go output":                {askedFor},
	"cmd/hoistward/report.go put":                   {askedFor},
	"cmd/hoistward/trial.go failure":                {askedFor},
	"cmd/hoistward/truthfile.go newTruthFile":       {"truth/*.csv", askedFor},
	"dashboard/access/accounts.go Write":            {"access/accounts.json"},
	"dashboard/access/audit.go open":                {"access/audit.jsonl*"},
	"dashboard/access/files.go replaceFile":         {"access/accounts.json", "access/sessions.json"},
	"dashboard/access/gate.go save":                 {"access/sessions.json"},
	"ingest/jetstream/servers/servers.go Write":     {example},
	"ingest/jetstream/servers/servers.go WriteLeaf": {example},
	"ingest/npmtest/npmtest.go copyFile":            {passing},
	"ingest/record/source.go open":                  {"recordings/*/*.sqlite"},
	"ingest/record/copy.go syncFile":                {"recordings/*/*.sqlite", "holds.jsonl"},
	"ingest/record/file.go connect":                 {"recordings/*/*.sqlite"},
	"ingest/record/historian/aside.go add":          {"historian/refused.jsonl*"},
	"ingest/record/historian/places.go tryPlaces":   {"historian/places.sqlite"},
	"ingest/record/holds.go WriteHolds":             {"holds.jsonl"},
	"ingest/record/image.go placeFile":              {"recordings/*/*.sqlite"},
	"ingest/record/spool.go begin":                  {"recordings/.spool/*.spool"},
	"ingest/record/lock.go lockFolder":              {"recordings/recorder.lock"},
}

// creating tells whether a call makes a file, or replaces one.
func creating(call *ast.CallExpr) bool {
	switch f := call.Fun.(type) {
	case *ast.SelectorExpr:
		of, _ := f.X.(*ast.Ident)
		if of == nil {
			return false
		}
		switch of.Name + "." + f.Sel.Name {
		case "os.Create", "os.OpenFile", "os.WriteFile", "os.CreateTemp", "sql.Open", "journal.ReplaceFile":
			return true
		}
	case *ast.Ident:
		return f.Name == "replaceFile" || f.Name == "ReplaceFile"
	}
	return false
}

// Each function that makes a file stands in makers with what it makes, and that has a
// row: a new kind of file cannot come without a version having been thought of.
func TestEveryMakerOfFilesIsKnown(t *testing.T) {
	found := map[string]bool{}
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		name := filepath.ToSlash(relative(root, path))
		if err != nil || d.IsDir() {
			if d != nil && d.IsDir() && (d.Name() == "testdata" || name == "cmd/hoistward/package" || strings.HasPrefix(d.Name(), ".") && name != ".") {
				return filepath.SkipDir
			}
			return err
		}
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if call, ok := n.(*ast.CallExpr); ok && creating(call) {
					found[name+" "+f.Name.Name] = true
				}
				return true
			})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]bool{askedFor: true, passing: true, example: true}
	for _, k := range keptFiles {
		rows[k.Path] = true
	}
	for _, name := range slices.Sorted(maps.Keys(found)) {
		if makers[name] == nil {
			t.Errorf("%s makes a file: give it a row in makers, and the file one in keptFiles", name)
		}
	}
	for name, made := range makers {
		for _, row := range made {
			if !rows[row] {
				t.Errorf("%s: %s has no row in keptFiles", name, row)
			}
		}
		if !found[name] {
			t.Errorf("%s makes no file any more: take its row away", name)
		}
	}
}
