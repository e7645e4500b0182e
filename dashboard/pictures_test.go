package dashboard_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
)

func TestPictures(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	sizes := [][2]int64{{1280, 800}, {1920, 1080}}
	scenes := []struct {
		name  string
		scene func(uint64, time.Time) *dashboard.Snapshot
		shown string
	}{
		{"calm", lowering, `document.getElementById("act").dataset.size === "0" && document.getElementById("alarm-list").children.length === 0`},
		{"overhoist", overhoist, `document.getElementById("act").dataset.size === "3"`},
		{"blind", blind, `document.getElementById("flag").classList.contains("hatched")`},
		{"stale", nil, `!document.getElementById("stale").hidden`},
	}
	for _, sc := range scenes {
		l.show(sc.scene)
		b.until(8*time.Second, sc.shown)
		for _, size := range sizes {
			for _, theme := range []string{"day", "night"} {
				b.do(chromedp.EmulateViewport(size[0], size[1]))
				eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", theme))
				b.painted()
				b.shoot(fmt.Sprintf("%s-%s-%dx%d", sc.name, theme, size[0], size[1]))
			}
			overflow := eval[string](b, overflowJS)
			if sc.scene != nil && overflow != "" {
				t.Errorf("%s at %dx%d: does not fit: %s", sc.name, size[0], size[1], overflow)
			}
		}
	}
	if errs := b.consoleErrors(); len(errs) > 0 {
		t.Errorf("console: %s", strings.Join(errs, "\n"))
	}
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
  return bad.slice(0, 8).join("; ");
})()`
