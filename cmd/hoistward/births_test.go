package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"hoistward/configs"
)

// An edge node that was there before the technician sends aliases alone: with --births
// listen asks it for its birth, with the command of the specification.
func TestListenAsksForBirths(t *testing.T) {
	dir := t.TempDir()
	b := startBroker(t, dir)
	t.Cleanup(func() { _ = b.Stop(context.Background()) })
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(dir, "site.yaml")
	for path, text := range map[string]string{
		filepath.Join(dir, "R1.yaml"): string(text),
		site: fmt.Sprintf("site: s\nrigs:\n  - file: R1.yaml\nsources:\n  - name: field\n    kind: mqtt\n    broker: %s\n    payload: sparkplug\n"+
			"    sparkplug: {group: north, node: \"{rig}\"}\n    channels:\n      hook_load: {field: Hoist/Hook Load, unit: kN}\n", b.URL()),
	} {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	node := newSender(t, b.URL())
	asked := make(chan paho.Message, 16)
	if tok := node.c.Subscribe("spBv1.0/north/NCMD/R1", 0, func(_ paho.Client, m paho.Message) { asked <- m }); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan int, 1)
	go func() {
		done <- run([]string{"listen", "--config", site, "--births"}, &streams{ctx: ctx, in: strings.NewReader(""), out: io.Discard, err: io.Discard})
	}()
	// Payload of Sparkplug B: timestamp 1, metrics 2 {alias 2, double_value 13}, seq 3.
	data := func(seq byte) []byte {
		metric := binary.LittleEndian.AppendUint64([]byte{2 << 3, 5, 13<<3 | 1}, math.Float64bits(300))
		p := binary.AppendUvarint([]byte{1 << 3}, uint64(time.Now().UnixMilli()))
		p = append(append(p, 2<<3|2, byte(len(metric))), metric...)
		return append(p, 3<<3, seq)
	}
	deadline, seq := time.After(30*time.Second), byte(0)
	for {
		node.c.Publish("spBv1.0/north/NDATA/R1", 0, false, data(seq))
		seq++
		select {
		case m := <-asked:
			if !bytes.Contains(m.Payload(), []byte("Node Control/Rebirth")) {
				t.Errorf("asked with %q, want the metric Node Control/Rebirth", m.Payload())
			}
		case code := <-done:
			t.Fatalf("listen ended: exit %d", code)
		case <-deadline:
			t.Fatal("nobody asked for a birth in 30 s")
		case <-time.After(200 * time.Millisecond):
			continue
		}
		break
	}
	cancel()
	if code := <-done; code != exitGood {
		t.Errorf("exit %d, want %d", code, exitGood)
	}
}
