package dashboard_test

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// Whatever is written can be read, on the ground that it really has, and every
// button can be reached and is seen to have the focus.
func TestReadableAndReachable(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(overhoist)
	b := openCabin(t, l)
	for name, scene := range map[string]func(uint64, time.Time) *dashboard.Snapshot{"overhoist": overhoist, "blind": blind, "lowering": lowering} {
		l.show(scene)
		first := map[string]string{"overhoist": "Overhoist", "blind": "Blind", "lowering": ""}[name]
		b.until(`(document.querySelector(".alarm .title")?.innerText ?? "").startsWith("` + first + `") && (!!document.querySelector(".alarm")) === ` + strconv.FormatBool(first != ""))
		for _, theme := range []string{"day", "night"} {
			eval[string](b, `document.documentElement.dataset.theme = "`+theme+`"`)
			if bad := eval[string](b, contrastJS); bad != "" {
				t.Errorf("%s by %s: %s", name, theme, bad)
			}
		}
	}
	l.show(overhoist)
	b.until(`document.querySelector(".alarm .title")?.innerText.startsWith("Overhoist") && document.querySelector(".alarm .ack")`)
	want := eval[int](b, `[...document.querySelectorAll("header button, .banner, main button")].filter((e) => !e.disabled && e.offsetParent !== null).length`)
	reached := map[string]bool{}
	for range want + 2 {
		b.do(chromedp.KeyEvent(kb.Tab))
		focus := eval[string](b, `(() => { const e = document.activeElement, s = getComputedStyle(e);
			if (e === document.body) return ""; if (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2) return "unseen " + e.innerText;
			return e.tagName + (e.id || e.getAttribute("aria-label") || e.innerText); })()`)
		if strings.HasPrefix(focus, "unseen") {
			t.Errorf("the focus cannot be seen on %s", focus)
		}
		if focus != "" {
			reached[focus] = true
		}
	}
	if len(reached) < want {
		t.Errorf("the keyboard reaches %d of %d buttons: %v", len(reached), want, reached)
	}
}

// contrastJS finds text whose contrast with what is drawn behind it is under 4.5:1.
var contrastJS = contrastIn("body")

// contrastIn is contrastJS for what lies within an element.
func contrastIn(element string) string { return strings.Replace(contrastOf, "ELEMENT", element, 1) }

const contrastOf = `(() => {
  const within = "ELEMENT";
  const rgb = (c) => (c.match(/[\d.]+/g) ?? []).map(Number);
  const lum = ([r, g, b]) => [r, g, b].map((v) => (v /= 255, v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)).reduce((s, v, i) => s + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (el) => {
    for (; el; el = el.parentElement) {
      const s = getComputedStyle(el);
      if (s.backgroundImage !== "none") return s.backgroundImage.match(/rgb[^)]*\)/g).map(rgb);
      const c = rgb(s.backgroundColor);
      if (c.length === 3 || c[3] > 0) return [c];
    }
    return [[255, 255, 255]];
  };
  const bad = new Set();
  const walk = document.createTreeWalker(document.querySelector(within), NodeFilter.SHOW_TEXT);
  for (let n; (n = walk.nextNode());) {
    const el = n.parentElement;
    if (!n.data.trim() || !el.getClientRects().length || el.closest((within.startsWith("dialog") ? "" : "dialog, ") + "script, noscript, #toast, [hidden]") || el.closest(".alarm.new .tag")) continue;
    const ink = lum(rgb(getComputedStyle(el).color));
    for (const g of ground(el)) {
      const l = lum(g), ratio = (Math.max(ink, l) + 0.05) / (Math.min(ink, l) + 0.05);
      if (ratio < 4.5) bad.add(n.data.trim().slice(0, 30) + " " + ratio.toFixed(2));
    }
  }
  return [...bad].join("; ");
})()`

func TestPhoneSizedWindow(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(overhoist)
	b := openCabin(t, l)
	b.do(chromedp.EmulateViewport(390, 844))
	b.until(`document.getElementById("act").dataset.size === "3"`)
	b.painted()
	b.shoot("overhoist-phone-390x844")
	if wide := eval[int](b, `document.documentElement.scrollWidth`); wide > 390 {
		t.Errorf("the page is %d px wide in a window of 390: %s", wide, eval[string](b, `[...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > 391).map((e) => e.id || e.className || e.tagName).join()`))
	}
	if cut := eval[string](b, `[...document.querySelectorAll("button")].filter((e) => e.checkVisibility() && e.scrollHeight > e.clientHeight + 3).map((e) => e.id || e.className || e.innerText).join()`); cut != "" {
		t.Errorf("words are cut off: %s", cut)
	}
	if !eval[bool](b, `document.getElementById("act").getBoundingClientRect().top < document.getElementById("alarms").getBoundingClientRect().top`) {
		t.Error("what must be done now does not come first")
	}
	small := eval[string](b, `[...document.querySelectorAll("main button, header button")].filter((e) => e.offsetParent && e.getBoundingClientRect().height < 24).map((e) => e.innerText).join()`)
	if small != "" {
		t.Errorf("buttons too small to touch (WCAG 2.2, 2.5.8: 24 px): %s", small)
	}
}
