package dashboard_test

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/gorilla/websocket"
)

func dial(t *testing.T, l *live, rig string, header http.Header) (*websocket.Conn, *http.Response, error) {
	t.Helper()
	conn, resp, err := websocket.DefaultDialer.Dial(strings.Replace(l.url, "http:", "ws:", 1)+"/ws/"+rig, header)
	if err == nil {
		t.Cleanup(func() { conn.Close() })
	}
	return conn, resp, err
}

// next returns the next snapshot on conn.
func next(t *testing.T, conn *websocket.Conn) (seq uint64, raw []byte) {
	t.Helper()
	_ = conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	kind, raw, err := conn.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	var s struct{ Seq uint64 }
	if err := json.Unmarshal(raw, &s); err != nil || kind != websocket.TextMessage {
		t.Fatalf("frame of kind %d: %v in %q", kind, err, raw)
	}
	return s.Seq, raw
}

func TestSnapshotAtConnectThenOnlyNewer(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(41, time.Now()))
	conn, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	if seq, _ := next(t, conn); seq != 41 {
		t.Errorf("first snapshot has seq %d, want 41: the newest before the connection", seq)
	}
	l.Publish(base(42, time.Now()))
	if seq, _ := next(t, conn); seq != 42 {
		t.Errorf("second snapshot has seq %d, want 42", seq)
	}
}

// A burst gives the page the newest, at ten a second at the most, and the last one
// is never lost.
func TestBurstIsPaced(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(1, time.Now()))
	conn, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	const last = 2000
	start := time.Now()
	go func() {
		for seq := uint64(2); seq <= last; seq++ {
			l.Publish(base(seq, time.Now()))
			time.Sleep(500 * time.Microsecond)
		}
	}()
	frames := 0
	var before uint64
	for seq := uint64(0); seq < last; frames++ {
		seq, _ = next(t, conn)
		if seq <= before {
			t.Fatalf("seq %d after %d", seq, before)
		}
		before = seq
	}
	limit := int(time.Since(start).Seconds()*10) + 2
	if frames > limit {
		t.Errorf("%d frames in %v, want %d at most", frames, time.Since(start), limit)
	}
}

func TestForeignOriginMayNotWatch(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	for _, origin := range []string{"http://elsewhere.example", "http://127.0.0.1:1", "null"} {
		_, resp, err := dial(t, l, rigName, http.Header{"Origin": {origin}})
		if err == nil || resp == nil || resp.StatusCode != http.StatusForbidden {
			t.Errorf("Origin %q: %v, %v, want 403", origin, resp, err)
		}
	}
	if _, _, err := dial(t, l, rigName, http.Header{"Origin": {l.url}}); err != nil {
		t.Errorf("own origin: %v", err)
	}
	if _, resp, _ := dial(t, l, "nowhere", nil); resp == nil || resp.StatusCode != 404 {
		t.Errorf("unknown rig: %v, want 404", resp)
	}
}

// A page that never reads is dropped and counted; one that reads misses nothing of it.
func TestStalledPageDoesNotHoldUpTheOthers(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	big := func(seq uint64) *dashboard.Snapshot {
		s := base(seq, time.Now())
		s.Recorder = strings.Repeat("x", 200<<10) // fills the stalled page's buffers soon
		return s
	}
	l.Publish(big(1))
	stalled, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	_ = stalled // never read from
	normal, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	next(t, normal)
	worst := time.Duration(0)
	for seq := uint64(2); l.Figures().Slow == 0; seq++ {
		if seq > 300 {
			t.Fatal("the stalled page was not dropped")
		}
		start := time.Now()
		l.Publish(big(seq))
		worst = max(worst, time.Since(start))
		for got := uint64(0); got < seq; {
			got, _ = next(t, normal)
		}
	}
	if worst > 500*time.Millisecond {
		t.Errorf("Publish took %v, want it never to wait for a page", worst)
	}
	if f := l.Figures(); f.Pages != 1 || f.Slow != 1 {
		t.Errorf("%d pages open, %d dropped, want 1 and 1", f.Pages, f.Slow)
	}
}

func TestStopSaysGoingAway(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(1, time.Now()))
	conn, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	next(t, conn)
	go l.stop()
	_ = conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	_, _, err = conn.ReadMessage()
	if !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("read after stop: %v, want close 1001", err)
	}
	l.stop()
	if _, _, err := dial(t, l, rigName, nil); err == nil {
		t.Error("a stopped server takes a page")
	}
}

func TestTooMuchFromAPageEndsIt(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(1, time.Now()))
	conn, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	next(t, conn)
	if err := conn.WriteMessage(websocket.TextMessage, []byte(strings.Repeat("x", 4096))); err != nil {
		t.Fatal(err)
	}
	_ = conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	for err == nil {
		_, _, err = conn.ReadMessage()
	}
	if late := (interface{ Timeout() bool })(nil); errors.As(err, &late) && late.Timeout() {
		t.Error("a page may send 4 kB: the server still listens")
	}
	eventually(t, "the page is counted out", func() bool { return l.Figures().Pages == 0 })
}

// 500 pages: a centre's screens and its people's, on one server. What a page costs is
// bounded (BenchmarkFanOut), so the bound is there for what opens pages without end.
func TestNoMoreThanFiveHundredPages(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(1, time.Now()))
	for i := range 500 {
		conn, _, err := dial(t, l, rigName, nil)
		if err != nil {
			t.Fatalf("page %d: %v", i, err)
		}
		next(t, conn)
	}
	_, resp, err := dial(t, l, rigName, nil)
	if err == nil || resp == nil || resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("page 501: %v, %v, want 503", resp, err)
	}
	if f := l.Figures(); f.Refused != 1 {
		t.Errorf("%d pages refused, want 1", f.Refused)
	}
}

// A peer that reads but answers no ping is as good as gone: it is dropped after ten
// seconds.
func TestPageThatAnswersNoPingIsDropped(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(1, time.Now()))
	conn, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	pings := 0
	conn.SetPingHandler(func(string) error { pings++; return nil })
	start := time.Now()
	_ = conn.SetReadDeadline(start.Add(20 * time.Second))
	for err == nil {
		_, _, err = conn.ReadMessage()
	}
	if took := time.Since(start); !(took > 9*time.Second && took < 13*time.Second) || pings == 0 {
		t.Errorf("dropped after %v and %d pings, want about 10 s", took, pings)
	}
	eventually(t, "it is counted as slow", func() bool { return l.Figures().Slow == 1 })
}
