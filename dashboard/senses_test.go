package dashboard_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// shapeJS is all that a state is told by without colour and without words: sizes, bars,
// hatching, dashes, teeth, and what is there at all.
const shapeJS = `JSON.stringify({
	act: document.getElementById("act").dataset.size,
	alarms: [...document.querySelectorAll(".alarm")].map((a) => a.querySelectorAll(".tag .on").length + (a.classList.contains("new") ? "!" : "")),
	marked: [...document.querySelectorAll("main section[data-priority]")].map((e) => e.id + e.querySelectorAll("h2 .on").length).sort(),
	hatched: [...document.querySelectorAll("main .hatched")].filter((e) => e.checkVisibility()).map((e) => e.id || e.closest("[id]")?.id).sort(),
	teeth: document.getElementById("shadow-end").hidden ? "" : document.getElementById("shadow-end").dataset.toward,
	answers: [...document.querySelectorAll(".answer")].map((e) => getComputedStyle(e.querySelector(".state")).backgroundImage + getComputedStyle(e.querySelector(".state")).borderStyle).join(),
	proof: getComputedStyle(document.getElementById("proof")).borderStyle,
	aside: !document.getElementById("aside").hidden, sick: !document.getElementById("sick").hidden, stale: !document.getElementById("stale").hidden,
})`

// Every two states differ in words and in shape, so that nothing hangs on colour. The
// pictures as people with other colour vision see them are kept for a person to look at.
func TestStatesAreToldApartWithoutColour(t *testing.T) {
	l := serveLive(t, dashboardOf(&desk{}))
	l.show(lowering)
	b := openCabin(t, l)
	shapes, texts := map[string]string{}, map[string]string{}
	for _, st := range states {
		l.show(st.scene)
		b.until(st.shown)
		b.painted()
		shape := eval[string](b, shapeJS)
		if !json.Valid([]byte(shape)) {
			t.Fatalf("%s: %s", st.name, shape)
		}
		for other, was := range shapes {
			if was == shape {
				t.Errorf("%s and %s have one shape: %s", st.name, other, shape)
			}
		}
		// What lies under the overlay of a page that is not live is no part of what is told.
		shapes[st.name], texts[st.name] = shape, eval[string](b, `(document.getElementById("stale").hidden ? document.body : document.getElementById("stale")).innerText`)
		if st.scene == nil || len(st.scene(1, time.Now()).Alarms) == 0 || st.name == "shelved" {
			continue
		}
		for _, vision := range []emulation.SetEmulatedVisionDeficiencyType{
			emulation.SetEmulatedVisionDeficiencyTypeProtanopia, emulation.SetEmulatedVisionDeficiencyTypeDeuteranopia,
			emulation.SetEmulatedVisionDeficiencyTypeTritanopia, emulation.SetEmulatedVisionDeficiencyTypeAchromatopsia,
		} {
			b.see(vision)
			b.shoot(fmt.Sprintf("vision-%s-%s", vision, st.name))
		}
		b.see(emulation.SetEmulatedVisionDeficiencyTypeNone)
	}
	for _, st := range states {
		if !strings.Contains(texts[st.name], st.told) {
			t.Errorf("the words %q do not stand in %s", st.told, st.name)
		}
		for _, other := range states {
			if st.name != other.name && strings.Contains(texts[other.name], st.told) && strings.Contains(texts[st.name], other.told) {
				t.Errorf("%s and %s say the same: %q, %q", st.name, other.name, st.told, other.told)
			}
		}
	}
	b.noComplaints()
}

func (b *browser) see(vision emulation.SetEmulatedVisionDeficiencyType) {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedVisionDeficiency, emulation.SetEmulatedVisionDeficiencyParams{Type: vision}); err != nil {
		b.t.Fatal(err)
	}
}

// focusJS is what has the focus, or "unseen ..." where nobody could see that it has it.
const focusJS = `(() => { const e = document.activeElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
	const name = e.id || e.className || e.tagName;
	if (e === document.body) return "";
	const outlined = s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2;
	const inside = r.top >= -1 && r.left >= -1 && r.bottom <= innerHeight + 1 && r.right <= innerWidth + 1;
	const top = document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2);
	return (outlined && inside && (e.contains(top) || top?.contains(e) || e.labels?.[0]?.contains(top)) ? "" : "unseen ") + name; })()`

// From opening the page to an acknowledged alarm, its card, a shelf and an entry in the
// service log by Tab, Enter and Escape alone, the focus always in sight.
func TestKeyboardAlone(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboardOf(d))
	l.show(testDue)
	b := openCabin(t, l)
	withPerson(b)
	b.until(`document.querySelectorAll(".alarm").length === 2`)
	to := func(want string) {
		t.Helper()
		for range 60 {
			b.do(chromedp.KeyEvent(kb.Tab))
			at := eval[string](b, focusJS)
			if strings.HasPrefix(at, "unseen") {
				t.Errorf("on the way to %s the focus is %s", want, at)
			}
			if at == want {
				return
			}
		}
		t.Fatalf("Tab does not reach %s", want)
	}
	to("do ack")
	b.do(chromedp.KeyEvent(kb.Enter))
	eventually(t, "acknowledged", func() bool { a := d.taken(); return len(a) == 1 && a[0].Do == "acknowledge" })
	to("open") // the second alarm's card
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("card").open && document.getElementById("card-title").innerText === "Line work over its goal"`)
	to("aside-reason")
	b.do(chromedp.KeyEvent("line is cut after this run"))
	to("card-shelve")
	b.do(chromedp.KeyEvent(kb.Enter))
	eventually(t, "shelved", func() bool { a := d.taken(); return len(a) == 2 && a[1].Do == "shelve" })
	b.until(`!document.getElementById("card").open && document.activeElement.className === "open"`)
	to("service-button")
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("service").open`)
	b.do(chromedp.KeyEvent(kb.Enter)) // the first choice has the focus
	b.until(`document.activeElement?.id === "field-passed-true"`)
	b.do(chromedp.KeyEvent(" "))
	to("field-trip_height_m")
	b.do(chromedp.KeyEvent("39.2"))
	to("field-run_on_m")
	b.do(chromedp.KeyEvent("0.6"), chromedp.KeyEvent(kb.Enter))
	b.until(`document.activeElement?.id === "look-confirm"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	eventually(t, "entered", func() bool { a := d.taken(); return len(a) == 3 && a[2].Do == "crown_saver_test" })
	b.do(chromedp.KeyEvent(kb.Escape))
	b.until(`!document.querySelector("dialog[open]") && document.activeElement?.id === "service-button"`)
	b.noComplaints()
}

// On a phone each drawer can be read and used, and leaves the page's width alone.
func TestDrawersOnAPhone(t *testing.T) {
	l := serveLive(t, dashboardOf(&desk{}))
	l.show(fade)
	b := openCabin(t, l)
	b.do(chromedp.EmulateViewport(390, 844))
	for _, d := range drawers {
		l.show(d.scene)
		b.until(`document.getElementById("stale").hidden && document.querySelector(` + fmt.Sprintf("%q", d.open) + `)?.checkVisibility()`)
		eval[string](b, fmt.Sprintf("document.querySelector(%q).click() ?? ''", d.open))
		b.until(fmt.Sprintf(`document.getElementById(%q).open && (%s)`, d.id, d.ready))
		b.painted()
		b.shoot("phone-drawer-" + d.id)
		if bad := eval[string](b, `(() => { const d = document.querySelector("dialog[open]"), r = d.getBoundingClientRect(), bad = [];
			if (document.documentElement.scrollWidth > innerWidth) bad.push("the page is " + document.documentElement.scrollWidth + " px wide");
			if (r.left < 0 || r.right > innerWidth + 1 || r.bottom > innerHeight + 1 || r.height > innerHeight * 0.75) bad.push("it takes " + r.width + " x " + r.height);
			for (const e of d.querySelectorAll("button, input, select")) if (e.checkVisibility() && e.getBoundingClientRect().height < 24) bad.push((e.id || e.innerText) + " is too small to touch");
			const first = document.querySelector("main.acting #act") ?? document.querySelector("#alarm-list .alarm");
			if (first?.checkVisibility()) {
				const a = first.getBoundingClientRect();
				if (a.top < 0 || a.bottom > r.top) bad.push("it hides what is urgent: " + a.top + " to " + a.bottom + " under " + r.top);
			}
			return bad.join("; "); })()`); bad != "" {
			t.Errorf("%s: %s", d.id, bad)
		}
		eval[string](b, `document.querySelector("dialog[open] [data-close]").click() ?? ""`)
	}
	b.noComplaints()
}
