package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"hoistward/simulator"
)

// watchShadow looks at each frame that the page paints and keeps when, by what is
// drawn, the stopping shadow's far end first reached the crown limit.
const watchShadow = `(() => {
	const box = (id) => document.getElementById(id).getBoundingClientRect();
	window.shadowMet = 0;
	const look = () => {
		if (!document.getElementById('shadow-end')) return requestAnimationFrame(look); // not drawn yet
		const end = box('shadow-end'), limit = box('limit-crown');
		const height = parseFloat(document.getElementById('height').innerText); // NaN before the first reading
		if (height > 20 && height < 42 && end.width > 0 && end.top <= limit.bottom) {
			window.shadowMet = Date.now();
			return;
		}
		requestAnimationFrame(look);
	};
	look();
	return true;
})()`

// The whole thing as a driller sees it: in the overhoist scenario the shadow on the
// cabin page meets the crown limit before the block meets the crown.
func TestShadowMeetsTheLimitBeforeTheContact(t *testing.T) {
	chrome := needTool(t, "chromium", "/usr/bin/chromium", "chromium-browser")
	const speed = 2
	l := startLive(t, 1, speed)
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chrome), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-quic", true),
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"))
	alloc, stopAlloc := chromedp.NewExecAllocator(t.Context(), opts...)
	defer stopAlloc()
	ctx, stop := chromedp.NewContext(alloc)
	defer stop()
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(l.st.address+"/cabin/R1")); err != nil {
		t.Fatal(err)
	}

	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	cmd := demoCmd{Seed: 1, Speed: speed}
	p, err := cmd.play(ctx, sc, l.site, l.broker.URL(), l.st.clock, l.dir, newPrinter(&streams{out: &out}, ""))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](watchShadow)); err != nil {
		t.Fatal(err)
	}
	rig0, wall0 := l.st.clock(), time.Now()
	var metMs float64
	until(t, "the shadow to meet the limit", func() bool {
		var err error
		if metMs, err = chromedp.Run(ctx, chromedp.Evaluate[float64]("window.shadowMet")); err != nil {
			t.Fatal(err)
		}
		return metMs > 0
	})
	met := rig0.Add(time.UnixMilli(int64(metMs)).Sub(wall0) * speed)
	picture(t, ctx, "cabin-overhoist-live.png")
	<-p.all
	if err := p.failure(); err != nil {
		t.Fatal(err)
	}
	if err := p.client.Close(5 * time.Second); err != nil {
		t.Error(err)
	}
	contact := contactTime(t, filepath.Join(l.dir, "truth", "R1.csv"), out.String())
	if lead := contact.Sub(met); !(lead > time.Second && lead < 15*time.Second) {
		t.Errorf("the shadow met the limit %v before the contact, want over 1 s", lead)
	} else {
		t.Logf("the shadow met the limit %v before the contact", lead)
	}
	if text := innerText(t, ctx, "alarm-list"); !strings.Contains(text, "Overhoist") {
		t.Errorf("alarm list %q, want the overhoist in it", text)
	}
}

func innerText(t *testing.T, ctx context.Context, id string) string {
	t.Helper()
	s, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.getElementById("`+id+`").innerText`))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// picture keeps a screenshot for a person to look at.
func picture(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	shot, err := chromedp.Call(ctx, page.CaptureScreenshot, page.CaptureScreenshotParams{})
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join("..", "..", "test-output")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name), shot.Data, 0o644); err != nil {
		t.Fatal(err)
	}
}
