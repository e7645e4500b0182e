package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The whole monitor with all three ways out: mosquitto's own client reads the state
// that a broker kept, a receiver gets the events, and the command is run.
func TestAlarmsGoOut(t *testing.T) {
	sub := needTool(t, "mosquitto_sub")
	port, dir := startMosquitto(t), t.TempDir()
	got := make(chan string, 1000)
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var b strings.Builder
		_ = r.Write(&b)
		got <- b.String()
	}))
	defer server.Close()
	for name, text := range map[string]string{"secret": "an invented secret of this test", "horn": "#!/bin/sh\ncat >> " + filepath.Join(dir, "told") + "\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	site := siteFile(t, dir, port)
	f, err := os.OpenFile(site, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(f, "notify:\n  webhooks:\n    - {name: shore, url: '%s/alarms', secret_file: secret, priority: high}\n  annunciator: {command: [./horn]}\n", server.URL)
	f.Close()
	address, out, stop := runMonitor(t, site)
	l := &liveRun{t: t, st: &station{address: address}, dir: filepath.Join(dir, "data")}
	s := newSender(t, fmt.Sprintf("tcp://127.0.0.1:%d", port))
	until(t, "the subscription", func() bool { return strings.Contains(l.get("/healthz"), `"subscribed"`) })
	s.send("R1", fmt.Sprintf(`{"t":%q,"hook_load":66.1,"block_height":65.6,"drum_speed":0,"brake_pressure":1000}`, stamp(0)))
	until(t, "the rig's silence to be an alarm", func() bool { return strings.Contains(l.journal(), `"alarm":"source_lost","event":"raised"`) })
	state := func() string {
		b, _ := exec.Command(sub, "-h", "127.0.0.1", "-p", fmt.Sprint(port), "-t", "hoist/R1/alarms", "-C", "1", "-W", "5").Output()
		return string(b)
	}
	until(t, "the retained state", func() bool { return strings.Contains(state(), `"alarm":"source_lost"`) })
	until(t, "the horn", func() bool {
		text, _ := os.ReadFile(filepath.Join(dir, "told"))
		return strings.Contains(string(text), `"rig":"R1"`)
	})
	until(t, "the receiver", func() bool {
		select {
		case r := <-got:
			return strings.Contains(r, "Hoistward-Signature: v1=") && strings.Contains(r, `"alarm":"source_lost","event":"raised"`)
		default:
			return false
		}
	})
	for _, want := range []string{`"name":"mqtt-field","kind":"mqtt","state":"delivering"`, `"name":"shore","kind":"webhook","state":"delivering"`, `"name":"annunciator"`} {
		if h := l.get("/healthz"); !strings.Contains(h, want) {
			t.Errorf("healthz without %s: %s", want, h)
		}
	}
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
}
