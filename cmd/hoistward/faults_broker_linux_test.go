package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	toxiproxy "github.com/Shopify/toxiproxy/v2"
	"github.com/Shopify/toxiproxy/v2/collectors"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"
)

// poison is a proxy of toxiproxy before a server.
type poison struct {
	t testing.TB
	*toxiproxy.Proxy
}

func newPoison(t testing.TB, to string) *poison {
	t.Helper()
	server := toxiproxy.NewServer(toxiproxy.NewMetricsContainer(prometheus.NewRegistry()), zerolog.Nop())
	server.Metrics.ProxyMetrics = collectors.NewProxyMetricCollectors()
	p := &poison{t, toxiproxy.NewProxy(server, "way", "127.0.0.1:0", to)}
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Stop)
	return p
}

// add puts a toxic in both ways, as toxiproxy's interface has it: name, then attributes.
func (p *poison) add(kind, attributes string) {
	p.t.Helper()
	for _, way := range []string{"upstream", "downstream"} {
		text := `{"name":"` + way + `","type":"` + kind + `","stream":"` + way + `","toxicity":1,"attributes":` + attributes + `}`
		if _, err := p.Toxics.AddToxicJson(strings.NewReader(text)); err != nil {
			p.t.Fatal(err)
		}
	}
}

func (p *poison) heal() { p.Toxics.ResetToxics(context.Background()) }

func (p *poison) mqtt() string { return "tcp://" + p.Listen }

// twice is a relay that passes on each PUBLISH of a broker at QoS 1 and then again with
// DUP, as a broker does whose confirmation was lost.
type twice struct {
	mu sync.Mutex
	n  int
}

func newTwice(t testing.TB, to string) (*twice, string) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &twice{}
	t.Cleanup(func() { ln.Close() })
	go func() {
		for {
			near, err := ln.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				near.Close()
				continue
			}
			go func() { _, _ = io.Copy(far, near); far.Close() }()
			go func() { r.pass(near, far); near.Close() }()
		}
	}()
	return r, "tcp://" + ln.Addr().String()
}

func (r *twice) pass(near io.Writer, far io.Reader) {
	for {
		p, err := packets.ReadPacket(far)
		if err != nil || p.Write(near) != nil {
			return
		}
		pub, ok := p.(*packets.PublishPacket)
		if !ok || pub.Qos != 1 {
			continue
		}
		again := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		again.Qos, again.Dup, again.TopicName, again.MessageID, again.Payload = 1, true, pub.TopicName, pub.MessageID, pub.Payload
		if again.Write(near) != nil {
			return
		}
		r.mu.Lock()
		r.n++
		r.mu.Unlock()
	}
}

func (r *twice) count() int { r.mu.Lock(); defer r.mu.Unlock(); return r.n }

func brokerKilled(f *fault) {
	f.watch(f.broker.mqtt(), "")
	from := time.Now()
	f.broker.kill()
	f.alarm("broker_lost")
	f.sick("Connection lost: field (lost).")
	f.ready("source field is lost")
	f.broker.start()
	f.recovers(30*time.Second, time.Now(), "by itself", f.isWatched)
	f.accounted(lostOnTheWay, false, during(from))
}

// lostOnTheWay is what a fault between rig and monitor costs.
const lostOnTheWay = "what is sent meanwhile, by a rig that keeps nothing; the times are blank in trend and recording; nothing before or after"

func brokerFrozen(f *fault) {
	f.watch(f.broker.mqtt(), "")
	from := time.Now()
	f.broker.freeze()
	f.alarm("source_lost")
	f.ready("no reading for")
	f.alarm("broker_lost")
	f.sick("Connection lost: field (lost).")
	f.broker.thaw()
	f.recovers(30*time.Second, time.Now(), "by itself", f.isWatched)
	f.accounted(lostOnTheWay, false, during(from))
}

func brokerSlow(f *fault) {
	p := newPoison(f.t, f.broker.address())
	f.watch(p.mqtt(), "")
	p.add("latency", `{"latency":1500}`)
	f.alarm("reading_late")
	f.alive(2 * time.Second)
	p.heal()
	f.recovers(30*time.Second, time.Now(), "by itself", func() bool { return f.isWatched() && !f.hasAlarm("reading_late") })
	f.accounted("nothing", false)
}

func brokerHalfOpen(f *fault) {
	p := newPoison(f.t, f.broker.address())
	f.watch(p.mqtt(), "")
	from := time.Now()
	p.add("timeout", `{"timeout":0}`) // bytes vanish both ways, and nobody closes
	f.alarm("source_lost")
	f.ready("no reading for")
	f.alarm("broker_lost")
	f.sick("Connection lost: field (lost).")
	p.heal()
	f.recovers(time.Minute, time.Now(), "by itself", f.isWatched)
	f.accounted(lostOnTheWay, true, during(from))
}

func brokerRefusing(f *fault) {
	const open, shut = "allow_anonymous true\n", "allow_anonymous false\n"
	port := freePort(f.t)
	door := func(word string) {
		text := "per_listener_settings true\npersistence false\nlistener " + fmt.Sprint(f.broker.port) + " 127.0.0.1\nallow_anonymous true\nlistener " + fmt.Sprint(port) + " 127.0.0.1\n" + word
		if err := os.WriteFile(f.broker.args[1], []byte(text), 0o644); err != nil {
			f.t.Fatal(err)
		}
		f.broker.kill()
		f.broker.start()
	}
	door(open)
	f.watch("tcp://127.0.0.1:"+fmt.Sprint(port), "")
	from := time.Now()
	door(shut)
	f.alarm("broker_lost")
	f.sick("Connection lost: field (lost).")
	f.health("not Authorized")
	door(open)
	f.recovers(30*time.Second, time.Now(), "by itself when it lets the monitor in", f.isWatched)
	f.accounted(lostOnTheWay, true, during(from))
}

func brokerDuplicating(f *fault) {
	r, url := newTwice(f.t, f.broker.address())
	f.watch(url, "")
	f.wait("a hundred messages sent again", func() bool { return r.count() > 100 })
	f.alive(time.Second)
	f.health(`"repeated time"`)
	f.nothingToRecover()
	f.copies = true
	families, _ := scrape(f.t, f.monitor.address())
	frames, _ := value(families, "frames_total")
	if sent := len(f.rigs.confirmed()); frames > float64(sent+1) { // one may be on its way
		f.t.Errorf("%g frames of %d readings: copies are counted", frames, sent)
	}
	f.accounted("nothing; a copy changes no answer; the recording keeps both", false)
}
