package dashboard_test

import (
	"fmt"
	"testing"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// How each drawer is opened, in a scene in which there is something in it.
var drawers = []struct {
	id, open string
	scene    sceneOf
	ready    string // beside being open
}{
	{"card", ".alarm .open", fade, "true"},
	{"more", "#rejects", fade, "true"},
	{"aside-drawer", "#aside", shelved, `document.querySelectorAll("#aside-list li").length === 2`},
	{"matrix", ".chip.answers button", degraded, `document.querySelectorAll("#matrix-body .feeds.hatched").length === 2`},
	{"trends", "#trends-button", fade, `document.querySelectorAll("#plots canvas").length === 4`},
	{"service", "#service-button", testDue, `document.querySelectorAll("#service-choice button").length === 5`},
	{"you", "#you-button", fade, "true"},
}

// hidesJS tells what of the mast strip or the first alarm lies under the open drawer.
const hidesJS = `(() => {
	const d = document.querySelector("dialog[open]").getBoundingClientRect(), bad = [];
	for (const q of ["#mast .strip", "#flag", "#labels", "#alarm-list .alarm:first-child", ".alarm-head", "#aside"]) {
		const el = document.querySelector(q);
		if (!el || !el.checkVisibility()) continue;
		const r = el.getBoundingClientRect();
		if (Math.min(r.right, d.right) - Math.max(r.left, d.left) > 1 && Math.min(r.bottom, d.bottom) - Math.max(r.top, d.top) > 1) bad.push(q);
	}
	if (d.left < 0 || d.top < 0 || d.right > innerWidth + 1 || d.bottom > innerHeight + 1) bad.push("out of the window");
	const inner = document.querySelector("dialog[open]");
	if (inner.scrollWidth > inner.clientWidth + 1) bad.push("is wider than it can show");
	return bad.join();
})()`

// A drawer never hides the mast strip or the alarms, which stay live under it, and
// Escape closes it and gives the focus back.
func TestDrawersHideNothingThatMustBeSeen(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(fade)
	b := openCabin(t, l)
	for _, size := range [][2]int64{{1280, 800}, {1920, 1080}} {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		for _, d := range drawers {
			l.show(d.scene)
			b.until(`document.querySelector(` + fmt.Sprintf("%q", d.open) + `)?.checkVisibility()`)
			b.do(chromedp.Focus(chromedp.CSS(d.open)), chromedp.KeyEvent(kb.Enter))
			b.until(fmt.Sprintf(`document.getElementById(%q).open && (%s)`, d.id, d.ready))
			for _, theme := range []string{"day", "night"} {
				eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", theme))
				b.painted()
				b.shoot(fmt.Sprintf("drawer-%s-%s-%dx%d", d.id, theme, size[0], size[1]))
			}
			if bad := eval[string](b, hidesJS); bad != "" {
				t.Errorf("%s at %dx%d hides %s", d.id, size[0], size[1], bad)
			}
			if bad := eval[string](b, contrastIn("dialog[open]")); bad != "" {
				t.Errorf("%s at %dx%d: %s", d.id, size[0], size[1], bad)
			}
			b.do(chromedp.KeyEvent(kb.Escape))
			b.until(`!document.querySelector("dialog[open]")`)
			b.until(fmt.Sprintf(`document.activeElement === document.querySelector(%q)`, d.open))
		}
	}
	// What must be seen at once closes whatever is open.
	b.do(chromedp.Click(chromedp.ID("service-button")))
	b.until(`document.getElementById("service").open`)
	l.show(overhoist)
	b.until(`document.getElementById("act").dataset.size === "3" && !document.querySelector("dialog[open]")`)
	b.do(chromedp.Click(chromedp.CSS(".alarm .open")))
	b.until(`document.getElementById("card").open`)
	b.painted()
	b.shoot("drawer-card-overhoist")
	if bad := eval[string](b, hidesJS); bad != "" {
		t.Errorf("the card of the overhoist hides %s", bad)
	}
	if !eval[bool](b, `document.getElementById("card").getBoundingClientRect().left >= document.getElementById("act").getBoundingClientRect().right`) {
		t.Error("the card hides the time to act")
	}
	b.noComplaints()
}
