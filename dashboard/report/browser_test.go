package report

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

func needTool(t *testing.T, names ...string) string {
	t.Helper()
	for _, name := range names {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatalf("none of %v is installed, and HOISTWARD_TOOLS=required", names)
	}
	t.Skipf("none of %v is installed", names)
	return ""
}

// tab is a page of a real Chromium that can reach nothing at all.
type tab struct {
	t        *testing.T
	ctx      context.Context
	mu       sync.Mutex
	requests []string
	errors   []string
}

func openTab(t *testing.T) *tab {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(needTool(t, "chromium", "chromium-browser")),
		chromedp.DisableGPU, chromedp.NoSandbox, chromedp.Flag("disable-component-update", true),
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND"), chromedp.Flag("hide-scrollbars", true))
	alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, stop := chromedp.NewContext(alloc)
	b := &tab{t: t, ctx: ctx}
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	if err := chromedp.Listen(ctx, func(ev any) {
		if r, ok := ev.(*network.EventRequestWillBeSent); ok {
			b.mu.Lock()
			b.requests = append(b.requests, r.Request.URL)
			b.mu.Unlock()
		}
	}); err != nil {
		t.Fatal(err)
	}
	messages := chromedp.Console(ctx)
	done := make(chan struct{})
	t.Cleanup(func() { stop(); stopAlloc(); <-done })
	go func() {
		defer close(done)
		for m, err := range messages {
			if err != nil {
				return
			}
			b.mu.Lock()
			b.errors = append(b.errors, m.String()) // a report says nothing on the console
			b.mu.Unlock()
		}
	}()
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	return b
}

func call[P, R any](b *tab, method cdp.Command[P, R], params P) R {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	r, err := chromedp.Call(ctx, method, params)
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

func eval[T any](b *tab, js string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js))
	if err != nil {
		b.t.Fatalf("%s: %v", js, err)
	}
	return v
}

// keep leaves what a person should look at.
func (b *tab) keep(name string, data []byte) string {
	b.t.Helper()
	dir := filepath.Join("..", "..", "test-output", "report")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.t.Fatal(err)
	}
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, data, 0o644); err != nil {
		b.t.Fatal(err)
	}
	return path
}

func (b *tab) colours(scheme string) {
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
}

func (b *tab) shoot(name string) {
	height := eval[float64](b, "document.documentElement.scrollHeight")
	r := call(b, page.CaptureScreenshot, page.CaptureScreenshotParams{Format: page.CaptureScreenshotFormatPng, CaptureBeyondViewport: new(true),
		Clip: &page.Viewport{X: 0, Y: 0, Width: 1000, Height: min(height, 6000), Scale: 1}})
	b.keep(name+".png", r.Data)
}

// pdfPage counts pages in what Chromium prints: it writes their objects in the clear.
var pdfPage = regexp.MustCompile(`/Type /Page\b[^s]`)

// The file opens from disk with no network, light and dark, and prints on A4.
func TestPageInChromium(t *testing.T) {
	b := openTab(t)
	s, o := overhoist(t)
	tour := play(t, "trip-out", noon, 30*time.Minute)
	for _, c := range []struct {
		name        string
		r           *Report
		least, most int
		want        string
	}{
		{"incident", s.report(o), 4, 12, "What if"},
		{"tour", tour.report(Options{From: noon, To: noon.Add(30 * time.Minute)}), 3, 12, "Alarm figures"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b.t = t
			path := b.keep(c.name+".html", []byte(render(t, c.r, nil)))
			abs, err := filepath.Abs(path)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
			defer cancel()
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(1000, 800), chromedp.Navigate("file://"+abs)); err != nil {
				t.Fatal(err)
			}
			b.colours("light")
			b.shoot(c.name + "-day")
			day := eval[string](b, "getComputedStyle(document.documentElement).backgroundColor")
			b.colours("dark")
			b.shoot(c.name + "-night")
			night := eval[string](b, "getComputedStyle(document.documentElement).backgroundColor")
			if day != "rgb(255, 255, 255)" || night == day {
				t.Errorf("ground %s by day, %s by night, want white, and dark", day, night)
			}
			if wide := eval[float64](b, "document.documentElement.scrollWidth"); wide > 1000 {
				t.Errorf("the page is %v px wide in a window of 1000", wide)
			}
			b.print(c.name, c.least, c.most, c.want)
			b.quiet(abs)
		})
	}
}

// print holds that the report prints light, whole and on few pages, also where the
// screen is dark.
func (b *tab) print(name string, least, most int, want string) {
	b.t.Helper()
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print",
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
	if ground := eval[string](b, "getComputedStyle(document.documentElement).backgroundColor"); ground != "rgb(255, 255, 255)" {
		b.t.Errorf("printed on %s, want white", ground)
	}
	if head := eval[string](b, "getComputedStyle(document.querySelector('thead')).display"); head != "table-header-group" {
		b.t.Errorf("heads of tables are %q in print, want them repeated", head)
	}
	b.shoot(name + "-print")
	r := call(b, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: new(true), PrintBackground: new(false)})
	path := b.keep(name+".pdf", r.Data)
	if n := len(pdfPage.FindAll(r.Data, -1)); n < least || n > most {
		b.t.Errorf("%d printed pages, want %d to %d", n, least, most)
	}
	if !bytes.Contains(r.Data, []byte("595")) || !regexp.MustCompile(`/MediaBox \[0 0 59[45][.\d]* 84[12]`).Match(r.Data) {
		b.t.Error("the pages are not A4, 595 x 842 points")
	}
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		if os.Getenv("HOISTWARD_TOOLS") == "required" {
			b.t.Errorf("pdftotext is not installed, and HOISTWARD_TOOLS=required")
		}
		return // the text of the print was checked as the page's
	}
	out, err := exec.Command(tool, "-layout", path, "-").Output()
	if err != nil {
		b.t.Fatal(err)
	}
	for _, w := range []string{want, "Advisory only", "What this report was made from", "page 1 of"} {
		if !strings.Contains(string(out), w) {
			b.t.Errorf("the print does not say %q", w)
		}
	}
}

// quiet holds that the page asked for itself and nothing else, and complained of nothing.
func (b *tab) quiet(path string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.requests {
		if r != "file://"+path {
			b.t.Errorf("the page asked for %s", r)
		}
	}
	if len(b.requests) == 0 {
		b.t.Error("no request was seen: the test sees nothing")
	}
	if len(b.errors) > 0 {
		b.t.Errorf("the page complains: %v", b.errors)
	}
	b.requests, b.errors = nil, nil
}
