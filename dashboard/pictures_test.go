package dashboard_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

func TestPictures(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	for _, sc := range []struct {
		name  string
		scene func(uint64, time.Time) *dashboard.Snapshot
		shown string
	}{
		{"near", near, `document.getElementById("act").dataset.size === "2"`},
		{"floor", floor, `document.getElementById("act-heading").innerText === "Floor approach"`},
		{"cannot-stop", cannotStop, `document.getElementById("label-bound").innerText === "no rest point"`},
		{"at-the-crown", atTheCrown, `document.getElementById("act-heading").innerText === "Crown limit passed"`},
		{"crowded", crowded, `document.querySelectorAll(".chip").length >= 14`},
	} {
		l.show(sc.scene)
		b.until(sc.shown)
		b.painted()
		b.shoot(sc.name + "-silent-1280x800")
		if overflow := eval[string](b, overflowJS); overflow != "" {
			t.Errorf("%s, with the banner: does not fit: %s", sc.name, overflow)
		}
	}
	b.do(chromedp.Click(chromedp.ID("sound-banner")))
	b.until(`document.getElementById("sound-banner").hidden`)
	for _, st := range states {
		l.show(st.scene)
		b.until(st.shown)
		for _, size := range [][2]int64{{1280, 800}, {1920, 1080}} {
			for _, theme := range []string{"day", "night"} {
				b.do(chromedp.EmulateViewport(size[0], size[1]))
				eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", theme))
				b.painted()
				b.shoot(fmt.Sprintf("%s-%s-%dx%d", st.name, theme, size[0], size[1]))
			}
			overflow := eval[string](b, overflowJS)
			if st.scene != nil && overflow != "" {
				t.Errorf("%s at %dx%d: does not fit: %s", st.name, size[0], size[1], overflow)
			}
		}
	}
	if errs := b.consoleErrors(); len(errs) > 0 {
		t.Errorf("console: %s", strings.Join(errs, "\n"))
	}
}

// TestCardAndOtherUnits opens an alarm's card beside the live mast, in other units.
func TestCardAndOtherUnits(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(floor)
	b := openCabin(t, l)
	b.do(chromedp.Click(chromedp.ID("you-button")), chromedp.Click(chromedp.ID("units-button")))
	b.until(`document.querySelector(".alarm .open")`)
	b.do(chromedp.Click(chromedp.CSS(".alarm .open")))
	b.until(`document.getElementById("card").open`)
	b.painted()
	b.shoot("card-oilfield-day-1280x800")
	text := b.text("card")
	for _, want := range []string{"high", "Floor approach", "latest rest point", "meet the floor", "Slow down now"} {
		if !strings.Contains(text, want) {
			t.Errorf("the card shows %q, want %q in it", text, want)
		}
	}
	if !eval[bool](b, `document.getElementById("card").getBoundingClientRect().left > document.getElementById("strip").getBoundingClientRect().right`) {
		t.Error("the card hides the mast")
	}
	b.do(chromedp.KeyEvent(kb.Escape))
	b.until(`!document.getElementById("card").open`)
}

// overflowJS names the elements whose text leaves the window or overlaps the lower edge.
const overflowJS = `(() => {
  const bad = [];
  const de = document.documentElement;
  if (de.scrollHeight > innerHeight + 1 || de.scrollWidth > innerWidth + 1) bad.push("page scrolls");
  for (const el of document.querySelectorAll("main *, header *")) {
    const r = el.getBoundingClientRect();
    if (!r.width || !r.height || el.closest("dialog")) continue;
    if (r.right > innerWidth + 1 || r.bottom > innerHeight + 1 || r.left < -1 || r.top < -1) bad.push((el.id || el.className || el.tagName) + " out of the window");
  }
  const act = document.getElementById("act");
  if (act.scrollHeight > act.clientHeight + 1 || act.scrollWidth > act.clientWidth + 1) bad.push("time to act is cut off");
  const boxes = ["speed", "load", "act", "line", "heat", "friction", "margin", "auxiliary", "alarms", "mast"].map((id) => document.getElementById(id)).filter((el) => el.offsetParent);
  for (const el of boxes) for (const inner of el.querySelectorAll("h2, p, span, .bar, button")) {
    if (!inner.offsetParent || !inner.innerText && !inner.classList.contains("bar")) continue;
    const range = document.createRange();
    range.selectNodeContents(inner);
    const r = inner.classList.contains("bar") ? inner.getBoundingClientRect() : range.getBoundingClientRect();
    for (const other of boxes) {
      if (other.contains(inner) || el.contains(other)) continue;
      const o = other.getBoundingClientRect();
      const x = Math.min(r.right, o.right) - Math.max(r.left, o.left), y = Math.min(r.bottom, o.bottom) - Math.max(r.top, o.top);
      if (x > 2 && y > 2 && !clipped(inner, el)) bad.push(inner.innerText.slice(0, 20) + " of " + el.id + " runs into " + other.id);
    }
  }
  function clipped(inner, el) {
    for (let e = inner; e && e !== el.parentElement; e = e.parentElement) if (getComputedStyle(e).overflowX === "hidden") return true;
    return false;
  }
  return bad.slice(0, 8).join("; ");
})()`
