package main

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/simulator"
)

// A historian that is down makes an alarm and stops nothing; when it is back it gets
// what was missed, and at the stop what was recorded last.
func TestHistorianBehindAndBack(t *testing.T) {
	var down atomic.Bool
	var bytes atomic.Int64
	down.Store(true)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		n, _ := io.Copy(io.Discard, r.Body)
		if down.Load() {
			http.Error(w, "down for maintenance", http.StatusServiceUnavailable)
			return
		}
		bytes.Add(n)
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(server.Close)
	const speed = 60
	l := &liveRun{t: t, dir: t.TempDir()}
	l.broker = startBroker(t, l.dir)
	l.undo.add("broker", l.broker.Stop)
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	cmd := demoCmd{Rigs: 1, Listen: "127.0.0.1:0"}
	if l.site, err = cmd.site(l.dir, l.broker.URL(), sc); err != nil {
		t.Fatal(err)
	}
	l.site.Forward = &configs.Historian{URL: server.URL, Bucket: "hoist", Interval: 50 * time.Millisecond, BehindAfter: 30 * time.Second}
	l.st = &station{site: l.site, clock: monotone(time.Now(), speed), log: zap.NewNop()}
	if err := l.st.start(&l.undo); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.stop)
	journal := func(event string) bool {
		b, err := os.ReadFile(filepath.Join(l.site.Data, journalFile))
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(string(b), "\n") {
			if strings.Contains(line, `"alarm":"historian_behind"`) && strings.Contains(line, `"event":"`+event+`"`) {
				return true
			}
		}
		return false
	}
	until := func(what string, done func() bool) {
		t.Helper()
		for end := time.Now().Add(time.Minute); !done(); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("not in a minute: %s", what)
			}
		}
	}
	health := func() (h health) {
		resp, err := http.Get(l.st.address + "/healthz")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(b, &h); err != nil {
			t.Fatal(err)
		}
		if h.Historian == nil {
			t.Fatalf("got %s, want a historian", b)
		}
		return h
	}
	until("the alarm is raised", func() bool { return journal("raised") })
	if h := health(); h.Historian.State != "waiting" || !strings.Contains(h.Historian.Error, "down for maintenance") {
		t.Errorf("got %+v, want it waiting, with the server's words", h.Historian)
	}
	families, _ := scrape(t, l.st.address)
	if v, ok := value(families, "historian_waiting"); !ok || v != 1 {
		t.Errorf("historian_waiting: got %v, %v, want 1", v, ok)
	}
	down.Store(false)
	until("it has caught up", func() bool { return health().Historian.BehindMs < 27_000 && bytes.Load() > 0 })
	l.stop()
	if s := l.st.forward.Status(); s.State != "stopped" || s.Sent == 0 || s.Refused != 0 {
		t.Errorf("got %+v, want it stopped, with points sent and none refused", s)
	}
}
