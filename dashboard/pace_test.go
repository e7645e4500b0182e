package dashboard_test

import (
	"os"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/chromedp"
)

// longRun is the variable that stretches TestCabinPace, such as "10m".
const longRun = "HOISTWARD_LONG_RUN"

// TestCabinPace prints what the page costs: first paint, weight, frame time, and the heap
// over the run. It asserts nothing about time: the machine may be busy with other things.
func TestCabinPace(t *testing.T) {
	if testing.Short() {
		t.Skip("measures")
	}
	run := 5 * time.Second
	if text := os.Getenv(longRun); text != "" {
		long, err := time.ParseDuration(text)
		if err != nil {
			t.Fatalf("%s: %v", longRun, err)
		}
		run = long
	}
	l := serveLive(t, dashboardOf(&desk{}))
	l.show(fade)
	b := openCabin(t, l)
	type load struct{ Paint, Done, Bytes float64 }
	first := eval[load](b, `(() => { const n = performance.getEntriesByType("navigation")[0], all = performance.getEntriesByType("resource");
		return { Paint: performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? -1, Done: n.loadEventEnd,
			Bytes: all.concat(n).reduce((sum, r) => sum + r.transferSize, 0) }; })()`)
	t.Logf("first contentful paint %.0f ms, loaded %.0f ms, %.0f bytes transferred", first.Paint, first.Done, first.Bytes)
	if first.Paint < 0 || first.Bytes <= 0 || first.Bytes >= pageLimit {
		t.Errorf("paint %.0f, %.0f bytes: want a paint, and under %d bytes", first.Paint, first.Bytes, pageLimit)
	}
	eval[string](b, `(() => { window.frames_ = []; let last = performance.now();
		const next = (now) => { if (window.frames_.length < 1e6) window.frames_.push(now - last); last = now; requestAnimationFrame(next); };
		requestAnimationFrame(next); return ""; })()`)
	heap := func() float64 {
		if _, err := chromedp.Call(b.ctx, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
			t.Fatal(err)
		}
		return eval[float64](b, `performance.memory.usedJSHeapSize / 1e6`)
	}
	before, elements := heap(), eval[int](b, `document.querySelectorAll("*").length`)
	end := time.Now().Add(run)
	for time.Now().Before(end) {
		b.painted()
	}
	type pace struct{ P50, P95, Most, N float64 }
	got := eval[pace](b, `(() => { const f = window.frames_.sort((a, b) => a - b), at = (p) => f[Math.floor(p * (f.length - 1))];
		return { P50: at(0.5), P95: at(0.95), Most: at(1), N: f.length }; })()`)
	t.Logf("%v at 10 snapshots a second: %.0f frames, %.1f ms at the median, %.1f ms at p95, %.1f ms at most", run, got.N, got.P50, got.P95, got.Most)
	after := heap()
	t.Logf("heap %.2f MB, then %.2f MB", before, after)
	if now := eval[int](b, `document.querySelectorAll("*").length`); now != elements {
		t.Errorf("%d elements became %d: the page grows", elements, now)
	}
	if got.N < 1 {
		t.Error("no frame was seen")
	}
}
