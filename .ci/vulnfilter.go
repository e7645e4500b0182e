// Reads what govulncheck -format json found and says of each weakness how near it is:
// called, imported, or only in a module that something of it is imported from. It fails
// for whatever is imported of a module that we chose, and for what is called of Go itself,
// whose release go.mod chooses.
package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
)

// nearness of a weakness.
const (
	inModule = iota
	imported
	called
)

var near = [...]string{"not imported", "imported", "called"}

type finding struct {
	OSV   string
	Fixed string `json:"fixed_version"`
	Trace []struct{ Module, Version, Package, Function string }
}

func (f *finding) near() int {
	switch t := f.Trace[0]; {
	case t.Function != "":
		return called
	case t.Package != "":
		return imported
	}
	return inModule
}

// weakness is one of a module.
type weakness struct{ osv, module, version, fixed string }

func main() {
	scanned, level, found, err := read(os.Stdin)
	if err == nil && !scanned {
		err = errors.New("govulncheck has not looked at the modules")
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "vulnfilter:", err)
		os.Exit(1)
	}
	bad := 0
	for _, w := range slices.SortedFunc(maps.Keys(found), func(a, b weakness) int { return slices.Compare([]string{a.module, a.osv}, []string{b.module, b.osv}) }) {
		n := found[w]
		if w.module != "stdlib" && n >= imported || w.module == "stdlib" && n == called {
			bad++
		}
		fmt.Printf("%s in %s %s, fixed in %s: %s\n", w.osv, w.module, w.version, w.fixed, near[n])
	}
	if level != "symbol" {
		fmt.Println("calls were not followed")
	}
	if bad > 0 {
		fmt.Fprintf(os.Stderr, "vulnfilter: %d that count\n", bad)
		os.Exit(1)
	}
	fmt.Println("none imported of a module that we chose")
}

// read takes the nearest of each weakness.
func read(r io.Reader) (scanned bool, level string, found map[weakness]int, err error) {
	found = map[weakness]int{}
	for d := json.NewDecoder(r); ; {
		var m struct {
			Config *struct {
				Level string `json:"scan_level"`
			}
			SBOM    *struct{ Modules []struct{ Path string } }
			Finding *finding
		}
		err := d.Decode(&m)
		if errors.Is(err, io.EOF) {
			return scanned, level, found, nil
		}
		if err != nil {
			return scanned, level, found, err
		}
		scanned = scanned || m.SBOM != nil && len(m.SBOM.Modules) > 20
		if m.Config != nil {
			level = m.Config.Level
		}
		if f := m.Finding; f != nil && len(f.Trace) > 0 {
			t := f.Trace[0]
			w := weakness{f.OSV, t.Module, t.Version, f.Fixed}
			found[w] = max(found[w], f.near())
		}
	}
}
