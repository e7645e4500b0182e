package notify

import (
	"bytes"
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
)

// Every way in which a receiver can fail, one after the other: what was sent into it
// goes out again, in order, and nothing is lost.
func TestReceiverFaults(t *testing.T) {
	release := make(chan struct{})
	target := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a redirect was followed") }))
	defer target.Close()
	faults := []struct {
		says string // of the status meanwhile
		do   func(w http.ResponseWriter)
	}{
		{"500 Internal Server Error: out of order", func(w http.ResponseWriter) { http.Error(w, "out of\norder", 500) }},
		{"no answer in time", func(http.ResponseWriter) { <-release }},
		{"429", func(w http.ResponseWriter) { w.Header().Set("Retry-After", "1"); w.WriteHeader(429) }},
		{"408", func(w http.ResponseWriter) { w.WriteHeader(408) }},
		{"broke off", func(w http.ResponseWriter) {
			w.Header().Set("Content-Length", "100")
			fmt.Fprint(w, "half")
			w.(http.Flusher).Flush()
			panic(http.ErrAbortHandler)
		}},
		{"500 Internal Server Error: xxx", func(w http.ResponseWriter) { // an answer without an end
			w.WriteHeader(500)
			for text := bytes.Repeat([]byte("x"), 1<<16); ; {
				if _, err := w.Write(text); err != nil {
					return
				}
			}
		}},
		{"EOF", func(http.ResponseWriter) { panic(http.ErrAbortHandler) }},
		{"redirects are not followed", func(w http.ResponseWriter) { w.Header().Set("Location", target.URL); w.WriteHeader(307) }},
	}
	v := &receiver{byID: map[string]string{}}
	turn, asked := 0, []time.Time{}
	v.answer = func(w http.ResponseWriter, _ *http.Request, _ request) bool {
		asked = append(asked, time.Now())
		if turn >= len(faults) {
			return false
		}
		do := faults[turn].do
		turn++
		v.mu.Unlock()
		defer v.mu.Lock()
		do(w)
		return true
	}
	server := httptest.NewServer(v)
	defer server.Close()
	defer close(release)
	dir := t.TempDir()
	x := newBench(t, dir, func(o *Options) {
		hook(t, dir, server.URL)(o)
		o.Webhooks[0].Timeout = 500 * time.Millisecond
	})
	seen := map[string]bool{}
	x.start()
	for i := range 5 {
		x.raise(func(e *alarms.Event) { e.Reason = fmt.Sprint("number ", i) })
	}
	until(t, "the receiver to take them", func() bool {
		seen[x.status("shore").Detail] = true
		return x.status("shore").Sent == 5
	})
	x.stop()
	var details []string
	for d := range seen {
		details = append(details, d)
	}
	for _, f := range faults {
		if !has(details, f.says) {
			t.Errorf("the status never said %q; it said %q", f.says, details)
		}
	}
	if s := x.status("shore"); s.State != Delivering || s.Failures != uint64(len(faults)) || s.Behind != 0 || s.SetAside != 0 {
		t.Errorf("status %+v, want %d failures and nothing left", s, len(faults))
	}
	if gap := asked[3].Sub(asked[2]); gap < time.Second {
		t.Errorf("asked again %v after a Retry-After of 1 s", gap)
	}
	for i, e := range v.order {
		if !strings.Contains(e, fmt.Sprintf(`"reason":"number %d"`, i)) {
			t.Errorf("event %d is %s", i, e)
		}
	}
	if len(v.order) != 5 || len(v.wrong) > 0 {
		t.Errorf("%d events, wrong: %v", len(v.order), v.wrong)
	}
}

// One event that the receiver refuses is set aside with its words; those around it go
// through.
func TestRefusedEventIsSetAside(t *testing.T) {
	v := &receiver{byID: map[string]string{}}
	v.answer = func(w http.ResponseWriter, _ *http.Request, body request) bool {
		for _, e := range body.Events {
			if strings.Contains(string(e), "poison") {
				http.Error(w, "cannot read\x1b that", http.StatusUnprocessableEntity)
				return true
			}
		}
		return false
	}
	server := httptest.NewServer(v)
	defer server.Close()
	dir := t.TempDir()
	x := newBench(t, dir, hook(t, dir, server.URL))
	for i := range 40 {
		x.raise(func(e *alarms.Event) {
			if i == 23 {
				e.Reason = "poison"
			}
		})
	}
	x.start()
	until(t, "all dealt with", func() bool { s := x.status("shore"); return s.Behind == 0 && s.State == Delivering })
	x.stop()
	if s := x.status("shore"); s.Sent != 39 || s.SetAside != 1 || len(v.order) != 39 {
		t.Errorf("sent %d, set aside %d, received %d; want 39, 1, 39", s.Sent, s.SetAside, len(v.order))
	}
	text, err := os.ReadFile(filepath.Join(dir, "notify", "shore.refused.jsonl"))
	if err != nil || strings.Count(string(text), "\n") != 1 || !strings.Contains(string(text), "422 Unprocessable Entity: cannot read that") || !strings.Contains(string(text), `"reason":"poison"`) {
		t.Errorf("set aside: %v: %s", err, text)
	}
	if next := newBench(t, dir, hook(t, dir, server.URL)); next.status("shore").SetAside != 1 {
		t.Error("the count is gone after a restart")
	} else {
		next.stop()
	}
}

// A certificate that nobody known has signed gets nothing.
func TestCertificateIsVerified(t *testing.T) {
	v := &receiver{byID: map[string]string{}}
	server := httptest.NewTLSServer(v)
	defer server.Close()
	dir := t.TempDir()
	x := newBench(t, dir, hook(t, dir, server.URL)).start()
	x.raise(nil)
	until(t, "the failure", func() bool { return strings.Contains(x.status("shore").Detail, "certificate") })
	until(t, "word of it", func() bool {
		x.told.Lock()
		defer x.told.Unlock()
		return x.told.failing && strings.Contains(x.told.why, "shore")
	})
	x.stop()
	if v.count() != 0 || x.status("shore").Sent != 0 {
		t.Errorf("%d events went to a stranger", v.count())
	}
	ca := filepath.Join(dir, "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	x = newBench(t, dir, func(o *Options) {
		hook(t, dir, server.URL)(o)
		o.Webhooks[0].CAFile = ca
	}).start()
	until(t, "the event", func() bool { return v.count() == 1 })
	x.stop()
}

// The receiver gets its rigs and its priorities, and what eased from them; requests
// join without a gap.
func TestFilter(t *testing.T) {
	v := &receiver{byID: map[string]string{}}
	at := int64(0)
	v.answer = func(_ http.ResponseWriter, _ *http.Request, body request) bool {
		if body.After != at || body.Seq <= body.After {
			v.wrong = append(v.wrong, fmt.Sprintf("after %d to %d, want it after %d", body.After, body.Seq, at))
		}
		at = body.Seq
		return false
	}
	server := httptest.NewServer(v)
	defer server.Close()
	dir := t.TempDir()
	x := newBench(t, dir, func(o *Options) {
		hook(t, dir, server.URL)(o)
		o.Webhooks[0].Least, o.Webhooks[0].Rigs = alarms.High, []string{"R1"}
	})
	for _, e := range []struct {
		rig, reason string
		p           alarms.Priority
		kind        alarms.EventKind
	}{
		{"R1", "yes 1", alarms.Emergency, alarms.EventRaised}, {"R1", "no", alarms.Medium, alarms.EventRaised},
		{"R2", "no", alarms.Emergency, alarms.EventRaised}, {"R1", "yes 2", alarms.Medium, alarms.EventEased},
		{"R1", "no", alarms.NoPriority, alarms.EventLimitChanged}, {"R1", "yes 3", alarms.High, alarms.EventCleared},
	} {
		x.raise(func(v *alarms.Event) { v.Rig, v.Reason, v.Priority, v.Event = e.rig, e.reason, e.p, e.kind })
	}
	x.start()
	until(t, "all dealt with", func() bool { return x.status("shore").Behind == 0 })
	x.stop()
	if len(v.order) != 3 || len(v.wrong) > 0 || has(v.order, `"no"`) {
		t.Errorf("got %v, wrong: %v", v.order, v.wrong)
	}
}

// openssl makes the same signature.
func TestSignatureIsOpenSSLs(t *testing.T) {
	cmd := exec.Command(tool(t, "openssl"), "dgst", "-sha256", "-hmac", secretText, "-r")
	cmd.Stdin = strings.NewReader(`1700000000.{"site":"northfell"}`)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	want, _, _ := strings.Cut(string(out), " ")
	if got := Sign([]byte(secretText), "1700000000", []byte(`{"site":"northfell"}`)); got != "v1="+want {
		t.Errorf("got %s, openssl says %s", got, want)
	}
}

func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for text, want := range map[string]time.Duration{
		"": 0, "0": 0, "7": 7 * time.Second, " 7 ": 7 * time.Second, "999999999": time.Hour, "-3": 0, "soon": 0,
		"Tue, 24 Nov 2026 12:00:30 GMT": 30 * time.Second, "Tue, 24 Nov 2026 11:00:00 GMT": 0, "Tue, 24 Nov 2099 11:00:00 GMT": time.Hour,
	} {
		if got := retryAfter(text, now); got != want {
			t.Errorf("%q: got %v, want %v", text, got, want)
		}
	}
}

func TestBackOffGrowsAndIsBounded(t *testing.T) {
	for n := range 100 {
		d := backOff(time.Second, n+1)
		full := min(time.Second<<min(n, 20), mostPause)
		if d < full/2 || d > full {
			t.Errorf("after %d failures: %v, want %v to %v", n+1, d, full/2, full)
		}
	}
}

// Secrets that others may read, or that are too short, and addresses without TLS are
// refused before anything is sent.
func TestWebhookIsRefused(t *testing.T) {
	dir := t.TempDir()
	good := secretFile(t, dir)
	loose, short := filepath.Join(dir, "loose"), filepath.Join(dir, "short")
	for path, text := range map[string]string{loose: secretText, short: "short"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(loose, 0o644); err != nil {
		t.Fatal(err)
	}
	o := Options{Dir: dir}
	for want, w := range map[string]Webhook{
		"mode 0644":           {URL: "https://receiver.example", SecretFile: loose},
		"5 bytes":             {URL: "https://receiver.example", SecretFile: short},
		"want https":          {URL: "http://receiver.example/token", SecretFile: good},
		"no such file":        {URL: "https://receiver.example", SecretFile: filepath.Join(dir, "none")},
		"CA file":             {URL: "https://receiver.example", SecretFile: good, CAFile: short},
		"that cannot be read": {URL: "https://%zz", SecretFile: good},
	} {
		if _, err := newWebhook(&o, w); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "token") {
			t.Errorf("got %v, want it to say %q", err, want)
		}
	}
}
