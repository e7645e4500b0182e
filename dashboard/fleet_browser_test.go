package dashboard_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

func openFleet(t *testing.T, f *liveFleet) *browser {
	t.Helper()
	b := startBrowser(t)
	b.do(chromedp.EmulateViewport(1920, 1080))
	b.do(chromedp.Navigate(f.url + "/fleet"))
	b.until(`document.getElementById("stale").hidden && document.querySelectorAll(".rig").length >= 40`)
	return b
}

const tileJS = `((name) => [...document.querySelectorAll(".rig")].find((e) => e.querySelector(".name").textContent === name))`

// shownJS is the rigs as a person sees them: row by row, from the left.
const shownJS = `[...document.querySelectorAll(".rig")].map((e) => ({ name: e.querySelector(".name").textContent, r: e.getBoundingClientRect() }))
	.sort((a, b) => Math.abs(a.r.top - b.r.top) > 4 ? a.r.top - b.r.top : a.r.left - b.r.left).map((e) => e.name)`

func theme(b *browser, name string) {
	eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", name))
}

// Forty rigs and their alarms on one screen, by day and by night, in three sizes of window.
func TestFleetPictures(t *testing.T) {
	f := serveFleet(t, dashboard.Options{Desk: &desk{}}, troubled)
	b := openFleet(t, f)
	b.until(`document.querySelectorAll(".alarm").length >= 6 && !document.getElementById("lost").hidden`)
	for _, size := range [][2]int64{{1920, 1080}, {1280, 800}, {390, 844}} {
		for _, name := range []string{"day", "night"} {
			b.do(chromedp.EmulateViewport(size[0], size[1]))
			theme(b, name)
			b.painted()
			b.shoot(fmt.Sprintf("fleet-%s-%dx%d", name, size[0], size[1]))
		}
		if bad := eval[string](b, contrastJS); bad != "" {
			t.Errorf("at %v by night: %s", size, bad)
		}
	}
	if wide := eval[int](b, `document.documentElement.scrollWidth`); wide > 390 {
		t.Errorf("the page is %d px wide in a window of 390: %s", wide, eval[string](b, `[...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > 391).map((e) => e.id || e.className || e.tagName).join()`))
	}
	if small := eval[string](b, `[...document.querySelectorAll("button, .switches a, select, .tick")].filter((e) => e.offsetParent && e.getBoundingClientRect().height < 24).map((e) => e.innerText).join()`); small != "" {
		t.Errorf("too small to touch (WCAG 2.2, 2.5.8: 24 px): %s", small)
	}
	b.do(chromedp.EmulateViewport(1920, 1080))
	theme(b, "day")
	b.painted()
	if bad := eval[string](b, contrastJS); bad != "" {
		t.Errorf("by day: %s", bad)
	}
	if bad := eval[string](b, `(() => {
		const bad = [], grid = document.getElementById("rigs");
		if (document.documentElement.scrollHeight > innerHeight + 1 || grid.scrollHeight > grid.clientHeight + 1) bad.push("it scrolls");
		for (const e of document.querySelectorAll(".rig")) {
			const r = e.getBoundingClientRect();
			if (r.bottom > innerHeight + 1 || r.right > innerWidth + 1 || r.width < 100) bad.push(e.innerText.slice(0, 20) + " is not whole");
			for (const p of e.querySelectorAll("p")) {
				const q = p.getBoundingClientRect();
				if (q.height && (q.bottom > r.bottom + 1 || q.right > r.right + 1)) bad.push(p.innerText + " leaves its tile");
			}
		}
		return bad.join("; ");
	})()`); bad != "" {
		t.Errorf("forty rigs at 1920 x 1080: %s", bad)
	}
	b.noComplaints()
}

// The rules of accessibility that are not ours hold by day, by night, with a card open,
// and on the tour-change, help and start pages.
func TestFleetIsAccessible(t *testing.T) {
	needAxe(t)
	f := serveFleet(t, tourOptions(), troubled)
	b := openFleet(t, f)
	for _, name := range []string{"day", "night"} {
		theme(b, name)
		b.painted()
		b.accessible("fleet by " + name)
	}
	b.do(chromedp.Click(chromedp.CSS(".alarm .what")))
	b.until(`document.getElementById("card").open && document.getElementById("card-response").innerText !== "asking"`)
	b.accessible("fleet, a card")
	for _, page := range []struct{ path, ready string }{
		{"/fleet/tour", `document.querySelectorAll("#rigs .rig").length === 40`}, {"/help", `true`}, {"/", `document.querySelector("#rigs [data-key]")`},
	} {
		b.do(chromedp.Navigate(f.url + page.path))
		b.until(page.ready)
		for _, name := range []string{"day", "night"} {
			theme(b, name)
			b.accessible(page.path + " by " + name)
		}
	}
	b.noComplaints()
}

// A rig whose readings stop is told within two seconds: on its tile, and above all of them.
func TestALostLinkIsLoud(t *testing.T) {
	lost := 5
	var since time.Time
	f := serveFleet(t, dashboard.Options{Desk: &desk{}}, tripping)
	b := openFleet(t, f)
	b.until(`document.getElementById("lost").hidden && document.querySelectorAll(".rig.lost-link").length === 0`)
	since = time.Now()
	f.scene(func(i int, seq uint64, now time.Time) *dashboard.Snapshot {
		s := tripping(i, seq, now)
		if i == lost {
			s.NewestMs = since.UnixMilli()
		}
		return s
	})
	name := f.names[lost]
	b.until(tileJS + fmt.Sprintf(`(%q).classList.contains("lost-link") && document.getElementById("lost").innerText.includes(%q)`, name, name))
	took := eval[float64](b, fmt.Sprintf("Date.now() - %d", since.UnixMilli()))
	t.Logf("told %.1f s after its last reading", took/1000)
	for _, js := range []string{
		tileJS + fmt.Sprintf(`(%q).innerText.includes("no reading")`, name),
		`getComputedStyle(` + tileJS + fmt.Sprintf(`(%q)).backgroundImage.includes("repeating-linear-gradient")`, name),
		`!/°C|s to act/.test(` + tileJS + fmt.Sprintf(`(%q).innerText)`, name),
		tileJS + fmt.Sprintf(`(%q).querySelector(".block").hidden`, name),
		`document.getElementById("lost").getBoundingClientRect().height > 24`,
		`parseFloat(getComputedStyle(document.getElementById("lost")).fontSize) >= 18`,
	} {
		if !eval[bool](b, js) {
			t.Errorf("not so: %s", js)
		}
	}
	b.noComplaints()
}

// With the monitor gone the whole page says so within two seconds and a paint, and
// nothing on it can be pressed as if it were live.
func TestFleetTurnsStale(t *testing.T) {
	f := serveFleet(t, dashboard.Options{Desk: &desk{}}, troubled)
	b := openFleet(t, f)
	eval[int](b, `(window.staleAt = 0, window.lastMessage = performance.now(), new MutationObserver(() => { if (!document.getElementById("stale").hidden && !window.staleAt) window.staleAt = performance.now(); }).observe(document.getElementById("stale"), { attributes: true }), 1)`)
	eval[int](b, `(() => { const send = WebSocket.prototype; const d = Object.getOwnPropertyDescriptor(MessageEvent.prototype, "data"); Object.defineProperty(MessageEvent.prototype, "data", { get() { if (!window.holed) window.lastMessage = performance.now(); return window.holed ? "" : d.get.call(this); } }); return 1; })()`)
	b.painted()
	eval[bool](b, `window.holed = true`) // whatever comes from now on is nothing
	b.until(`window.staleAt > 0`)
	if after := eval[float64](b, `window.staleAt - window.lastMessage`); !(after < 2400) {
		t.Errorf("stale %.0f ms after the last message, want 2000 and a paint", after)
	}
	for _, js := range []string{
		`document.getElementById("page").inert`,
		`document.getElementById("stale").innerText.includes("No news from the monitor for")`,
		`document.getElementById("stale-alarms").innerText.includes("Overhoist (emergency)")`,
	} {
		if !eval[bool](b, js) {
			t.Errorf("not so: %s", js)
		}
	}
	b.shoot("fleet-stale")
	eval[bool](b, `window.holed = false`)
	b.until(`document.getElementById("stale").hidden && !document.getElementById("page").inert`)
}

func TestFiltersOfTheAlarmList(t *testing.T) {
	f := serveFleet(t, dashboard.Options{Desk: &desk{}}, troubled)
	b := openFleet(t, f)
	b.until(`document.querySelectorAll(".alarm").length >= 7`)
	set := func(id, value string) {
		eval[bool](b, fmt.Sprintf(`(() => { const e = document.getElementById(%q); if (e.type === "checkbox") e.checked = %q === "true"; else e.value = %q; return e.dispatchEvent(new Event("change")); })()`, id, value, value))
	}
	only := func(what, js string) {
		t.Helper()
		b.until(`(() => { const rows = [...document.querySelectorAll(".alarm")].map((e) => ({ rig: e.querySelector(".what b").innerText, priority: e.dataset.priority, old: e.classList.contains("old"), text: e.innerText })); return ` + js + `; })()`)
		t.Log(what)
	}
	set("least", "high")
	only("priority", `rows.length > 2 && rows.every((r) => r.priority === "high" || r.priority === "emergency")`)
	set("least", "low")
	set("of-rig", "southmoor-3")
	only("rig", `rows.length === 3 && rows.every((r) => r.rig === "southmoor-3")`)
	set("only-new", "true")
	only("not acknowledged", `rows.length === 2 && rows.every((r) => !r.old)`)
	set("only-new", "false")
	set("of-rig", "")
	set("only-aside", "true")
	only("put aside", `rows.length === 1 && rows[0].text.includes("shelved by C. Example") && rows[0].text.includes("sensor is being changed")`)
	b.noComplaints()
}

// Nothing moves under the finger: with the pointer on the rigs the order waits, and says
// so; a little after the pointer rests, the rig in need comes forward.
func TestNothingMovesUnderTheFinger(t *testing.T) {
	f := serveFleet(t, dashboard.Options{Desk: &desk{}}, func(i int, seq uint64, now time.Time) *dashboard.Snapshot { return base(seq, now) })
	b := openFleet(t, f)
	b.until(shownJS + `[0] !== undefined`)
	point := func() {
		eval[bool](b, `document.getElementById("rigs").dispatchEvent(new PointerEvent("pointermove", { bubbles: true, clientX: 900, clientY: 500 }))`)
	}
	point()
	before := eval[[]string](b, shownJS)
	last := f.names[39]
	f.scene(func(i int, seq uint64, now time.Time) *dashboard.Snapshot {
		if i == 39 {
			return overhoist(seq, now)
		}
		return base(seq, now)
	})
	eventually(t, "the page knows of a better order and keeps the one that is shown", func() bool {
		point()
		return eval[bool](b, `document.getElementById("held").innerText !== ""`)
	})
	if now := eval[[]string](b, shownJS); !slices.Equal(now, before) {
		t.Errorf("while the pointer is there %v became %v", before[:3], now[:3])
	}
	if !eval[bool](b, tileJS+fmt.Sprintf(`(%q).dataset.priority === "emergency"`, last)) {
		t.Error("while the order waits the tile does not show its alarm")
	}
	b.until(shownJS + fmt.Sprintf(`[0] === %q && document.getElementById("held").innerText === ""`, last))
	b.noComplaints()
}

// All of it by keyboard: the tiles are one stop of the tab key, the arrows move in the
// order that is seen, Enter opens the rig; the focus is seen and stays when tiles move.
func TestFleetByKeyboard(t *testing.T) {
	f := serveFleet(t, dashboard.Options{Desk: &desk{}}, func(i int, seq uint64, now time.Time) *dashboard.Snapshot {
		if i == 7 {
			return overhoist(seq, now)
		}
		return base(seq, now)
	})
	b := openFleet(t, f)
	b.until(shownJS + `[0] === "southmoor-3"`)
	stops := 0
	for range 30 {
		b.do(chromedp.KeyEvent(kb.Tab))
		stops++
		if eval[bool](b, `document.activeElement.classList.contains("rig")`) {
			break
		}
	}
	focus := func() string {
		return eval[string](b, `document.activeElement.querySelector(".name")?.innerText ?? ""`)
	}
	order := eval[[]string](b, shownJS)
	if stops > 12 || focus() != order[0] {
		t.Fatalf("after %d tabs the focus is on %q, want %q", stops, focus(), order[0])
	}
	if !eval[bool](b, `parseFloat(getComputedStyle(document.activeElement).outlineWidth) >= 2`) {
		t.Error("the focus cannot be seen")
	}
	columns := eval[int](b, `getComputedStyle(document.getElementById("rigs")).gridTemplateColumns.split(" ").length`)
	for _, c := range []struct {
		key  string
		want int
	}{{kb.ArrowRight, 1}, {kb.ArrowDown, 1 + columns}, {kb.ArrowLeft, columns}, {kb.ArrowUp, 0}, {kb.End, len(order) - 1}, {kb.Home, 0}} {
		b.do(chromedp.KeyEvent(c.key))
		if got := focus(); got != order[c.want] {
			t.Errorf("after %q the focus is on %q, want %q", c.key, got, order[c.want])
		}
	}
	b.do(chromedp.KeyEvent(kb.ArrowRight))
	held := focus()
	f.scene(func(i int, seq uint64, now time.Time) *dashboard.Snapshot {
		if i == 31 {
			return floor(seq, now)
		}
		return base(seq, now)
	})
	b.until(shownJS + `.indexOf("ashby-moss-2") < 2`)
	if focus() != held {
		t.Errorf("when tiles moved the focus went from %q to %q", held, focus())
	}
	reached := false
	for range 20 {
		b.do(chromedp.KeyEvent(kb.Tab))
		if reached = eval[bool](b, `document.activeElement.classList.contains("ack")`); reached {
			break
		}
	}
	if !reached {
		t.Error("the keyboard does not reach acknowledge")
	}
	b.do(chromedp.Focus(chromedp.CSS(`.rig[tabindex="0"]`)), chromedp.KeyEvent(kb.Enter))
	b.until(`location.pathname.startsWith("/cabin/")`)
}
