// Reads what govulncheck -format json found and fails for whatever is in a module that
// we chose. What is in the Go release itself is told and fails nothing: a newer Go
// is the machine's to install, and every build says its own (hoistward version --json).
package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
)

func main() {
	var scanned bool
	found := map[string][]string{}
	for d := json.NewDecoder(os.Stdin); ; {
		var m struct {
			SBOM    *struct{ Modules []struct{ Path string } }
			Finding *struct {
				OSV   string
				Fixed string `json:"fixed_version"`
				Trace []struct{ Module, Version, Package, Function string }
			}
		}
		err := d.Decode(&m)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, "vulnfilter:", err)
			os.Exit(1)
		}
		scanned = scanned || m.SBOM != nil && len(m.SBOM.Modules) > 20
		if f := m.Finding; f != nil && len(f.Trace) > 0 {
			t := f.Trace[0]
			words := fmt.Sprintf("%s in %s %s, fixed in %s", f.OSV, t.Module, t.Version, f.Fixed)
			if !slices.Contains(found[t.Module], words) {
				found[t.Module] = append(found[t.Module], words)
			}
		}
	}
	if !scanned {
		fmt.Fprintln(os.Stderr, "vulnfilter: govulncheck has not looked at the modules")
		os.Exit(1)
	}
	ours := 0
	for module, list := range found {
		if module != "stdlib" {
			ours += len(list)
		}
		for _, words := range list {
			fmt.Println(words)
		}
	}
	if ours > 0 {
		fmt.Fprintf(os.Stderr, "vulnfilter: %d in modules that we chose\n", ours)
		os.Exit(1)
	}
	fmt.Println("none in a module that we chose")
}
