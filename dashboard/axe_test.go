package dashboard_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"hoistward/ingest/npmtest"
)

// needAxe returns the script of axe-core, fetched by npm as testdata/npm locks it, or
// skips the test. Its rules of accessibility are not ours: tags wcag2a to wcag22aa are
// those of WCAG 2.2, levels A and AA, that a program can decide; best-practice is common
// practice beside them.
func needAxe(t *testing.T) string {
	t.Helper()
	dir := npmtest.Folder(t, filepath.Join("testdata", "npm"))
	text, err := os.ReadFile(filepath.Join(dir, "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
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
