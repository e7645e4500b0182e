package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	dto "github.com/prometheus/client_model/go"

	"hoistward/configs"
)

// asCounter makes the test binary a subscriber that only counts, at the broker given.
const asCounter = "HOISTWARD_TEST_AS_COUNTER"

// countForTest is the least that a program can do with a flow of messages by the same
// client library: its callback counts. It prints each second how many came.
func countForTest(url string) {
	var n atomic.Int64
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("counter"))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		fmt.Fprintln(os.Stderr, tok.Error())
		os.Exit(1)
	}
	c.Subscribe("hoist/+/readings", 0, func(paho.Client, paho.Message) { n.Add(1) }).Wait()
	fmt.Println("ready")
	for { // until it is ended
		time.Sleep(time.Second)
		fmt.Println(n.Load())
	}
}

// child is a process beside the benchmark.
type child struct {
	cmd *exec.Cmd
	out *syncBuffer
}

func startChild(b *testing.B, env string, args ...string) *child {
	c := &child{exec.Command(os.Args[0], args...), &syncBuffer{}}
	c.cmd.Env = append(os.Environ(), env)
	c.cmd.Stdout, c.cmd.Stderr = c.out, c.out
	if err := c.cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if os.Getenv(profileDir) != "" {
			_ = c.cmd.Process.Signal(syscall.SIGQUIT)
			time.Sleep(2 * time.Second)
		}
		_ = c.cmd.Process.Kill()
		_ = c.cmd.Wait()
	})
	return c
}

// processorTime returns what a process has used so far: user and system, in ticks of
// 10 ms (proc(5), stat, fields 14 and 15).
func (c *child) processorTime(b *testing.B) time.Duration {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", c.cmd.Process.Pid))
	if err != nil {
		b.Skip("no /proc: ", err)
	}
	f := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+2:]))
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}

// counted returns how many messages the counter has told of.
func (c *child) counted() float64 {
	lines := strings.Fields(c.out.String())
	n, _ := strconv.ParseFloat(lines[len(lines)-1], 64)
	return n
}

// resident returns the resident set, in KiB (proc(5), status, VmRSS).
func (c *child) resident(b *testing.B) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", c.cmd.Process.Pid))
	if err != nil {
		b.Skip("no /proc: ", err)
	}
	_, rest, _ := strings.Cut(string(text), "VmRSS:")
	kib, _ := strconv.ParseFloat(strings.Fields(rest)[0], 64)
	return kib
}

// manyRigs writes a site of n rigs by a folder.
func manyRigs(b *testing.B, n, port int) string {
	dir := b.TempDir()
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		b.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "rigs"), 0o755); err != nil {
		b.Fatal(err)
	}
	for i := range n {
		own, err := configs.Set(text, "rig", fmt.Sprint("N", i))
		if err != nil {
			b.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "rigs", fmt.Sprintf("N%d.yaml", i)), own, 0o644); err != nil {
			b.Fatal(err)
		}
	}
	path := filepath.Join(dir, "site.yaml")
	site := fmt.Sprintf("site: reach\nlisten: 127.0.0.1:0\ndata: data\nrigs:\n  - folder: rigs\nsources:\n  - name: field\n    kind: mqtt\n"+
		"    broker: tcp://127.0.0.1:%d\n    topic: hoist/{rig}/readings\n    qos: 0\n    channels:\n      hook_load: {unit: kN}\n"+
		"      block_height: {unit: m}\n      drum_speed: {unit: rpm}\n      brake_pressure: {unit: MPa}\n", port)
	if err := os.WriteFile(path, []byte(site), 0o644); err != nil {
		b.Fatal(err)
	}
	return path
}

func startMany(b *testing.B, n, port int) (*child, string) {
	c := startChild(b, asProgram+"=1", "monitor", "--config", manyRigs(b, n, port))
	address := ""
	until(b, "the monitor's address", func() bool {
		_, rest, ok := strings.Cut(c.out.String(), "hoistward monitor: ")
		address, _, _ = strings.Cut(rest, "\n")
		return ok && strings.Contains(rest, "\n")
	})
	return c, address
}

// BenchmarkReach sends 10,000 messages a second, 1,000 rigs at 10 Hz with QoS 0,
// through mosquitto to a monitor with recorder, alarms and journal, and in the same run
// to a subscriber of the same client library that only counts. Each is a process of its
// own: what is told is their processor time and its ratio, what was lost, how long a
// message took from receipt to its estimate and alarms, and the memory that a rig adds.
func BenchmarkReach(b *testing.B) {
	const rigs, hertz = 1000, 10
	exe := needTool(b, "mosquitto", "/usr/sbin/mosquitto")
	port := freePort(b)
	conf := filepath.Join(b.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(conf, fmt.Appendf(nil, "listener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n", port), 0o644); err != nil {
		b.Fatal(err)
	}
	broker := exec.Command(exe, "-c", conf)
	if err := broker.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = broker.Process.Kill(); _ = broker.Wait() })
	until(b, "mosquitto", func() bool {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		return err == nil && c.Close() == nil
	})
	url := fmt.Sprintf("tcp://127.0.0.1:%d", port)
	base, baseAddress := startMany(b, 1, port)
	until(b, "the subscription of a monitor of one rig", func() bool {
		f, _ := scrape(b, baseAddress)
		v, _ := value(f, "source_open")
		return v == 1
	})
	baseKiB := base.resident(b)
	_ = base.cmd.Process.Kill() // it would take its part of the processor
	monitor, address := startMany(b, rigs, port)
	counter := startChild(b, asCounter+"="+url)
	until(b, "the counter", func() bool { return strings.Contains(counter.out.String(), "ready") })
	until(b, "the subscription", func() bool {
		f, _ := scrape(b, address)
		v, _ := value(f, "source_open")
		return v == 1
	})

	pub := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("rigs").SetWriteTimeout(10 * time.Second))
	if tok := pub.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		b.Fatal(tok.Error())
	}
	defer pub.Disconnect(100)
	m0, c0, sent := monitor.processorTime(b), counter.processorTime(b), 0
	begun := time.Now()
	tick := time.NewTicker(time.Second / hertz)
	defer tick.Stop()
	for b.Loop() { // one round of all rigs
		<-tick.C
		at := stamp(0)
		for i := range rigs {
			pub.Publish(fmt.Sprintf("hoist/N%d/readings", i), 0, false, fmt.Sprintf(
				`{"t":%q,"hook_load":%.1f,"block_height":%.3f,"drum_speed":0,"brake_pressure":7}`, at, 300+0.1*float64(sent%7), 20+0.001*float64(sent%5)))
			sent++
		}
	}
	took := time.Since(begun)
	var f map[string]*dto.MetricFamily
	before, still := -1.0, time.Now()
	until(b, "the flow to end", func() bool {
		f, _ = scrape(b, address)
		handled, _ := value(f, "loop_lag_seconds")
		if handled != before {
			before, still = handled, time.Now()
		}
		return int(handled) == sent || time.Since(still) > 2*time.Second
	})
	came, _ := value(f, "source_messages_total")
	m, c := monitor.processorTime(b)-m0, counter.processorTime(b)-c0
	frames, _ := value(f, "frames_total")
	lostRows, _ := value(f, "recorder_dropped_total")
	b.ReportMetric(float64(sent)/took.Seconds(), "messages/s")
	b.ReportMetric(float64(sent)-frames, "lost")
	b.ReportMetric(float64(sent)-came, "lost-before-us")
	b.ReportMetric(droppedOf(f), "shed")
	b.ReportMetric(lostRows, "unrecorded")
	b.ReportMetric(m.Seconds()/took.Seconds(), "monitor-cores")
	b.ReportMetric(c.Seconds()/took.Seconds(), "counter-cores")
	// Of a message that was taken through, against one that was counted: what is shed
	// costs little and would flatter.
	handled, _ := value(f, "loop_lag_seconds")
	b.ReportMetric(m.Seconds()/handled/(c.Seconds()/counter.counted()), "ratio")
	b.ReportMetric(1e3*bucketQuantile(f["hoistward_loop_lag_seconds"], 0.99), "p99-below-ms")
	b.ReportMetric((monitor.resident(b)-baseKiB)/(rigs-1), "KiB/rig")
}

func droppedOf(f map[string]*dto.MetricFamily) float64 {
	n, _ := value(f, "source_dropped_total")
	return n
}

// bucketQuantile returns the upper bound of the bucket that holds quantile q, s.
func bucketQuantile(f *dto.MetricFamily, q float64) float64 {
	h := f.Metric[0].Histogram
	for _, bucket := range h.Bucket {
		if float64(bucket.GetCumulativeCount()) >= q*float64(h.GetSampleCount()) {
			return bucket.GetUpperBound()
		}
	}
	return h.GetSampleSum()
}
