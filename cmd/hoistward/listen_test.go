package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"hoistward/ingest/listen"
)

// What a technician must see at once, from a publisher that is not ours: the reading
// in its unit, a rig without a file, a misspelt topic, a broken message, and the
// channel that never comes.
func TestListenShowsWhatArrivesAndWhatDoesNot(t *testing.T) {
	pub := needTool(t, "mosquitto_pub")
	port := startMosquitto(t)
	site := siteFile(t, t.TempDir(), port)
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	plain := strings.Replace(string(text), "block_height: {unit: ft}", "block_height: {unit: ft, topic: 'hoist/{rig}/height', payload: number}", 1)
	if err := os.WriteFile(site, []byte(plain), 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out, raw := &syncBuffer{}, &syncBuffer{}
	code := make(chan int, 2)
	go func() {
		code <- run([]string{"listen", "--config", site, "--json"}, &streams{ctx: ctx, out: out, err: out})
	}()
	go func() {
		code <- run([]string{"listen", "--config", site, "--raw"}, &streams{ctx: ctx, out: raw, err: raw})
	}()
	send := func(topic, payload string) {
		cmd := exec.Command(pub, "-h", "127.0.0.1", "-p", fmt.Sprint(port), "-q", "1", "-t", topic, "-m", payload)
		if b, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_pub: %v: %s", err, b)
		}
	}
	until(t, "both listeners to hear", func() bool {
		send("hoist/R1/readings", fmt.Sprintf(`{"t":%q,"hook_load":66.1,"pump_pressure":3}`, stamp(0)))
		send("hoist/R1/height", "65.6")
		send("hoist/X9/readings", fmt.Sprintf(`{"t":%q,"hook_load":1}`, stamp(0)))
		send("hoist/R1/Readings", "{}")
		send("hoist/R1/readings", "{broken")
		return strings.Count(raw.String(), "broken") > 1 && strings.Contains(raw.String(), `"hoist/R1/Readings" "{}"  [bad topic]`)
	})
	cancel()
	for range 2 {
		if c := <-code; c != exitGood {
			t.Fatalf("exit %d: %s%s", c, out, raw)
		}
	}
	var reports []listen.Report
	if err := json.Unmarshal([]byte(out.String()), &reports); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	for _, want := range []string{
		`"channel": "hook_load"`, `"value": 66.1`, `"unit": "klbf"`, `"si": 294027.4`, `"value": 65.6`, `"si": 19.99`,
		`"rig": "X9"`, `"known": false`, `"reason": "broken JSON"`, `"reason": "unknown rig"`, `"field": "pump_pressure"`,
		`"topic": "hoist/R1/Readings"`, `\"Readings\" is written \"readings\" in the site file's topic`, `"clock_offset_s"`,
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the report lacks %s:\n%s", want, out)
		}
	}
	for _, want := range []string{"rig X9: no rig file has this name", "never came  sought on hoist/{rig}/readings as \"drum_speed\"", "66.1 klbf"} {
		if !strings.Contains(raw.String(), want) {
			t.Errorf("the text lacks %q:\n%s", want, raw)
		}
	}
}
