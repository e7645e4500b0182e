package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// wire carries TCP to a broker. Cut, it carries nothing, neither ends what is open nor
// answers what is new, as a link does that is broken somewhere beyond the next switch.
type wire struct {
	to string
	ln net.Listener

	mu    sync.Mutex
	heal  chan struct{} // closed: it carries
	conns []net.Conn
}

func newWire(t *testing.T, broker string) *wire {
	t.Helper()
	u, err := url.Parse(broker)
	if err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{to: u.Host, ln: ln, heal: make(chan struct{})}
	close(w.heal)
	var g sync.WaitGroup
	g.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			g.Go(func() { w.carry(t, c) })
		}
	})
	t.Cleanup(func() {
		ln.Close()
		w.drop()
		g.Wait()
	})
	return w
}

func (w *wire) url() string { return "tcp://" + w.ln.Addr().String() }

// gate waits until the wire carries, or the test ends; then false.
func (w *wire) gate(t *testing.T) bool {
	w.mu.Lock()
	heal := w.heal
	w.mu.Unlock()
	select {
	case <-heal:
		return true
	case <-t.Context().Done():
		return false
	}
}

func (w *wire) carry(t *testing.T, in net.Conn) {
	defer in.Close()
	if !w.gate(t) {
		return
	}
	out, err := net.Dial("tcp", w.to)
	if err != nil {
		return
	}
	defer out.Close()
	w.mu.Lock()
	w.conns = append(w.conns, in, out)
	w.mu.Unlock()
	var g sync.WaitGroup
	pass := func(from, to net.Conn) {
		defer from.Close()
		defer to.Close()
		b := make([]byte, 32<<10)
		for {
			n, err := from.Read(b)
			if err != nil || !w.gate(t) {
				return
			}
			if _, err := to.Write(b[:n]); err != nil {
				return
			}
		}
	}
	g.Go(func() { pass(in, out) })
	g.Go(func() { pass(out, in) })
	g.Wait()
}

func (w *wire) cut() {
	w.mu.Lock()
	w.heal = make(chan struct{})
	w.mu.Unlock()
}

// mend lets it carry again; what was open is gone, as where a router begins anew.
func (w *wire) mend() {
	w.drop()
	w.mu.Lock()
	close(w.heal)
	w.mu.Unlock()
}

func (w *wire) drop() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.conns {
		_ = c.Close()
	}
	w.conns = nil
}

// standingAt is what a person sees standing at a member's page of R1: each alarm with its
// state and who acknowledged it.
func (m *pairMember) standingAt() map[string]string {
	out := map[string]string{}
	l := &liveRun{t: m.t, st: &station{address: m.address}}
	var page struct {
		Alarms []struct {
			Alarm, Channel, State string
			By                    string `json:"acknowledged_by"`
		}
	}
	if err := json.Unmarshal([]byte(l.get("/api/rigs/R1")), &page); err != nil {
		m.t.Fatal(err)
	}
	for _, a := range page.Alarms {
		out[a.Alarm+" "+a.Channel] = a.State + " " + a.By
	}
	return out
}

// The member that speaks is cut off from the broker that alarms go to, and so from the
// other; both live and see the same readings. It falls silent and the other speaks; it
// tells webhooks for itself, and after a minute its page says that alarms do not get out
// by the broker (HOISTWARD_LONG=1 waits for that). What people acknowledge at either while
// the two are apart stands at both when the wire is mended, one speaks, and nothing was
// told twice on the broker.
func TestAPairIsCutApart(t *testing.T) {
	field := fmt.Sprintf("tcp://127.0.0.1:%d", startMosquitto(t)) // the readings
	shore := fmt.Sprintf("tcp://127.0.0.1:%d", startMosquitto(t)) // alarms, and the pair
	onMQTT, onHook, hook := hearOut(t, shore)
	w := newWire(t, shore)
	member := func(name, alarms string) *pairMember {
		m := newPairMember(t, name, field, hook+fmt.Sprintf("  mqtt: {broker: '%s'}\n", alarms))
		m.change(fmt.Sprintf("pair: {member: %s}", name), fmt.Sprintf("pair: {member: %s, alone_after: 2 s}", name))
		return m
	}
	a, b := member("a", w.url()), member("b", shore)
	t.Cleanup(func() {
		if t.Failed() {
			for _, e := range onMQTT.of(badLoad, badChannel) {
				t.Logf("on MQTT: %+v", e)
			}
			t.Logf("a:\n%s\n%s\nb:\n%s\n%s", a.out, a.journal(), b.out, b.journal())
		}
	})
	a.start()
	b.start()
	f := startHookLoad(t, field)
	until(t, "a to speak and b to stand by", func() bool { return a.role() == "speaking" && b.role() == "standby" })
	f.set(true)
	raised := func(n int) {
		t.Helper()
		until(t, fmt.Sprintf("alarm %d on MQTT", n), func() bool { return onMQTT.count(badLoad, badChannel, "raised") == n })
	}
	raised(1)

	w.cut()
	until(t, "b to speak", func() bool { return b.role() == "speaking" })
	until(t, "a to speak for itself", func() bool { return a.role() == "alone" })
	at := func(m *pairMember) *liveRun {
		return &liveRun{t: t, st: &station{address: m.address}, dir: filepath.Join(m.dir, "data")}
	}
	if os.Getenv("HOISTWARD_LONG") != "" { // the page says it after a minute
		for end := time.Now().Add(2 * time.Minute); !slices.Contains(slices.Collect(maps.Keys(a.standingAt())), "notification_failing "); time.Sleep(time.Second) {
			if time.Now().After(end) {
				t.Fatal("a's page does not say that alarms do not get out")
			}
		}
	}
	at(b).acknowledge(badLoad) // the first alarm, where it is known to be told
	until(t, "the act on MQTT", func() bool { return onMQTT.count(badLoad, badChannel, "acknowledged") == 1 })
	f.set(false)
	until(t, "the alarm to clear", func() bool { return onMQTT.count(badLoad, badChannel, "cleared") == 1 })
	f.set(true)
	raised(2)
	until(t, "the second alarm at the webhook, from both", func() bool {
		return onHook.from("a", badLoad, badChannel, "raised") >= 1 && onHook.from("b", badLoad, badChannel, "raised") >= 1
	})
	at(a).acknowledge(badLoad) // the second, at the one that is cut off

	w.mend()
	until(t, "b to speak and a to stand by", func() bool { return a.role() == "standby" && b.role() == "speaking" })
	until(t, "the act at b, and on MQTT", func() bool {
		return strings.HasPrefix(b.standingAt()[badLoad+" "+badChannel], "acknowledged") && onMQTT.count(badLoad, badChannel, "acknowledged") == 2
	})
	until(t, "both pages to show the same", func() bool { return maps.Equal(a.standingAt(), b.standingAt()) })
	f.set(false)
	until(t, "the second alarm to clear", func() bool { return onMQTT.count(badLoad, badChannel, "cleared") == 2 })
	until(t, "both pages to show the same again", func() bool { return maps.Equal(a.standingAt(), b.standingAt()) })
	f.set(true)
	raised(3)
	b.kill()
	until(t, "a to speak", func() bool { return a.role() == "speaking" })
	f.set(false)
	until(t, "the third alarm to clear", func() bool { return onMQTT.count(badLoad, badChannel, "cleared") == 3 })
	alternates(t, "MQTT", onMQTT.of(badLoad, badChannel))
}
