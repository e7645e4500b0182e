package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// sender is a plain MQTT client that publishes by hand.
type sender struct {
	t testing.TB
	c paho.Client
}

func newSender(t testing.TB, url string) *sender {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("hand-" + strings.ReplaceAll(t.Name(), "/", "-")))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return &sender{t, c}
}

func (s *sender) send(rig, payload string) {
	s.t.Helper()
	if tok := s.c.Publish("hoist/"+rig+"/readings", 1, false, payload); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		s.t.Fatal(tok.Error())
	}
}

func stamp(d time.Duration) string { return time.Now().UTC().Add(d).Format(time.RFC3339Nano) }

func good(h float64) string {
	return fmt.Sprintf(`{"t":%q,"hook_load":300,"block_height":%g,"drum_speed":0,"drum_counts":4096,"brake_pressure":7}`, stamp(0), h)
}

// Every kind of bad input is counted by its reason in /healthz and on the page, and
// changes no answer, neither of its own rig nor of another's.
func TestBadInputIsCountedAndChangesNothing(t *testing.T) {
	l := startLive(t, 2, 1)
	s := newSender(t, l.broker.URL())
	until(t, "the subscription", func() bool { return strings.Contains(l.get("/healthz"), `"subscribed"`) })
	height := func(rig string) string {
		var snap struct {
			Estimate struct {
				Height *float64 `json:"height_m"`
			}
		}
		_ = json.Unmarshal([]byte(l.get("/api/rigs/"+rig)), &snap)
		if snap.Estimate.Height == nil {
			return "not known"
		}
		return fmt.Sprintf("%.1f", *snap.Estimate.Height)
	}
	for range 5 {
		s.send("R1", good(20))
		s.send("R2", good(10))
	}
	until(t, "both heights", func() bool { return height("R1") == "20.0" && height("R2") == "10.0" })

	bad := map[string]string{
		"broken JSON":      `{"t":"2026`,
		"empty payload":    ``,
		"null":             `{"t":"` + stamp(time.Millisecond) + `","block_height":null}`,
		"wrong type":       `{"t":"` + stamp(2*time.Millisecond) + `","block_height":"high"}`,
		"out of range":     `{"t":"` + stamp(3*time.Millisecond) + `","block_height":-4000}`,
		"clock ahead":      `{"t":"` + stamp(48*time.Hour) + `","auxiliary_current":0}`,
		"far past":         `{"t":"1999-01-01T00:00:00Z","block_height":40.9}`,
		"no time":          `{"block_height":40.9}`,
		"bad time":         `{"t":"yesterday","block_height":40.9}`,
		"no known channel": `{"t":"` + stamp(4*time.Millisecond) + `","mud_weight":1.2}`,
	}
	for _, payload := range bad {
		s.send("R1", payload)
	}
	s.send("R1", `{"t":"`+stamp(5*time.Millisecond)+`","block_height":NaN}`)
	s.send("R9", good(40.9))

	missing := ""
	defer func() {
		if t.Failed() {
			t.Logf("missing %q in %s", missing, l.get("/healthz"))
		}
	}()
	until(t, "every reason in /healthz", func() bool {
		body := l.get("/healthz")
		for reason := range bad {
			if !strings.Contains(body, fmt.Sprintf("%q", reason)) {
				missing = reason
				return false
			}
		}
		missing = "unknown rig"
		return strings.Contains(body, `"unknown rig"`)
	})
	s.send("R1", good(20))
	s.send("R2", good(10))
	until(t, "the page's list of rejects", func() bool { return strings.Contains(l.get("/api/rigs/R1"), `"far past"`) })
	if h1, h2 := height("R1"), height("R2"); h1 != "20.0" || h2 != "10.0" {
		t.Errorf("heights after bad input: R1 %s, R2 %s, want 20.0 and 10.0", h1, h2)
	}
	for _, alarm := range []string{"overhoist", "crown_limit_passed", "floor_approach"} {
		if strings.Contains(l.journal(), alarm) {
			t.Errorf("bad input raised %s", alarm)
		}
	}
}
