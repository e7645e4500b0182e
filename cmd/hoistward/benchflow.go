package main

import (
	"bufio"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"hoistward/configs"
)

// hertz is how often each rig sends.
const hertz = 10

// flowing is one monitor with the rigs that send to it.
type flowing struct {
	b       *bench
	rigs    int
	monitor *beside
	address string
	pub     paho.Client
	sent    int
}

// site writes a site of n rigs of one make.
func (b *bench) site(n int) (string, error) {
	dir, err := b.folder("site")
	if err != nil {
		return "", err
	}
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		return "", configError(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "rigs"), 0o755); err != nil {
		return "", err
	}
	for i := range n {
		own, err := configs.Set(text, "rig", rigName(i))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, "rigs", rigName(i)+".yaml"), own, 0o644)
		}
		if err != nil {
			return "", err
		}
	}
	path := filepath.Join(dir, "site.yaml")
	site := fmt.Sprintf("site: bench\nlisten: 127.0.0.1:0\ndata: data\nrigs:\n  - folder: rigs\nsources:\n  - name: field\n    kind: mqtt\n"+
		"    broker: %s\n    topic: hoist/{rig}/readings\n    qos: 0\n    channels:\n      hook_load: {unit: kN}\n"+
		"      block_height: {unit: m}\n      drum_speed: {unit: rpm}\n      brake_pressure: {unit: MPa}\n", b.url)
	return path, os.WriteFile(path, []byte(site), 0o644)
}

func rigName(i int) string { return fmt.Sprint("N", i) }

// begin starts a monitor of n rigs and waits for its subscription.
func (b *bench) begin(n int) (*flowing, error) {
	site, err := b.site(n)
	if err != nil {
		return nil, err
	}
	f := &flowing{b: b, rigs: n}
	args := []string{"monitor", "--config", site}
	if f.monitor, err = startBeside(b.self, args...); err != nil {
		return nil, err
	}
	if err := f.ready(); err != nil {
		f.end()
		return nil, err
	}
	f.pub = paho.NewClient(paho.NewClientOptions().AddBroker(b.url).SetClientID("hoistward-bench-rigs").SetWriteTimeout(10 * time.Second))
	if tok := f.pub.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		f.end()
		return nil, fmt.Errorf("publisher: %w", tok.Error())
	}
	return f, nil
}

func (f *flowing) ready() error {
	if err := f.b.await("the monitor's address", f.monitor, func() bool {
		f.address = f.monitor.after("hoistward monitor: ")
		return f.address != ""
	}); err != nil {
		return err
	}
	return f.b.await("the subscription", f.monitor, func() bool { return f.metrics()["hoistward_source_open"] == 1 })
}

func (f *flowing) end() {
	if f.pub != nil {
		f.pub.Disconnect(100)
	}
	f.monitor.end()
}

// metrics reads /metrics: the value of each name, summed over its labels but for the
// buckets of histograms, which keep theirs.
func (f *flowing) metrics() map[string]float64 {
	values := map[string]float64{}
	resp, err := http.Get(f.address + "/metrics")
	if err != nil {
		return values
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() {
		line := lines.Text()
		i := strings.LastIndexByte(line, ' ')
		if i < 0 || line[0] == '#' {
			continue
		}
		name, labels, _ := strings.Cut(line[:i], "{")
		if strings.HasSuffix(name, "_bucket") {
			name += "{" + labels
		}
		v, err := strconv.ParseFloat(line[i+1:], 64)
		if err == nil {
			values[name] += v
		}
	}
	return values
}

// round sends one reading of each rig.
func (f *flowing) round() {
	at := clockText(time.Now())
	for i := range f.rigs {
		f.pub.Publish("hoist/"+rigName(i)+"/readings", 0, false, fmt.Sprintf(
			`{"t":%q,"hook_load":%.1f,"block_height":%.3f,"drum_speed":0,"brake_pressure":7}`, at, 300+0.1*float64(f.sent%7), 20+0.001*float64(f.sent%5)))
		f.sent++
	}
}

// flow sends for d, and settles what was sent.
func (f *flowing) flow(d time.Duration) error {
	tick := time.NewTicker(time.Second / hertz)
	defer tick.Stop()
	for range int(d.Seconds() * hertz) {
		select {
		case <-tick.C:
		case <-f.b.s.ctx.Done():
			return f.b.s.ctx.Err()
		}
		f.round()
	}
	return nil
}

// settle waits until the monitor takes nothing more, ten seconds at most.
func (f *flowing) settle() map[string]float64 {
	last, since := -1.0, time.Now()
	for begun := time.Now(); time.Since(begun) < 10*time.Second && time.Since(since) < time.Second; time.Sleep(20 * time.Millisecond) {
		if n := f.metrics()["hoistward_loop_lag_seconds_count"]; n != last {
			last, since = n, time.Now()
		}
	}
	return f.metrics()
}

// warmUp is how long a flow goes before it is measured: files are made, memory grows.
const warmUp = 3 * time.Second

// flowed is what came of a measured flow.
type flowed struct {
	sent, handled, frames       float64
	shed, unrecorded            float64
	cores, perMessage, resident float64 // processors, processor seconds a message, KiB
	counted, perCounted         float64
	p50, p99                    float64 // s, upper bound of their bucket
	took                        float64
}

// measure runs a flow, with a counter beside the monitor where there is one.
func (f *flowing) measure(counter *beside) (r flowed, err error) {
	if err := f.flow(warmUp); err != nil {
		return r, err
	}
	before, sent := f.settle(), f.sent
	used, resident := f.monitor.processorTime(), 0.0
	countedUsed, counted := 0.0, 0.0
	if counter != nil {
		countedUsed, counted = counter.processorTime(), counter.counted()
	}
	begun := time.Now()
	if err := f.flow(f.b.c.For); err != nil {
		return r, err
	}
	r.took = time.Since(begun).Seconds()
	after := f.settle()
	resident = f.monitor.resident()
	diff := func(name string) float64 { return after[name] - before[name] }
	r.sent, r.handled, r.frames = float64(f.sent-sent), diff("hoistward_loop_lag_seconds_count"), diff("hoistward_frames_total")
	r.shed, r.unrecorded, r.resident = diff("hoistward_source_dropped_total"), after["hoistward_recorder_dropped_total"], resident
	used = f.monitor.processorTime() - used
	r.cores, r.perMessage = used/r.took, used/r.handled
	if counter != nil {
		time.Sleep(200 * time.Millisecond) // it tells its count ten times a second
		r.counted = counter.counted() - counted
		r.perCounted = (counter.processorTime() - countedUsed) / r.counted
	}
	r.p50, r.p99 = lagQuantile(before, after, 0.5), lagQuantile(before, after, 0.99)
	return r, nil
}

// lagQuantile returns the upper bound of the bucket that holds quantile q of the lag
// between two readings of /metrics, s.
func lagQuantile(before, after map[string]float64, q float64) float64 {
	const name = "hoistward_loop_lag_seconds_bucket{le=\""
	type bucket struct{ upper, n float64 }
	var all []bucket
	for k, v := range after {
		if text, ok := strings.CutPrefix(k, name); ok {
			upper, err := strconv.ParseFloat(strings.TrimSuffix(text, "\"}"), 64)
			if err == nil {
				all = append(all, bucket{upper, v - before[k]})
			}
		}
	}
	slices.SortFunc(all, func(a, b bucket) int { return int(math.Copysign(1, a.upper-b.upper)) })
	if len(all) == 0 {
		return math.NaN()
	}
	for _, b := range all {
		if b.n >= q*all[len(all)-1].n {
			return b.upper
		}
	}
	return math.NaN()
}

// floor is the whole monitor beside a subscriber of the same library that only counts.
func (b *bench) floor() error {
	f, err := b.begin(b.c.Rigs)
	if err != nil {
		return err
	}
	defer f.end()
	counter, err := startBeside(b.self, "bench", "--role", "counter", "--at", b.url)
	if err != nil {
		return err
	}
	defer counter.end()
	if err := b.await("the counter", counter, func() bool { return counter.after("counted ") != "" }); err != nil {
		return err
	}
	r, err := f.measure(counter)
	if err != nil {
		return err
	}
	const part = "floor"
	b.figure(part, "messages sent", r.sent/r.took, "/s")
	b.least(part, "messages taken through, of those counted", r.handled/r.counted, "", 0.8)
	b.most(part, "readings lost", r.sent-r.frames, "", 0).note("discarded by the queue: %.0f; missing in the recording: %.0f", r.shed, r.unrecorded)
	b.figure(part, "processors, monitor", r.cores, "")
	b.figure(part, "processor time a message, counter", 1e6*r.perCounted, "µs")
	b.figure(part, "processor time a message, monitor", 1e6*r.perMessage, "µs")
	b.most(part, "processor time, monitor over counter", r.perMessage/r.perCounted, "", 1.3)
	b.most(part, "receipt to estimate and alarms, p99 below", 1e3*r.p99, "ms", 50).note("p50 below %s ms; bounds of a histogram", figureText(1e3*r.p50))
	return nil
}

// growth is what a monitor takes with more rigs.
func (b *bench) growth() error {
	const part = "growth"
	var rigs []int
	for _, n := range []int{1, 10, 100, b.c.Rigs} {
		if n <= b.c.Rigs && !slices.Contains(rigs, n) {
			rigs = append(rigs, n)
		}
	}
	perFrame, resident := map[int]float64{}, map[int]float64{}
	for _, n := range rigs {
		f, err := b.begin(n)
		if err != nil {
			return err
		}
		r, err := f.measure(nil)
		f.end()
		if err != nil {
			return err
		}
		perFrame[n], resident[n] = r.cores*r.took/r.frames, r.resident
		b.figure(part, fmt.Sprintf("%d rigs: processor time a frame", n), 1e6*perFrame[n], "µs")
		b.figure(part, fmt.Sprintf("%d rigs: memory", n), resident[n]/1024, "MiB")
	}
	if last := rigs[len(rigs)-1]; last > 10 {
		b.most(part, fmt.Sprintf("a frame at %d rigs over one at 10", last), perFrame[last]/perFrame[10], "", 1.2)
		b.most(part, "memory a rig beyond the base", (resident[last]-resident[1])/float64(last-1), "KiB", 64)
	}
	return nil
}
