package main

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/gorilla/websocket"
)

// quantile returns quantile q of what took, ms; NaN of nothing.
func quantile(took []time.Duration, q float64) float64 {
	if len(took) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(took))
	return float64(sorted[min(len(sorted)-1, int(q*float64(len(sorted))))].Microseconds()) / 1000
}

// marks are readings that can be told apart: each has a height of its own, in steps of
// 0.1 mm.
type marks struct {
	mu   sync.Mutex
	sent map[string]time.Time
	n    int
}

// next publishes a reading of the first rig with a new mark.
func (m *marks) next(pub paho.Client) {
	m.mu.Lock()
	m.n++
	mark := strings.TrimRight(fmt.Sprintf("%.4f", 10.00005+float64(m.n%100000)*1e-4), "0")
	m.sent[mark] = time.Now()
	m.mu.Unlock()
	pub.Publish("hoist/"+rigName(0)+"/readings", 0, false, fmt.Sprintf(
		`{"t":%q,"hook_load":300,"block_height":%s,"drum_speed":0,"brake_pressure":7}`, clockText(time.Now()), mark))
}

// took returns how long ago the mark in text, after before it, was sent.
func (m *marks) took(text, before, after string, now time.Time) (time.Duration, bool) {
	_, rest, ok := strings.Cut(text, before)
	mark, _, found := strings.Cut(rest, after)
	m.mu.Lock()
	defer m.mu.Unlock()
	at, known := m.sent[mark]
	return now.Sub(at), ok && found && known
}

// latency is how long a reading takes to the page's socket, beside the broker alone.
func (b *bench) latency() error {
	f, err := b.begin(1)
	if err != nil {
		return err
	}
	defer f.end()
	m := &marks{sent: map[string]time.Time{}}
	var mu sync.Mutex
	var bare, page []time.Duration
	looks := paho.NewClient(paho.NewClientOptions().AddBroker(b.url).SetClientID("hoistward-bench-bare"))
	if tok := looks.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		return fmt.Errorf("bare subscriber: %w", tok.Error())
	}
	defer looks.Disconnect(100)
	if tok := looks.Subscribe("hoist/+/readings", 0, func(_ paho.Client, msg paho.Message) {
		now := time.Now()
		if d, ok := m.took(string(msg.Payload()), `"block_height":`, ",", now); ok {
			mu.Lock()
			bare = append(bare, d)
			mu.Unlock()
		}
	}); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		return fmt.Errorf("bare subscriber: %w", tok.Error())
	}
	m.next(f.pub)
	viewer, err := b.view(f, m, func(d time.Duration) {
		mu.Lock()
		page = append(page, d)
		mu.Unlock()
	})
	if err != nil {
		return err
	}
	if err := b.sendMarks(f, m); err != nil {
		return err
	}
	viewer.close()
	mu.Lock()
	defer mu.Unlock()
	const part = "latency"
	for _, q := range []float64{0.5, 0.99, 0.999} {
		words := fmt.Sprintf("p%g", 100*q)
		b.figure(part, "broker alone, "+words, quantile(bare, q), "ms")
		l := b.figure(part, "to the page, "+words, quantile(page, q), "ms")
		if q == 0.99 {
			l.note("%d readings of %d were seen: a page takes ten snapshots a second", len(page), m.n)
			b.most(part, "to the page over the broker alone, p99", quantile(page, q)-quantile(bare, q), "ms", 10)
		}
	}
	return nil
}

// sendMarks sends marked readings at 10 Hz for the length of a measurement.
func (b *bench) sendMarks(f *flowing, m *marks) error {
	tick := time.NewTicker(time.Second / hertz)
	defer tick.Stop()
	for range int(b.c.For.Seconds() * hertz) {
		select {
		case <-tick.C:
			m.next(f.pub)
		case <-b.s.ctx.Done():
			return b.s.ctx.Err()
		}
	}
	time.Sleep(500 * time.Millisecond) // what is on the way
	return nil
}

// viewer is one page.
type viewer struct {
	conn *websocket.Conn
	done chan struct{}
}

// view opens a page of the first rig and hands on how long each marked reading took.
func (b *bench) view(f *flowing, m *marks, seen func(time.Duration)) (*viewer, error) {
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(f.address, "http")+"/ws/"+rigName(0), nil)
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	v := &viewer{conn, make(chan struct{})}
	go func() {
		defer close(v.done)
		for {
			_, text, err := conn.ReadMessage()
			if err != nil {
				return
			}
			if d, ok := m.took(string(text), `"block_height","value":`, ",", time.Now()); ok {
				seen(d)
			}
		}
	}()
	return v, nil
}

func (v *viewer) close() {
	_ = v.conn.Close()
	<-v.done
}

// pages is what more and more viewers of one rig take.
func (b *bench) pages() error {
	const part = "pages"
	f, err := b.begin(1)
	if err != nil {
		return err
	}
	defer f.end()
	for _, n := range []int{1, 10, 100, 500} {
		m := &marks{sent: map[string]time.Time{}}
		var mu sync.Mutex
		var took []time.Duration
		var open []*viewer
		for range n {
			v, err := b.view(f, m, func(d time.Duration) { mu.Lock(); took = append(took, d); mu.Unlock() })
			if err != nil {
				b.figure(part, fmt.Sprintf("%d viewers", n), math.NaN(), "").note("%d opened: %v", len(open), err)
				break
			}
			open = append(open, v)
		}
		used, begun := f.monitor.processorTime(), time.Now()
		err := b.sendMarks(f, m)
		cores := (f.monitor.processorTime() - used) / time.Since(begun).Seconds()
		for _, v := range open {
			v.close()
		}
		if err != nil {
			return err
		}
		if len(open) < n {
			return nil
		}
		b.figure(part, fmt.Sprintf("%d viewers: processors", n), cores, "")
		b.least(part, fmt.Sprintf("%d viewers: snapshots seen, of those sent", n), float64(len(took))/float64(n*m.n), "", 0.8).
			note("p50 %s ms, p99 %s ms from the reading", figureText(quantile(took, 0.5)), figureText(quantile(took, 0.99)))
	}
	return nil
}

// start is how long it takes from the start of the program to the first estimate.
func (b *bench) start() error {
	const part, tries = "start", 5
	site, err := b.site(1)
	if err != nil {
		return err
	}
	pub := paho.NewClient(paho.NewClientOptions().AddBroker(b.url).SetClientID("hoistward-bench-rigs"))
	if tok := pub.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		return fmt.Errorf("publisher: %w", tok.Error())
	}
	defer pub.Disconnect(100)
	stop, done := make(chan struct{}), make(chan struct{})
	go func() { // a rig that sends all the time, often enough not to be waited for
		defer close(done)
		m := &marks{sent: map[string]time.Time{}}
		for tick := time.NewTicker(5 * time.Millisecond); ; {
			select {
			case <-stop:
				tick.Stop()
				return
			case <-tick.C:
				m.next(pub)
			}
		}
	}()
	defer func() { close(stop); <-done }()
	var page, estimate []time.Duration
	for range tries {
		begun := time.Now()
		f := &flowing{b: b, rigs: 1}
		if f.monitor, err = startBeside(b.self, "monitor", "--config", site); err != nil {
			return err
		}
		err := b.await("the monitor's address", f.monitor, func() bool {
			f.address = f.monitor.after("hoistward monitor: ")
			return f.address != ""
		})
		page = append(page, time.Since(begun))
		if err == nil {
			err = b.await("the first estimate", f.monitor, func() bool { return f.metrics()["hoistward_frames_total"] > 0 })
		}
		estimate = append(estimate, time.Since(begun))
		f.monitor.end()
		if err != nil {
			return err
		}
	}
	b.figure(part, "program to page", quantile(page, 0.5), "ms").note("median of %d", tries)
	b.most(part, "program to first estimate", quantile(estimate, 0.5), "ms", 300).note("median of %d, with the broker there and a rig that sends", tries)
	if st, err := os.Stat(b.self); err == nil {
		b.most(part, "size of the program", float64(st.Size())/1e6, "MB", 60).note("built with -ldflags '-s -w' it has no symbols and is a third smaller")
	}
	return nil
}
