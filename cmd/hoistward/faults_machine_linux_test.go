package main

import (
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// monitorKilled ends the monitor as nothing can prevent, and starts it again.
func monitorKilled(f *fault) {
	f.watch(f.broker.mqtt(), "")
	f.alarm("crown_saver_not_proven")
	f.sees = nil
	from := time.Now()
	f.monitor.kill()
	if answers(strings.TrimPrefix(f.monitor.address(), "http://")) {
		f.t.Error("the page of a killed monitor answers")
	}
	f.sees = append(f.sees, "the page says that it is not connected; heartbeats end; after the restart alarms stand as before")
	f.startMonitor()
	f.wait("the alarm that stood before", func() bool { return f.hasAlarm("crown_saver_not_proven") })
	f.recovers(30*time.Second, from, "by itself, as soon as it is started again", f.isWatched)
	if n := strings.Count(readFile(f.t, filepath.Join(f.data, journalFile)), `"alarm":"crown_saver_not_proven","event":"raised"`); n != 1 {
		f.t.Errorf("the alarm is raised %d times in the journal, want once", n)
	}
	f.accounted("readings of the last second or two before, and what is sent until it watches again; no alarm and no acknowledgement", true, during(from))
}

// twoOfOneID are two monitors that a broker takes for one.
func twoOfOneID(f *fault) {
	site := func(data string) {
		f.site = rigSite(f.t, f.dir, 1, f.broker.mqtt(), data, "")
		text := strings.Replace(readFile(f.t, f.site), "kind: mqtt", "kind: mqtt\n    client_id: doghouse", 1)
		if err := os.WriteFile(f.site, []byte(text), 0o644); err != nil {
			f.t.Fatal(err)
		}
	}
	site(filepath.Join(f.dir, "other"))
	f.startMonitor()
	other := f.monitor
	f.rigs = startRigs(f.t, f.broker.mqtt(), 100*time.Millisecond, "R1")
	f.watched()
	site(f.data)
	f.startMonitor()
	from := time.Now().Add(-time.Minute)
	f.health("duplicate client id")
	f.alarm("broker_lost")
	other.kill()
	f.recovers(time.Minute, time.Now(), "when one of them gets an id of its own", func() bool { return f.isWatched() && !f.hasAlarm("broker_lost") })
	f.accounted("what comes while the other has the link; the pause between attempts grows, so that they do not fight without end", true, during(from))
}

// rigFloods sends a thousand times as much as it should.
func rigFloods(f *fault) {
	f.watch(f.broker.mqtt(), "")
	f.rigs.end()
	sent := f.rigs.confirmed()
	flood := startRigs(f.t, f.broker.mqtt(), 100*time.Millisecond, "R1")
	flood.set(func() { flood.flood["R1"] = 1000; flood.qos = 0 })
	from := time.Now()
	f.wait("fifty thousand readings", func() bool { flood.mu.Lock(); defer flood.mu.Unlock(); return len(flood.sent) > 50_000 })
	flood.end()
	f.sees = append(f.sees, "nothing while the machine keeps up; else alarm *Readings discarded* and the number in words on the page")
	f.rigs = startRigs(f.t, f.broker.mqtt(), 100*time.Millisecond, "R1")
	f.recovers(30*time.Second, time.Now(), "by itself when the flood ends", func() bool { return f.isWatched() && strings.Contains(f.text("/healthz"), `"waiting":0`) })
	over := span{from.Add(-10 * time.Second), time.Now().Add(margin)} // what waited when it began goes first
	f.flows()
	f.rigs.set(func() { f.rigs.sent = append(f.rigs.sent, sent...) })
	f.accounted("of that rig the oldest messages beyond the queue, counted; of other rigs nothing", false, over)
}

// neighbourSpins takes every processor, twice.
func neighbourSpins(f *fault) {
	f.watch(f.broker.mqtt(), "")
	stop := spin(f.t, 4)
	f.alive(5 * time.Second)
	stop()
	f.nothingToRecover()
	f.accounted("nothing", false)
}

// littleMemory lets the monitor have less than it likes.
func littleMemory(f *fault) {
	f.env = append(f.env, "GOMEMLIMIT=24MiB")
	f.watch(f.broker.mqtt(), "")
	f.rigs.set(func() { f.rigs.flood["R1"] = 20 })
	f.alive(5 * time.Second)
	f.rigs.set(func() { delete(f.rigs.flood, "R1") })
	f.nothingToRecover()
	if kb := residentKB(f.monitor.cmd.Process.Pid); kb > 160<<10 {
		f.t.Errorf("%d KiB are resident, want 160 MiB at most", kb)
	}
	f.accounted("nothing", false)
}

// nobodyReads is a monitor whose output goes into a pipe that is full.
func nobodyReads(f *fault) {
	in, out, err := os.Pipe()
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { in.Close(); out.Close() })
	f.watch(f.broker.mqtt(), "")
	f.stopMonitor()
	// The same again, with its standard error into the pipe, which is full from the start.
	_ = out.SetWriteDeadline(time.Now().Add(time.Second))
	_, _ = io.Copy(out, endless{})
	_ = out.SetWriteDeadline(time.Time{})
	f.errors = out
	f.startMonitor()
	f.watched()
	f.broker.kill()
	f.broker.start() // what it would log
	f.watched()
	f.alive(3 * time.Second)
	f.nothingToRecover()
	f.lostText = "lines of the log"
	f.rigs.end()
	f.stopMonitor()
}

type endless struct{}

func (endless) Read(p []byte) (int, error) { return len(p), nil }

// brokerExpired is a broker whose certificate has ended, and is renewed.
func brokerExpired(f *fault) {
	port, dir := freePort(f.t), f.t.TempDir()
	if needTool(f.t, "openssl") == "" {
		return
	}
	run := func(args ...string) {
		if out, err := exec.Command("openssl", args...).CombinedOutput(); err != nil {
			f.t.Fatalf("openssl %v: %v: %s", args, err, out)
		}
	}
	file := func(name string) string { return filepath.Join(dir, name) }
	run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-subj", "/CN=invented authority", "-keyout", file("ca.key"), "-out", file("ca.crt"))
	run("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost", "-keyout", file("server.key"), "-out", file("server.csr"))
	if err := os.WriteFile(file("names"), []byte("subjectAltName=IP:127.0.0.1\n"), 0o644); err != nil {
		f.t.Fatal(err)
	}
	issue := func(days string) {
		run("x509", "-req", "-in", file("server.csr"), "-CA", file("ca.crt"), "-CAkey", file("ca.key"), "-CAcreateserial", "-days", days, "-extfile", file("names"), "-out", file("server.crt"))
		if err := os.Chmod(file("server.key"), 0o644); err != nil {
			f.t.Fatal(err)
		}
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		f.t.Fatal(err)
	}
	text := fmt.Sprintf("persistence false\nallow_anonymous true\nuser root\nlistener %d 127.0.0.1\nlistener %d 127.0.0.1\ncertfile %s\nkeyfile %s\n", f.broker.port, port, file("server.crt"), file("server.key"))
	again := func(days string) {
		issue(days)
		f.broker.kill()
		if err := os.WriteFile(f.broker.args[1], []byte(text), 0o644); err != nil {
			f.t.Fatal(err)
		}
		f.broker.start()
		f.wait("the encrypted port", func() bool { return answers(net.JoinHostPort("127.0.0.1", fmt.Sprint(port))) })
	}
	again("30")
	f.inSource = "ca_file: " + file("ca.crt")
	f.watch(fmt.Sprintf("ssl://127.0.0.1:%d", port), "")
	from := time.Now()
	again("-1") // it ended yesterday
	f.alarm("broker_lost")
	f.sick("Connection lost: field (lost).")
	f.health("certificate has expired")
	again("30")
	f.recovers(30*time.Second, time.Now(), "by itself when the broker has a new one", f.isWatched)
	f.accounted(lostOnTheWay+"; `hoistward doctor` tells of it 30 days before", false, during(from))
}
