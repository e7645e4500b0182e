package dashboard_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// axe is the script of axe-core, fetched once by npm as testdata/npm locks it. Its rules
// of accessibility are not ours: tags wcag2a to wcag22aa are those of WCAG 2.2, levels A
// and AA, that a program can decide; best-practice is common practice beside them.
var axe struct {
	once   sync.Once
	script string
	err    error
}

// needAxe returns the script, or skips the test where npm or its registry is missing;
// with HOISTWARD_TOOLS=required it fails instead.
func needAxe(t *testing.T) string {
	t.Helper()
	if testing.Short() {
		t.Skip("fetches an npm package")
	}
	npm := needTool(t, "/usr/bin/npm", "/usr/local/bin/npm")
	axe.once.Do(func() { axe.script, axe.err = fetchAxe(npm) })
	if axe.err != nil && os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatal(axe.err)
	}
	if axe.err != nil {
		t.Skip(axe.err)
	}
	return axe.script
}

func fetchAxe(npm string) (string, error) {
	dir, err := os.MkdirTemp("", "hoistward-axe")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(dir)
	for _, name := range []string{"package.json", "package-lock.json"} {
		text, err := os.ReadFile(filepath.Join("testdata", "npm", name))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), text, 0o644)
		}
		if err != nil {
			return "", err
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("npm ci: %w: %s", err, out)
	}
	text, err := os.ReadFile(filepath.Join(dir, "node_modules", "axe-core", "axe.min.js"))
	return string(text), err
}

// accessible fails the test for each violation that axe-core finds on the page as it is
// now. except are rules that are not held there, each with its reason in the caller.
func (b *browser) accessible(what string, except ...string) {
	b.t.Helper()
	script := needAxe(b.t)
	if !eval[bool](b, "!!window.axe") {
		eval[string](b, script+"\n''")
	}
	rules := map[string]map[string]bool{}
	for _, rule := range except {
		rules[rule] = map[string]bool{"enabled": false}
	}
	off, err := json.Marshal(rules)
	if err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(b.ctx, 60*time.Second)
	defer cancel()
	found, err := chromedp.Run(ctx, chromedp.Evaluate[axeResult](`axe.run(document, {
		runOnly: { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] },
		rules: `+string(off)+`, resultTypes: ["violations"],
	}).then((r) => ({ passes: r.passes.length, violations: r.violations.map((v) => v.id + " (" + v.impact + "): " + v.help + ": " +
		v.nodes.slice(0, 4).map((n) => n.target.join(" ") + " [" + n.any.concat(n.all, n.none).map((c) => c.message).join("; ") + "]").join(" | ")) }))`, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: axe: %v", what, err)
	}
	if found.Passes < 10 {
		b.t.Errorf("%s: axe held only %d rules: it did not look at the page", what, found.Passes)
	}
	if len(found.Violations) > 0 {
		b.t.Errorf("%s: not accessible:\n%s", what, strings.Join(found.Violations, "\n"))
	}
}

type axeResult struct {
	Passes     int      `json:"passes"`
	Violations []string `json:"violations"`
}

// Each state of the cabin page, by day and by night, and each drawer.
func TestCabinIsAccessible(t *testing.T) {
	needAxe(t)
	l := serveLive(t, dashboardOf(&desk{}))
	l.show(lowering)
	b := openCabin(t, l)
	for _, st := range states {
		l.show(st.scene)
		b.until(st.shown)
		for _, theme := range []string{"day", "night"} {
			eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", theme))
			b.accessible(st.name + " by " + theme)
		}
	}
	for _, d := range drawers {
		l.show(d.scene)
		b.until(`document.getElementById("stale").hidden && document.querySelector(` + fmt.Sprintf("%q", d.open) + `)?.checkVisibility()`)
		eval[string](b, fmt.Sprintf("document.querySelector(%q).click() ?? ''", d.open))
		b.until(fmt.Sprintf(`document.getElementById(%q).open && (%s)`, d.id, d.ready))
		b.accessible("drawer " + d.id)
		eval[string](b, `document.querySelector("dialog[open] [data-close]").click() ?? ""`)
	}
}
