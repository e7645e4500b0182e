package dashboard_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"hoistward/dashboard"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	code := m.Run()
	stopChromium()
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// ask sends one request to the handler, as a browser on host would.
func ask(t *testing.T, s *dashboard.Server, method, path, body string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, "http://127.0.0.1:8080"+path, strings.NewReader(body))
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		} else {
			r.Header.Set(header[i], header[i+1])
		}
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func TestServeRefusesOtherMachines(t *testing.T) {
	ln, err := net.Listen("tcp", "0.0.0.0:0")
	if err != nil {
		t.Fatal(err)
	}
	err = dashboard.New(dashboard.Options{}).Serve(context.Background(), ln)
	if err == nil || !strings.Contains(err.Error(), "want loopback") {
		t.Errorf("Serve on 0.0.0.0: %v, want a refusal that names loopback", err)
	}
	if _, err := ln.Accept(); !errors.Is(err, net.ErrClosed) {
		t.Errorf("the listener is left open: %v", err)
	}
}

func TestGuards(t *testing.T) {
	s := dashboard.New(dashboard.Options{Desk: &desk{}, Rigs: []string{rigName}})
	acts := "/api/rigs/" + rigName + "/acts"
	good := `{"do":"acknowledge","alarm":"overhoist","occurrence":1,"version":2,"person":"A. Example"}`
	for _, c := range []struct {
		name, method, path, body string
		header                   []string
		want                     int
	}{
		{"own page", "GET", "/", "", nil, 200},
		{"localhost", "GET", "/", "", []string{"Host", "localhost:8080"}, 200},
		{"IPv6 loopback", "GET", "/", "", []string{"Host", "[::1]:8080"}, 200},
		{"rebound name", "GET", "/api/rigs", "", []string{"Host", "rebound.example:8080"}, 421},
		{"other address", "GET", "/", "", []string{"Host", "192.0.2.7:8080"}, 421},
		{"name that starts like ours", "GET", "/", "", []string{"Host", "127.0.0.1.example"}, 421},
		{"header splitting by host", "GET", "/", "", []string{"Host", "127.0.0.1:80; script-src *"}, 421},
		{"own origin", "POST", acts, good, []string{"Origin", "http://127.0.0.1:8080"}, 200},
		{"no browser", "POST", acts, good, nil, 200},
		{"foreign origin", "POST", acts, good, []string{"Origin", "http://elsewhere.example"}, 403},
		{"another port is another origin", "POST", acts, good, []string{"Origin", "http://127.0.0.1:9090"}, 403},
		{"null origin", "POST", acts, good, []string{"Origin", "null"}, 403},
		{"cross site without origin", "POST", acts, good, []string{"Sec-Fetch-Site", "cross-site"}, 403},
		{"foreign origin reads", "GET", "/api/rigs", "", []string{"Origin", "http://elsewhere.example"}, 403},
		{"form post", "POST", acts, good, []string{"Content-Type", "text/plain"}, 415},
		{"unknown rig", "POST", "/api/rigs/nowhere/acts", good, nil, 404},
		{"broken JSON", "POST", acts, `{"do":`, nil, 400},
		{"two values", "POST", acts, good + good, nil, 400},
		{"unknown field", "POST", acts, `{"do":"acknowledge","alarm":"overhoist","person":"A","all":true}`, nil, 400},
		{"unknown act", "POST", acts, `{"do":"dance","alarm":"overhoist","person":"A"}`, nil, 400},
		{"a shelf without an end", "POST", acts, `{"do":"shelve","alarm":"brake_hot","person":"A","reason":"sensor work"}`, nil, 400},
		{"a shelf", "POST", acts, `{"do":"shelve","alarm":"brake_hot","person":"A","reason":"sensor work","until":"2026-11-24T18:00:00Z"}`, nil, 200},
		{"a silence", "POST", acts, `{"do":"silence","alarm":"overhoist","occurrence":1,"version":2,"person":"A"}`, nil, 200},
		{"a test", "POST", acts, `{"do":"crown_saver_test","person":"A","work":{"passed":true,"trip_height_m":38,"run_on_m":0.6,"speed_mps":0.5}}`, nil, 200},
		{"nobody", "POST", acts, `{"do":"acknowledge","alarm":"overhoist","person":"  "}`, nil, 400},
		{"control characters", "POST", acts, `{"do":"acknowledge","alarm":"overhoist","person":"A\u0007B"}`, nil, 400},
		{"long name", "POST", acts, `{"do":"acknowledge","alarm":"overhoist","person":"` + strings.Repeat("é", 61) + `"}`, nil, 400},
		{"too large", "POST", acts, `{"person":"` + strings.Repeat("x", 5000) + `"}`, nil, 413},
		{"wrong method", "DELETE", acts, "", nil, 405},
		{"climbing out", "GET", "/assets/..%2fserver.go", "", nil, 404},
		{"template as asset", "GET", "/assets/cabin.html", "", nil, 404},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := ask(t, s, c.method, c.path, c.body, c.header...)
			if w.Code != c.want {
				t.Errorf("%s %s: status %d, want %d: %s", c.method, c.path, w.Code, c.want, w.Body)
			}
			h := w.Result().Header
			if !strings.Contains(h.Get("Content-Security-Policy"), "default-src 'none'") ||
				h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" {
				t.Errorf("headers are missing: %v", h)
			}
		})
	}
}

func TestAlarmFiguresAskForAPeriod(t *testing.T) {
	var asked string
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}, Now: func() time.Time { return time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC) },
		AlarmFigures: func(rigs []string, from, to time.Time) (any, error) {
			asked = fmt.Sprintf("%v %s %s", rigs, from.Format(time.RFC3339), to.Format(time.RFC3339))
			return map[string]int{"raised": 7}, nil
		}})
	for query, want := range map[string]string{
		"": "[] 2026-11-23T12:00:00Z 2026-11-24T12:00:00Z",
		"?rig=" + rigName + "&from=2026-11-01T00:00:00Z&to=2026-11-02T00:00:00Z": "[" + rigName + "] 2026-11-01T00:00:00Z 2026-11-02T00:00:00Z",
	} {
		if w := ask(t, s, "GET", "/api/alarms/figures"+query, ""); w.Code != 200 || asked != want || !strings.Contains(w.Body.String(), "7") {
			t.Errorf("%s: %d, asked for %s, want %s", query, w.Code, asked, want)
		}
	}
	for _, query := range []string{"?rig=nowhere", "?from=yesterday", "?from=2026-11-24T13:00:00Z", "?from=2020-01-01T00:00:00Z", "?rigs=x"} {
		if w := ask(t, s, "GET", "/api/alarms/figures"+query, ""); w.Code != 400 {
			t.Errorf("%s: status %d, want 400", query, w.Code)
		}
	}
	if w := ask(t, dashboard.New(dashboard.Options{}), "GET", "/api/alarms/figures", ""); w.Code != 404 {
		t.Errorf("without a journal: %d", w.Code)
	}
}

func TestPolicyAllowsNoInlineAndNoFrame(t *testing.T) {
	w := ask(t, dashboard.New(dashboard.Options{}), "GET", "/", "")
	csp := w.Result().Header.Get("Content-Security-Policy")
	for _, want := range []string{"script-src 'self';", "style-src 'self';", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'none'"} {
		if !strings.Contains(csp, want) {
			t.Errorf("Content-Security-Policy %q lacks %q", csp, want)
		}
	}
	if strings.Contains(csp, "unsafe") {
		t.Errorf("Content-Security-Policy %q allows something unsafe", csp)
	}
}

func TestActReachesTheDeskAndComesBackRefused(t *testing.T) {
	d := &desk{}
	s := dashboard.New(dashboard.Options{Desk: d, Rigs: []string{rigName}})
	body := `{"do":"acknowledge","alarm":"reading_lost","channel":"hook_load","occurrence":7,"version":9,"person":" A. Example "}`
	if w := ask(t, s, "POST", "/api/rigs/"+rigName+"/acts", body); w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	got := d.taken()
	if len(got) != 1 || got[0].Do != "acknowledge" || got[0].Channel != "hook_load" || got[0].Occurrence != 7 || got[0].Version != 9 || got[0].Person != "A. Example" {
		t.Errorf("the desk took %+v", got)
	}
	d.refuse = errors.New("version 9 is old, the alarm is at 11")
	w := ask(t, s, "POST", "/api/rigs/"+rigName+"/acts", body)
	var said struct{ Refused string }
	if err := json.Unmarshal(w.Body.Bytes(), &said); err != nil || w.Code != http.StatusConflict || said.Refused != d.refuse.Error() {
		t.Errorf("refused act: status %d, body %s, want 409 with the reason", w.Code, w.Body)
	}
	if w := ask(t, dashboard.New(dashboard.Options{Rigs: []string{rigName}}), "POST", "/api/rigs/"+rigName+"/acts", body); w.Code != http.StatusConflict {
		t.Errorf("without a desk: status %d, want 409", w.Code)
	}
}

// A number that is not finite, anywhere in a snapshot, is null, and everything
// else of it still arrives.
func TestNotFiniteIsNull(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	snap := base(1, time.Now())
	snap.Estimate.Velocity, snap.ClockAhead, snap.Channels[0].Value = &nan, &inf, &nan
	snap.Ratings.HookLoad, snap.Ratings.Red, snap.Mast.CrownSaver = &inf, nan, math.Inf(-1)
	snap.Alarms = []dashboard.AlarmView{overhoistAlarm(time.Now(), "high")}
	snap.Alarms[0].Value = &inf
	s := dashboard.New(dashboard.Options{})
	s.Publish(snap)
	w := ask(t, s, "GET", "/api/rigs/"+rigName, "")
	var got map[string]any
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatalf("%v in %q", err, w.Body)
	}
	at := func(path ...any) any {
		var v any = got
		for _, p := range path {
			switch p := p.(type) {
			case string:
				v = v.(map[string]any)[p]
			case int:
				v = v.([]any)[p]
			}
		}
		return v
	}
	for _, path := range [][]any{{"estimate", "velocity_mps"}, {"clock_ahead_s"}, {"channels", 0, "value"}, {"ratings", "hook_load_kN"},
		{"ratings", "red_C"}, {"mast", "crown_saver_m"}, {"alarms", 0, "value"}} {
		if v := at(path...); v != nil {
			t.Errorf("%v = %v, want null", path, v)
		}
	}
	if v := at("estimate", "height_m"); v != 18.2 {
		t.Errorf("height_m = %v, want 18.2: the other numbers must arrive", v)
	}
	if snap.Estimate.Velocity != &nan || snap.Channels[0].Value != &nan {
		t.Error("Publish changed the caller's snapshot")
	}
	if f := s.Figures(); f.NotFinite != 5 || f.BrokenSnapshots != 0 {
		t.Errorf("figures %+v, want 5 numbers that are not finite counted", f)
	}
	if dashboard.Num(nan) != nil || dashboard.Num(-inf) != nil || *dashboard.Num(1.5) != 1.5 {
		t.Error("Num: want nil for NaN and infinities, the number otherwise")
	}
}

func TestUnknownRigListsTheKnown(t *testing.T) {
	s := dashboard.New(dashboard.Options{Rigs: []string{"northfell-1", "southmoor-2"}})
	for _, path := range []string{"/cabin/nowhere", "/nowhere"} {
		w := ask(t, s, "GET", path, "")
		if w.Code != 404 || !strings.Contains(w.Body.String(), `href="/cabin/northfell-1"`) || !strings.Contains(w.Body.String(), `href="/cabin/southmoor-2"`) {
			t.Errorf("%s: status %d, want 404 and both rigs: %s", path, w.Code, w.Body)
		}
	}
	w := ask(t, s, "GET", "/cabin/%3Cscript%3Ealert(1)%3C%2Fscript%3E", "")
	if strings.Contains(w.Body.String(), "<script>alert") {
		t.Error("the address comes back as script")
	}
}

func TestStartPageCarriesTheCaution(t *testing.T) {
	body := ask(t, dashboard.New(dashboard.Options{}), "GET", "/", "").Body.String()
	body = strings.ReplaceAll(body, "&#39;", "'")
	for _, want := range []string{"Advisory only.", "no crown or floor limit device", "no emergency stop", "no brake or line inspection",
		"no weight indicator", "no driller's attention", "the rig's own procedures", "the makers' data", "the local rules", "competent, licensed people"} {
		if !strings.Contains(body, want) {
			t.Errorf("the start page lacks %q", want)
		}
	}
}

func TestSoundIsKeptAndForgotten(t *testing.T) {
	now := time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC)
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}, Now: func() time.Time { return now }})
	say := func(page string, running bool) {
		t.Helper()
		w := ask(t, s, "POST", "/api/rigs/"+rigName+"/sound", fmt.Sprintf(`{"page":%q,"running":%v,"reason":"not touched"}`, page, running))
		if w.Code != http.StatusNoContent {
			t.Fatalf("status %d: %s", w.Code, w.Body)
		}
	}
	heard := func() (int, int) { r := s.Figures().Rigs[0]; return r.Sound, r.Silent }
	say("a", false)
	say("b", true)
	if on, off := heard(); on != 1 || off != 1 {
		t.Errorf("%d pages heard, %d silent, want 1 and 1", on, off)
	}
	say("a", true)
	now = now.Add(50 * time.Second)
	say("a", true)
	now = now.Add(30 * time.Second) // b has said nothing for 80 s
	if on, off := heard(); on != 1 || off != 0 {
		t.Errorf("%d pages heard, %d silent, want 1 and 0: b is gone", on, off)
	}
	for i := range 100 {
		say(fmt.Sprint("page", i), false)
	}
	if on, off := heard(); on+off != 32 {
		t.Errorf("%d pages are kept, want 32 at most", on+off)
	}
}

func TestHealth(t *testing.T) {
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}, Version: "v0", Health: func() any { return map[string]int{"entries": 7} }})
	var got struct {
		Entries   int
		Dashboard dashboard.Figures
	}
	w := ask(t, s, "GET", "/healthz", "")
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || got.Entries != 7 || got.Dashboard.Version != "v0" || len(got.Dashboard.Rigs) != 1 {
		t.Errorf("health %s: %v", w.Body, err)
	}
	bad := dashboard.New(dashboard.Options{Health: func() any { return math.NaN() }})
	if w := ask(t, bad, "GET", "/healthz", ""); w.Code != 500 || !json.Valid(w.Body.Bytes()) {
		t.Errorf("health that is not JSON: status %d, body %q, want 500 and JSON", w.Code, w.Body)
	}
}

// The newest snapshot wins even when the publishing goroutines overtake each other.
func TestConcurrentPublishKeepsTheNewest(t *testing.T) {
	s := dashboard.New(dashboard.Options{})
	start := time.Now()
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for i := range 50 {
				seq := uint64(8*i + g + 1)
				s.Publish(base(seq, start.Add(time.Duration(seq)*time.Millisecond)))
			}
		})
	}
	wg.Wait()
	var got struct{ Seq uint64 }
	if err := json.Unmarshal(ask(t, s, "GET", "/api/rigs/"+rigName, "").Body.Bytes(), &got); err != nil || got.Seq != 400 {
		t.Errorf("newest seq %d (%v), want 400", got.Seq, err)
	}
}

func TestSnapshotCarriesHowLongItWasHeld(t *testing.T) {
	now := time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC)
	s := dashboard.New(dashboard.Options{Now: func() time.Time { return now }})
	s.Publish(base(1, now))
	now = now.Add(90 * time.Second)
	var got struct {
		HeldMs int64 `json:"held_ms"`
		SentMs int64 `json:"sent_ms"`
	}
	body := ask(t, s, "GET", "/api/rigs/"+rigName, "").Body.Bytes()
	if err := json.Unmarshal(body, &got); err != nil || got.HeldMs != 90000 || got.SentMs != now.UnixMilli() {
		t.Errorf("held %d ms, sent %d (%v), want 90000 and %d", got.HeldMs, got.SentMs, err, now.UnixMilli())
	}
}

func TestAssetsAreAskedForAgain(t *testing.T) {
	s := dashboard.New(dashboard.Options{})
	w := ask(t, s, "GET", "/assets/cabin.mjs", "")
	tag := w.Result().Header.Get("ETag")
	if w.Code != 200 || tag == "" || w.Result().Header.Get("Cache-Control") != "no-cache" {
		t.Fatalf("status %d, headers %v", w.Code, w.Result().Header)
	}
	if w := ask(t, s, "GET", "/assets/cabin.mjs", "", "If-None-Match", tag); w.Code != http.StatusNotModified {
		t.Errorf("same content: status %d, want 304", w.Code)
	}
	if body, _ := io.ReadAll(w.Body); !bytes.Contains(body, []byte("import")) {
		t.Error("the script is empty")
	}
}

// What a page or the API is given first is what was made for it, not what lay there.
func TestWhoComesIsGivenWhatIsKnownNow(t *testing.T) {
	var s *dashboard.Server
	seq := uint64(0)
	s = dashboard.New(dashboard.Options{Rigs: []string{rigName}, Fresh: func(rig string) {
		seq++
		s.Publish(&dashboard.Snapshot{Rig: rig, Seq: seq})
	}})
	for range 2 {
		if body := ask(t, s, "GET", "/api/rigs/"+rigName, "").Body.String(); !strings.Contains(body, fmt.Sprintf(`"seq":%d,`, seq)) {
			t.Errorf("the answer is not snapshot %d: %s", seq, body)
		}
	}
	if seq != 2 {
		t.Errorf("%d snapshots were made for two that asked", seq)
	}
}

// A browser opens connections ahead and asks nothing on them: they do not hold up a stop.
func TestAConnectionThatAsksNothingHoldsNoStopUp(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := dashboard.New(dashboard.Options{})
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- s.Serve(ctx, ln) }()
	ahead, err := net.Dial("tcp", ln.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer ahead.Close()
	answer, err := http.Get("http://" + ln.Addr().String() + "/healthz") // the one before it is accepted by now
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	http.DefaultClient.CloseIdleConnections()
	stop()
	if err := <-served; err != nil {
		t.Errorf("Serve: %v", err)
	}
}
