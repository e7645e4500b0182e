package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"hoistward/ingest/mqtt/broker"
	"hoistward/ingest/npmtest"
	"hoistward/ingest/sparkplug"
)

// edgeNode is an edge node in a process of its own.
type edgeNode struct {
	t   *testing.T
	cmd *exec.Cmd
	out *syncBuffer
}

func startEdge(t *testing.T, dir string, args ...string) *edgeNode {
	t.Helper()
	e := &edgeNode{t, exec.Command(npmtest.Node(t), append([]string{"edge.js"}, args...)...), &syncBuffer{}}
	e.cmd.Dir, e.cmd.Stdout, e.cmd.Stderr = dir, e.out, e.out
	if err := e.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.kill)
	return e
}

func (e *edgeNode) kill() {
	_ = e.cmd.Process.Kill()
	_ = e.cmd.Wait()
}

func (e *edgeNode) says(what string) {
	e.t.Helper()
	defer func() {
		if e.t.Failed() {
			e.t.Logf("the edge node says: %s", e.out)
		}
	}()
	until(e.t, "the edge node to say "+what, func() bool { return strings.Contains(e.out.String(), what+"\n") })
}

// sparkplugRun is a monitor on a site of edge nodes.
type sparkplugRun struct {
	*liveRun
	end func() int
}

func startSparkplug(t *testing.T, dir, site string) sparkplugRun {
	address, out, stop := runMonitor(t, site)
	l := &liveRun{t: t, st: &station{address: address}, dir: filepath.Join(dir, "data")}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the monitor says: %s", out)
		}
	})
	until(t, "the subscription", func() bool {
		return strings.Contains(l.get("/healthz"), `"state":"subscribed"`) || l.node().State != ""
	})
	return sparkplugRun{l, stop}
}

// node returns what the monitor knows of the edge node R1.
func (l *liveRun) node() sparkplug.NodeState {
	var h struct{ Links []linkHealth }
	_ = json.Unmarshal([]byte(l.get("/healthz")), &h)
	if len(h.Links) == 0 || len(h.Links[0].Nodes) == 0 {
		return sparkplug.NodeState{}
	}
	return h.Links[0].Nodes[0]
}

func (r sparkplugRun) flows(requests int) {
	r.t.Helper()
	until(r.t, "readings of the edge node", func() bool {
		return r.node().State == "born" && strings.Contains(r.get("/api/rigs/R1"), `"hook_load_kN":294`)
	})
	if n := r.node(); n.Requests != requests || n.Suspect || strings.Join(n.Devices, ",") != "PLC" {
		r.t.Errorf("node %+v, want %d requests for births, nothing suspect and the device PLC", n, requests)
	}
}

// The whole way with an edge node that nobody here wrote, on a broker of ours and on
// mosquitto: a node born before the monitor is asked for its births once; a killed
// one is dead and its channels lost; the next one waits for its host and needs no
// asking; a monitor that starts anew in its session asks once.
func TestEdgeNodeOfIndependentParts(t *testing.T) {
	packages := npmtest.Folder(t, filepath.Join("..", "..", "ingest", "sparkplug", "testdata", "npm"), "edge.js")
	for name, start := range map[string]func(t *testing.T, dir string) int{
		"embedded": func(t *testing.T, dir string) int {
			port := freePort(t)
			b := startBroker(t, dir, broker.Port(port))
			t.Cleanup(func() { _ = b.Stop(t.Context()) })
			return port
		},
		"mosquitto": func(t *testing.T, _ string) int { return startMosquitto(t) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			port := start(t, dir)
			url := fmt.Sprintf("mqtt://127.0.0.1:%d", port)
			site := filepath.Join(dir, "site.yaml")
			if err := os.WriteFile(site, []byte(fmt.Sprintf(sparkplugSite, filepath.Join(dir, "data"), port)), 0o644); err != nil {
				t.Fatal(err)
			}

			first := startEdge(t, packages, url, "R1", "7")
			first.says("births 1")
			r := startSparkplug(t, dir, site)
			first.says("births 2")
			r.flows(1)
			first.kill()
			until(t, "the node to be dead", func() bool { return r.node().State == "dead" })
			until(t, "the alarm of the lost hook load", func() bool {
				return strings.Contains(r.journal(), `"channel":"hook_load"`) && strings.Contains(r.journal(), "lost")
			})
			if strings.Contains(r.get("/api/rigs/R1"), `"hook_load_kN":294`) {
				t.Error("the hook load of a dead node is still shown as known")
			}
			if strings.Contains(first.out.String(), "births 3") {
				t.Errorf("asked for births more than once: %s", first.out)
			}
			if code := r.end(); code != exitGood {
				t.Errorf("exit %d", code)
			}

			second := startEdge(t, packages, url, "R1", "8", "northfell")
			second.says("waiting")
			r = startSparkplug(t, dir, site)
			second.says("births 1") // by the host's state alone
			r.flows(0)
			if code := r.end(); code != exitGood {
				t.Errorf("exit %d", code)
			}

			r = startSparkplug(t, dir, site)
			second.says("births 2")
			r.flows(1)
			if code := r.end(); code != exitGood {
				t.Errorf("exit %d", code)
			}
			if strings.Contains(second.out.String(), "births 3") {
				t.Errorf("asked for births more than once: %s", second.out)
			}
		})
	}
}

const sparkplugSite = `site: test
listen: 127.0.0.1:0
data: %s
rigs:
  - file: R1
sources:
  - name: field
    kind: mqtt
    broker: tcp://127.0.0.1:%d
    payload: sparkplug
    sparkplug: {group: north, node: '{rig}', device: PLC, host_id: northfell}
    quiet_after: 2 s
    channels:
      hook_load: {unit: kN, field: Hoist/Hook Load}
      block_height: {unit: m, field: Hoist/Block}
      drum_speed: {unit: rpm, field: Hoist/Drum Speed}
      drum_counts: {field: Hoist/Counts}
      brake_pressure: {unit: bar, field: Brake/Pressure}
`
