package dashboard_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
)

func openFleet(t *testing.T, f *liveFleet) *browser {
	t.Helper()
	b := startBrowser(t)
	b.do(chromedp.EmulateViewport(1920, 1080))
	b.do(chromedp.Navigate(f.url + "/fleet"))
	b.until(15*time.Second, `document.getElementById("stale").hidden && document.querySelectorAll(".rig").length >= 40`)
	return b
}

func TestFleetPictures(t *testing.T) {
	f := serveFleet(t, dashboard.Options{Desk: &desk{}}, troubled)
	b := openFleet(t, f)
	b.until(5*time.Second, `document.querySelectorAll(".alarm").length >= 6`)
	for _, size := range [][2]int64{{1920, 1080}, {1280, 800}, {390, 844}} {
		for _, theme := range []string{"day", "night"} {
			b.do(chromedp.EmulateViewport(size[0], size[1]))
			eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", theme))
			b.painted()
			b.shoot(fmt.Sprintf("fleet-%s-%dx%d", theme, size[0], size[1]))
		}
	}
	if errs := b.consoleErrors(); len(errs) > 0 {
		t.Errorf("console: %s", strings.Join(errs, "\n"))
	}
}
