package dashboard_test

import (
	"os"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"
)

// frames is how a page kept up: of its frames, ms.
type frames struct {
	N             int
	P50, P95, Max float64
}

// Forty tiles with ten new ones a second each: frames, and a heap that does not grow. A few
// seconds here, where other work may hold the page up, and the figures are only logged;
// HOISTWARD_LONG=10m, on a machine that does nothing else, asks for 30 frames a second.
func TestFortyTilesKeepUp(t *testing.T) {
	last, long := 12*time.Second, os.Getenv("HOISTWARD_LONG")
	if long != "" {
		var err error
		if last, err = time.ParseDuration(long); err != nil {
			t.Fatal(err)
		}
	}
	f := serveFleetEvery(t, 100*time.Millisecond, dashboard.Options{Desk: &desk{}}, troubled)
	b := openFleet(t, f)
	eval[int](b, `(() => {
		const m = (window.measured = { times: [], heap: [] });
		let before = 0;
		const frame = (t) => { if (before) m.times.push(t - before); before = t; requestAnimationFrame(frame); };
		requestAnimationFrame(frame);
		return 1;
	})()`)
	if _, err := chromedp.Call(b.ctx, performance.Enable, performance.EnableParams{TimeDomain: performance.EnableTimeDomainThreadTicks}); err != nil {
		t.Fatal(err)
	}
	heaps, busy, messages, start := []float64{heapOf(b)}, spentBy(b), eval[int](b, seqJS), time.Now()
	for time.Since(start) < last {
		wait := time.NewTimer(last / 6)
		<-wait.C
		heaps = append(heaps, heapOf(b))
	}
	took, spent := time.Since(start), spentBy(b)
	m := eval[frames](b, `(() => { const t = measured.times.sort((a, b) => a - b), at = (q) => t[Math.floor(q * (t.length - 1))];
		return { N: t.length, P50: at(0.5), P95: at(0.95), Max: at(1) }; })()`)
	messages = eval[int](b, seqJS) - messages
	perSecond := float64(m.N) / took.Seconds()
	t.Logf("%d frames in %v, %.1f a second; p50 %.1f ms, p95 %.1f ms, longest %.0f ms; %d messages", m.N, took.Round(time.Second), perSecond, m.P50, m.P95, m.Max, messages)
	t.Logf("processor time of the page's main thread: %.1f ms a message, of it script %.1f ms, style %.1f ms, layout %.1f ms",
		1000*(spent["TaskDuration"]-busy["TaskDuration"])/float64(messages), 1000*(spent["ScriptDuration"]-busy["ScriptDuration"])/float64(messages),
		1000*(spent["RecalcStyleDuration"]-busy["RecalcStyleDuration"])/float64(messages), 1000*(spent["LayoutDuration"]-busy["LayoutDuration"])/float64(messages))
	t.Logf("heap after a collection: %.2f MB, at the end %.2f MB", heaps[1]/1e6, heaps[len(heaps)-1]/1e6)
	if m.N == 0 || messages == 0 {
		t.Errorf("%d frames, %d messages: the page stands still", m.N, messages)
	}
	if long != "" && !(perSecond >= 30 && m.P95 < 34) {
		t.Errorf("%.1f frames a second, p95 %.1f ms, want 30 and 33", perSecond, m.P95)
	}
	if first, end := heaps[1], heaps[len(heaps)-1]; !(end < 1.3*first+2e6) {
		t.Errorf("heap grew from %.0f to %.0f bytes: %.0f", first, end, heaps)
	}
	b.noComplaints()
}

// seqJS is how many messages the page has taken.
const seqJS = `Number(document.getElementById("rigs").dataset.seq)`

// spentBy is the processor time of the page's main thread by kind, s.
func spentBy(b *browser) map[string]float64 {
	b.t.Helper()
	r, err := chromedp.Call(b.ctx, performance.GetMetrics, cdp.Empty{})
	if err != nil {
		b.t.Fatal(err)
	}
	by := map[string]float64{}
	for _, m := range r.Metrics {
		by[m.Name] = m.Value
	}
	return by
}

// heapOf is the page's heap after a collection, bytes.
func heapOf(b *browser) float64 {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
		b.t.Fatal(err)
	}
	return eval[float64](b, `performance.memory.usedJSHeapSize`)
}
