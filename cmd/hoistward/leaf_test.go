package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"

	"hoistward/ingest/jetstream"
	"hoistward/ingest/jetstream/servers"
	"hoistward/simulator"
)

// poorLink passes connections on to an address, until it is cut.
type poorLink struct {
	ln   net.Listener
	mu   sync.Mutex
	cut  bool
	open map[net.Conn]bool
}

func newPoorLink(t *testing.T, to string) *poorLink {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &poorLink{ln: ln, open: map[net.Conn]bool{}}
	t.Cleanup(func() { ln.Close(); l.set(true) })
	go func() {
		for {
			near, err := ln.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil || !l.admit(near, far) {
				near.Close()
				continue
			}
			go func() { _, _ = io.Copy(far, near); far.Close() }()
			go func() { _, _ = io.Copy(near, far); near.Close() }()
		}
	}()
	return l
}

func (l *poorLink) admit(conns ...net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range conns {
		l.open[c] = true
	}
	return !l.cut
}

func (l *poorLink) set(cut bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = cut
	if cut {
		for c := range l.open {
			c.Close()
		}
		clear(l.open)
	}
}

// A rig's own server keeps what the rig sends while the link to the centre is cut for a
// day, and the rig's own monitor watches on. When the link is there again the centre has
// all of it: in its log, and in no alarm of now, although the block passed the crown limit
// in that day.
func TestADayWithoutTheLink(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	g := &groupRun{t: t, dir: t.TempDir()}
	var err error
	if g.nodes, err = servers.Write(g.dir, 1); err != nil {
		t.Fatal(err)
	}
	g.start(nil, "server", g.nodes[0].File)
	if err := reach(t.Context(), g.nodes[0].MQTT); err != nil {
		t.Fatal(err)
	}
	link := newPoorLink(t, strings.TrimPrefix(g.nodes[0].Leaf, "nats-leaf://"))
	leaf, err := servers.WriteLeaf(g.dir, "ridge", "nats-leaf://"+link.ln.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	g.start(nil, "server", leaf.File)
	if err := reach(t.Context(), leaf.MQTT); err != nil {
		t.Fatal(err)
	}
	if made := g.start(nil, "leaf", "--server", leaf.URL, "--keep", "48h"); made.ended(t) != exitGood {
		t.Fatalf("leaf: %s", made.out)
	}
	own, centre := g.ridge(leaf)

	client := paho.NewClient(paho.NewClientOptions().AddBroker(leaf.MQTT).SetClientID("rig"))
	if tok := client.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer client.Disconnect(100)
	sent := 0
	send := func(at time.Time, n int, height float64) { // n readings in one message, one a second
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `,{"t":%q,"hook_load":300,"block_height":%.3f,"drum_speed":0,"drum_counts":4096,"brake_pressure":7}`,
				at.Add(time.Duration(i)*time.Second).UTC().Format("2006-01-02T15:04:05.000Z"), height+0.001*float64(sent%100+i))
		}
		if tok := client.Publish("hoist/R1/readings", 1, false, "["+b.String()[1:]+"]"); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			t.Fatal("not answered: ", tok.Error())
		}
		sent += n
	}
	within(t, time.Minute, "the centre watches the rig", func() bool { send(time.Now(), 1, 20); return centre.newestOf("R1") > 0 })

	link.set(true)
	day := time.Now().Add(-25 * time.Hour)
	for minute := range 24 * 60 {
		height := 20.0
		if minute/60 == 12 {
			height = 42 // beyond the crown limit of 41 m
		}
		send(day.Add(time.Duration(minute)*time.Minute), 60, height)
	}
	cut := time.Now().UnixMilli()
	within(t, time.Minute, "the rig's own monitor watches on", func() bool { send(time.Now(), 1, 20); return own.newestOf("R1") > cut })
	if centre.newestOf("R1") > cut {
		t.Error("the centre has a reading from behind the cut")
	}

	link.set(false)
	healed := time.Now().UnixMilli()
	within(t, 2*time.Minute, "the centre watches the rig again", func() bool { send(time.Now(), 1, 20); return centre.newestOf("R1") > healed })
	nc, err := nats.Connect(g.nodes[0].URL)
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	s, err := jetstream.Open(ctx, nc, jetstream.Options{Replicas: 1, MaxAge: time.Hour, MaxBytes: 1024 << 20, JournalBytes: 64 << 20, Leaves: []string{"ridge"}})
	if err != nil {
		t.Fatal(err)
	}
	partition, got := jetstream.PartitionOf("R1"), 0
	within(t, time.Minute, "all is in the centre's log", func() bool {
		got = 0
		_, last, err := s.State(ctx)
		if err != nil {
			t.Fatal(err)
		}
		s.Beat(partition)
		_ = s.Follow(ctx, partition, 0, func(r jetstream.Record, _ int) error {
			if r.Kind == jetstream.Readings {
				got += strings.Count(string(r.Payload), `"t":`)
			}
			if r.Seq > last {
				return io.EOF
			}
			return nil
		})
		return got >= sent
	})
	if got != sent || sent < 86400 {
		t.Errorf("%d readings in the centre's log, want the %d that were sent, each once", got, sent)
	}
	g.rigs = []string{"R1"}
	lines := g.journal(s, "R1")
	for _, alarm := range []string{"overhoist", "crown_limit_passed"} {
		if strings.Contains(lines, alarm+`","event":"raised"`) {
			t.Errorf("late readings raised %s:\n%s", alarm, lines)
		}
	}
	t.Logf("%d readings sent, %d of them while the link was cut, all in the centre's log", sent, 24*3600)
}

// ridge starts the rig's own monitor, at its own server, and the centre's, as a group of
// one that takes the domain ridge in.
func (g *groupRun) ridge(leaf servers.Node) (own, centre *proc) {
	g.t.Helper()
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		g.t.Fatal(err)
	}
	rigs, err := (&demoCmd{Rigs: 1}).rigFiles(g.dir, sc)
	if err != nil {
		g.t.Fatal(err)
	}
	write := func(name, text string) string {
		path := filepath.Join(g.dir, name+".yaml")
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			g.t.Fatal(err)
		}
		return path
	}
	site := "site: ridge\nlisten: 127.0.0.1:0\ndata: ./data-%s\n" + rigs
	rig := fmt.Sprintf(site, "rig") + sourceText(leaf.MQTT, sc)
	group := fmt.Sprintf("group:\n  member: centre\n  replicas: 1\n  servers: [%q]\n  leaves: [ridge]\n", g.nodes[0].URL) + demoSizes
	own = g.start(nil, "monitor", "--config", write("rig", rig))
	centre = g.start(nil, "monitor", "--proven", "--config", write("centre", fmt.Sprintf(site, "centre")+group+sourceText(g.nodes[0].MQTT, sc)))
	return own, centre
}

func (p *proc) newestOf(rig string) int64 {
	var list []struct {
		Rig    string `json:"rig"`
		Newest int64  `json:"newest_ms"`
	}
	if !p.get("/api/rigs", &list) {
		return 0
	}
	for _, r := range list {
		if r.Rig == rig {
			return r.Newest
		}
	}
	return 0
}
