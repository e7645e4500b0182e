package dashboard_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"hoistward/dashboard"
)

// Every src, href and import in the assets leads to a file that this server serves,
// nothing leads to another host, and no page carries script or style of its own.
func TestEveryReferenceIsServed(t *testing.T) {
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}})
	files, err := filepath.Glob("assets/*")
	if err != nil || len(files) == 0 {
		t.Fatalf("no assets: %v", err)
	}
	reference := regexp.MustCompile(`(?:src|href)="([^"]*)"|(?:from|import)\s*\(?\s*"([^"]*)"|url\(\s*["']?([^"')]*)`)
	foreign := regexp.MustCompile(`(?:https?:)?//[a-z0-9.-]+\.[a-z]`)
	inline := regexp.MustCompile(`<style|\sstyle=|\son[a-z]+=|<script(?:\s+type="module")?\s*>|javascript:`)
	served := map[string]bool{}
	files = slices.DeleteFunc(files, func(file string) bool { return filepath.Ext(file) == "" }) // folders
	for _, file := range files {
		raw, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		text := string(raw)
		if m := foreign.FindString(strings.ReplaceAll(text, "http://www.w3.org/2000/svg", "")); m != "" {
			t.Errorf("%s leads to another host: %s", file, m)
		}
		if filepath.Ext(file) == ".html" {
			if m := inline.FindString(text); m != "" {
				t.Errorf("%s carries %q, which the policy refuses", file, m)
			}
		}
		for _, m := range reference.FindAllStringSubmatch(text, -1) {
			path := m[1] + m[2] + m[3]
			path = strings.ReplaceAll(path, "{{.Rig}}", rigName)
			if place, within := strings.CutPrefix(path, "#"); within {
				if !strings.Contains(text, `id="`+place+`"`) {
					t.Errorf("%s leads to %q, which is not in it", file, path)
				}
				continue
			}
			if strings.HasPrefix(path, "./") {
				path = "/assets/" + path[2:]
			}
			if strings.HasPrefix(path, "#") { // within the same picture
				continue
			}
			if !strings.HasPrefix(path, "/") {
				t.Errorf("%s: reference %q does not start with / or ./", file, path)
				continue
			}
			if w := ask(t, s, "GET", path, ""); w.Code != 200 {
				t.Errorf("%s: %s answers %d", file, path, w.Code)
			}
			served[path] = true
		}
	}
	for _, file := range files {
		if ext := filepath.Ext(file); ext != ".html" && !served["/assets/"+filepath.Base(file)] {
			t.Errorf("%s is embedded and nothing leads to it", file)
		}
	}
}

// What others wrote is served as they wrote it: each vendored file has the digest that
// its SHA256SUMS states, and its licence beside it.
func TestVendoredFilesAreUnchanged(t *testing.T) {
	lists, err := filepath.Glob("assets/vendor/*/SHA256SUMS")
	if err != nil || len(lists) == 0 {
		t.Fatalf("no vendored files: %v", err)
	}
	for _, list := range lists {
		dir := filepath.Dir(list)
		stated := map[string]string{}
		text, err := os.ReadFile(list)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			if f := strings.Fields(line); len(f) == 2 {
				stated[f[1]] = f[0]
			}
		}
		if stated["LICENSE"] == "" {
			t.Errorf("%s states no LICENSE", list)
		}
		files, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if f.Name() == "SHA256SUMS" || f.Name() == "ORIGIN" {
				continue
			}
			raw, err := os.ReadFile(filepath.Join(dir, f.Name()))
			if err != nil {
				t.Fatal(err)
			}
			if sum := sha256.Sum256(raw); hex.EncodeToString(sum[:]) != stated[f.Name()] {
				t.Errorf("%s: digest %x, want %q", filepath.Join(dir, f.Name()), sum, stated[f.Name()])
			}
		}
	}
}

func TestEveryElementThatAScriptWantsIsThere(t *testing.T) {
	scripts, _ := filepath.Glob("assets/*.mjs")
	wanted := regexp.MustCompile(`\$\("([a-z-]+)"\)`)
	n := 0
	for _, script := range scripts {
		text, err := os.ReadFile(script)
		if err != nil {
			t.Fatal(err)
		}
		in := pageOf(t, script)
		for _, m := range wanted.FindAllStringSubmatch(string(text), -1) {
			n++
			if !strings.Contains(in, `id="`+m[1]+`"`) {
				t.Errorf("%s wants an element %q that its page has not", script, m[1])
			}
		}
	}
	if n < 50 {
		t.Errorf("only %d wanted elements found: the pattern no longer fits", n)
	}
}

// pageOf returns the page that a script works on: the one of the same name, or of what
// stands before its first dash, and the cabin's for what its page is made of.
func pageOf(t *testing.T, script string) string {
	t.Helper()
	name := strings.TrimSuffix(script, ".mjs")
	first, _, _ := strings.Cut(name, "-")
	for _, page := range []string{name, first, "assets/cabin"} {
		text, err := os.ReadFile(page + ".html")
		if err == nil {
			return string(text)
		}
		if !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
	t.Fatalf("%s has no page", script)
	return ""
}

// luminance is the relative luminance of an sRGB colour such as #1c2328.
// Source: WCAG 2.2, definition of relative luminance (w3.org/TR/WCAG22/#dfn-relative-luminance).
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil || len(hex) != 7 {
		t.Fatalf("colour %q: want #rrggbb", hex)
	}
	linear := func(c uint64) float64 {
		v := float64(c&0xff) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(n>>16) + 0.7152*linear(n>>8) + 0.0722*linear(n)
}

// contrast is (L1 + 0.05) / (L2 + 0.05), the lighter over the darker, 1 to 21.
// Source: WCAG 2.2, definition of contrast ratio.
func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func TestContrastAnchors(t *testing.T) {
	// Black on white is 21:1 by the definition. #777777 on white is the well-known
	// grey that just fails 4.5:1 (4.48), #767676 the one that just passes (4.54).
	for _, c := range []struct {
		a, b string
		want float64
	}{{"#000000", "#ffffff", 21}, {"#777777", "#ffffff", 4.48}, {"#767676", "#ffffff", 4.54}} {
		if got := contrast(t, c.a, c.b); !(math.Abs(got-c.want) < 0.005) {
			t.Errorf("contrast %s on %s = %.3f, want %.2f", c.a, c.b, got, c.want)
		}
	}
}

// Text needs 4.5:1, and what must be told apart to understand the picture 3:1
// (WCAG 2.2 AA, success criteria 1.4.3 and 1.4.11).
func TestContrastByDayAndNight(t *testing.T) {
	raw, err := os.ReadFile("assets/colours.css")
	if err != nil {
		t.Fatal(err)
	}
	pairs := []struct {
		front, back string
		least       float64
	}{
		{"ink", "ground", 7}, {"ink", "panel", 7}, {"ink", "hatch-a", 4.5}, {"ink", "hatch-b", 4.5},
		{"muted", "ground", 4.5}, {"muted", "panel", 4.5}, {"on-button", "button", 4.5}, {"ground", "ink", 4.5},
		{"edge", "ground", 3}, {"edge", "panel", 3}, {"fill", "panel", 3}, {"ink", "beyond", 3}, {"fill", "beyond", 1.5},
		{"button", "ground", 1.5},
	}
	for _, p := range []string{"emergency", "high", "medium", "low"} {
		pairs = append(pairs, []struct {
			front, back string
			least       float64
		}{{"on-" + p, p, 4.5}, {"on-" + p + "-ground", p + "-ground", 4.5}}...)
		if p != "medium" { // by day the yellow is told by its dark words and bars, not by its edge
			pairs = append(pairs, struct {
				front, back string
				least       float64
			}{p, "panel", 3})
		}
	}
	colour := regexp.MustCompile(`--([a-z-]+):\s*(#[0-9a-f]{6});`)
	for _, theme := range []string{"day", "night"} {
		_, block, found := strings.Cut(string(raw), `[data-theme="`+theme+`"] {`)
		if !found {
			t.Fatalf("no colours for %s", theme)
		}
		block, _, _ = strings.Cut(block, "}")
		vars := map[string]string{}
		for _, m := range colour.FindAllStringSubmatch(block, -1) {
			vars[m[1]] = m[2]
		}
		for _, p := range pairs {
			if got := contrast(t, vars[p.front], vars[p.back]); !(got >= p.least) {
				t.Errorf("%s: %s %s on %s %s has %.2f:1, want %.1f:1", theme, p.front, vars[p.front], p.back, vars[p.back], got, p.least)
			}
		}
	}
}

// The page's own arithmetic is tested by node, where there is one.
func TestPageScripts(t *testing.T) {
	node := needTool(t, "/usr/bin/node", "/usr/local/bin/node")
	tests, err := filepath.Glob("jstest/*.test.mjs")
	if err != nil || len(tests) == 0 {
		t.Fatalf("no tests: %v", err)
	}
	out, err := exec.Command(node, append([]string{"--test"}, tests...)...).CombinedOutput()
	if err != nil {
		t.Errorf("node --test: %v\n%s", err, out)
	}
	if !strings.Contains(string(out), "# fail 0") || strings.Contains(string(out), "# pass 0\n") {
		t.Errorf("node ran no tests:\n%s", out)
	}
}
