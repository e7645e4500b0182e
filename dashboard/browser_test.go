package dashboard_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// needTool returns the path of a program, or skips the test when it is not there;
// with HOISTWARD_TOOLS=required it fails instead.
func needTool(t *testing.T, paths ...string) string {
	t.Helper()
	for _, path := range paths {
		if _, err := os.Stat(path); err == nil {
			return path
		}
	}
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatalf("none of %v is installed, and HOISTWARD_TOOLS=required", paths)
	}
	t.Skipf("none of %v is installed", paths)
	return ""
}

// chromium is started by the first test that needs it and shared: each test has a
// tab of its own, and its own port, so its own storage.
var chromium struct {
	once sync.Once
	ctx  context.Context
	stop func()
	err  error
}

func stopChromium() {
	if chromium.stop != nil {
		chromium.stop()
	}
}

// browser is one tab of a real Chromium that can reach nothing but loopback.
type browser struct {
	t   *testing.T
	ctx context.Context

	mu       sync.Mutex
	errors   []string
	requests []string
}

func startBrowser(t *testing.T) *browser {
	t.Helper()
	path := needTool(t, "/usr/bin/chromium", "/usr/bin/chromium-browser")
	chromium.once.Do(func() {
		opts := append(chromedp.DefaultExecAllocatorOptions[:],
			chromedp.ExecPath(path), chromedp.DisableGPU, chromedp.NoSandbox,
			chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-quic", true),
			chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"))
		alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
		ctx, stop := chromedp.NewContext(alloc)
		chromium.ctx, chromium.stop = ctx, func() { stop(); stopAlloc() }
		chromium.err = chromedp.Do(ctx)
	})
	if chromium.err != nil {
		t.Fatalf("start chromium: %v", chromium.err)
	}
	ctx, stop := chromedp.NewContext(chromium.ctx)
	b := &browser{t: t, ctx: ctx}
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
	t.Cleanup(func() { stop(); <-done })
	go func() {
		defer close(done)
		for m, err := range messages {
			if err != nil {
				return
			}
			// A page that gives up a slow connection and makes another is no fault: the browser warns of it.
			givenUp := strings.Contains(m.String(), "closed before the connection is established")
			if m.IsException() || (m.Type == "error" || m.Type == "warning") && !givenUp {
				b.mu.Lock()
				b.errors = append(b.errors, m.String())
				b.mu.Unlock()
			}
		}
	}()
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	// All pages are of one browser, which gives the keys to one of them only: the others lose some.
	if _, err := chromedp.Call(ctx, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true}); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.EmulateViewport(1280, 800))
	return b
}

func (b *browser) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

func eval[T any](b *browser, js string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js))
	if err != nil {
		b.t.Fatalf("%s: %v", js, err)
	}
	return v
}

// painted waits until the page has drawn itself twice more.
func (b *browser) painted() {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	_, err := chromedp.Run(ctx, chromedp.Evaluate[int](`new Promise((done) => {
		let left = 3;
		const frame = () => (left-- > 0 ? requestAnimationFrame(frame) : done(1));
		frame();
	})`, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatal(err)
	}
}

// until polls a JavaScript condition.
func (b *browser) until(js string) {
	b.t.Helper()
	eventually(b.t, js, func() bool { return eval[bool](b, "!!("+js+")") })
}

func (b *browser) text(id string) string {
	b.t.Helper()
	return eval[string](b, fmt.Sprintf("document.getElementById(%q).innerText", id))
}

// consoleErrors returns what the page complained about since the last call.
func (b *browser) consoleErrors() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := b.errors
	b.errors = nil
	return list
}

// shoot keeps a picture for a person to look at.
func (b *browser) shoot(name string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	r, err := chromedp.Call(ctx, page.CaptureScreenshot, page.CaptureScreenshotParams{Format: page.CaptureScreenshotFormatPng})
	if err != nil {
		b.t.Fatal(err)
	}
	dir := filepath.Join("..", "test-output", "cabin")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), r.Data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// live is a dashboard that is served on loopback and fed with a scene ten times a
// second, as the watch loop does.
type live struct {
	*dashboard.Server
	url   string
	scene atomic.Pointer[func(seq uint64, now time.Time) *dashboard.Snapshot]
	stop  func()
}

func (l *live) show(scene func(uint64, time.Time) *dashboard.Snapshot) { l.scene.Store(&scene) }

func serveLive(t *testing.T, opts dashboard.Options) *live {
	t.Helper()
	opts.Rigs = append(opts.Rigs, rigName)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &live{Server: dashboard.New(opts), url: "http://" + ln.Addr().String()}
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- l.Serve(ctx, ln) }()
	fed := make(chan struct{})
	go func() {
		defer close(fed)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for seq := uint64(1); ; seq++ {
			if scene := l.scene.Load(); scene != nil && *scene != nil {
				l.Publish((*scene)(seq, time.Now()))
			}
			select {
			case <-tick.C:
			case <-ctx.Done():
				return
			}
		}
	}()
	var once sync.Once
	l.stop = func() {
		once.Do(func() {
			cancel()
			<-fed
			if err := <-served; err != nil {
				t.Errorf("Serve: %v", err)
			}
		})
	}
	t.Cleanup(l.stop)
	return l
}

func openCabin(t *testing.T, l *live) *browser {
	t.Helper()
	b := startBrowser(t)
	b.do(chromedp.Navigate(l.url + "/cabin/" + rigName))
	b.until(`document.getElementById("stale").hidden`)
	return b
}
