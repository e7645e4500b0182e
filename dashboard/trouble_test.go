package dashboard_test

import (
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
	"github.com/gorilla/websocket"
)

// blackHole forwards bytes until cut: then nothing passes, and nothing is closed.
// After mend new connections work; those that were cut stay dead.
type blackHole struct {
	ln    net.Listener
	down  atomic.Bool
	wg    sync.WaitGroup
	mu    sync.Mutex
	pipes []*pipe
}

type pipe struct {
	a, b net.Conn
	dead atomic.Bool
}

func (h *blackHole) cut() {
	h.down.Store(true)
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, p := range h.pipes {
		p.dead.Store(true)
	}
}

func (h *blackHole) mend() { h.down.Store(false) }

func newBlackHole(t *testing.T, to string) *blackHole {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h := &blackHole{ln: ln}
	pump := func(p *pipe, dst, src net.Conn) {
		defer h.wg.Done()
		buf := make([]byte, 32<<10)
		for {
			n, err := src.Read(buf)
			lost := p.dead.Load() || h.down.Load()
			if lost {
				p.dead.Store(true)
			}
			if err != nil {
				if !lost {
					dst.Close()
				}
				return
			}
			if lost {
				continue
			}
			if _, err := dst.Write(buf[:n]); err != nil {
				src.Close()
				return
			}
		}
	}
	h.wg.Add(1)
	go func() {
		defer h.wg.Done()
		for {
			a, err := ln.Accept()
			if err != nil {
				return
			}
			c, err := net.Dial("tcp", to)
			if err != nil {
				a.Close()
				continue
			}
			p := &pipe{a: a, b: c}
			h.mu.Lock()
			h.pipes = append(h.pipes, p)
			h.mu.Unlock()
			h.wg.Add(2)
			go pump(p, a, c)
			go pump(p, c, a)
		}
	}()
	t.Cleanup(func() {
		ln.Close()
		h.mu.Lock()
		for _, p := range h.pipes {
			p.a.Close()
			p.b.Close()
		}
		h.mu.Unlock()
		h.wg.Wait()
	})
	return h
}

func TestBlackHoledSocketTurnsThePageStale(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	hole := newBlackHole(t, strings.TrimPrefix(l.url, "http://"))
	b := startBrowser(t)
	b.do(chromedp.Navigate("http://" + hole.ln.Addr().String() + "/cabin/" + rigName))
	b.until(`document.getElementById("stale").hidden`)
	hole.cut()
	start := time.Now()
	b.until(`!document.getElementById("stale").hidden`)
	took := time.Since(start)
	if !(took > 1500*time.Millisecond && took < 3*time.Second) {
		t.Errorf("stale after %v, want 2 to 3 s", took)
	}
	t.Logf("stale %v after the last byte", took.Round(10*time.Millisecond))
	if text := b.text("stale"); !strings.Contains(text, "No news from the monitor for 2.") {
		t.Errorf("the overlay says %q, want the age", text)
	}
	covers := `(() => { for (const [x, y] of [[5, 5], [640, 60], [200, 400], [1270, 790], [700, 500]]) {
		if (!document.getElementById("stale").contains(document.elementFromPoint(x, y))) return false; } return document.getElementById("page").inert; })()`
	if !eval[bool](b, covers) {
		t.Error("the overlay leaves a part of the page in reach")
	}
	hole.mend() // for new connections: the old one stays dead and silent
	b.until(`document.getElementById("stale").hidden`)
}

func TestServerThatPublishesNothingTurnsThePageStale(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	l.show(nil)
	b.until(`!document.getElementById("stale").hidden`)
	b.do(chromedp.Reload())
	b.until(`document.getElementById("stale-age") && /No news from the monitor for/.test(document.getElementById("stale-age").innerText)`)
	if !eval[bool](b, `!document.getElementById("stale").hidden`) {
		t.Error("a page that is loaded now shows an old snapshot as live")
	}
	b.noComplaints()
}

// A machine that slept shows itself by a wall clock that has moved alone. What then
// comes on the old connection is not believed: the page says so, and connects again.
func TestSleepIsNoticed(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	before := l.Figures().Served
	eval[string](b, `(() => {
		window.wasStale = false;
		new MutationObserver(() => { if (!document.getElementById("stale").hidden) window.wasStale = true; })
			.observe(document.getElementById("stale"), { attributes: true });
		const real = Date.now;
		Date.now = () => real() + 60000;
		return "";
	})()`)
	b.until(`window.wasStale`)
	b.until(`document.getElementById("stale").hidden`)
	if after := l.Figures().Served; after <= before {
		t.Errorf("%d connections before the sleep, %d after, want a new one", before, after)
	}
	b.noComplaints()
}

// Empty and broken frames between good ones are counted, and nothing else happens.
func TestBrokenFramesAreSurvived(t *testing.T) {
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}})
	done := make(chan struct{})
	var wg sync.WaitGroup
	up := websocket.Upgrader{}
	front := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.HasPrefix(r.URL.Path, "/ws/") {
			s.Handler().ServeHTTP(w, r)
			return
		}
		conn, err := up.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		wg.Add(1)
		defer wg.Done()
		defer conn.Close()
		for seq := uint64(1); ; seq++ {
			s.Publish(lowering(seq, time.Now()))
			good := ask(t, s, "GET", "/api/rigs/"+rigName, "").Body.Bytes()
			for _, frame := range [][]byte{{}, []byte(`{"rig":`), []byte(`null`), good} {
				if conn.WriteMessage(websocket.TextMessage, frame) != nil {
					return
				}
			}
			select {
			case <-done:
				return
			case <-time.After(100 * time.Millisecond):
			}
		}
	}))
	defer front.Close()
	defer wg.Wait()
	defer close(done)
	b := startBrowser(t)
	b.do(chromedp.Navigate(front.URL + "/cabin/" + rigName))
	b.until(`document.getElementById("stale").hidden && /broken here \d+/.test(document.getElementById("rejects").innerText)`)
	b.until(`document.querySelector("#speed .num").innerText === "0.84"`)
	b.noComplaints()
}
