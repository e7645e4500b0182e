package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/ingest/testnames"
)

// faultsMode is how TestFaults runs: "update" writes FAULTS.md anew, "long" holds each
// recovery to the time that its row states, which a busy machine cannot.
const faultsMode = "HOISTWARD_FAULTS"

// faultRow is one fault. run provokes it on real parts, and what it proves becomes the
// line of FAULTS.md. A row without run is proven by tests elsewhere, which must be there;
// its words are here.
type faultRow struct {
	part, fault string
	long        int // 1: it waits long, and begins first
	run         func(f *fault)
	tests       []string

	sees, lost, back string
}

// fault is a row under way. Each of its methods checks a claim and, where it holds, adds
// it to the row.
type fault struct {
	t        *testing.T
	dir      string
	data     string
	broker   *realPart
	rigs     *rigsThatSend
	monitor  *proc
	site     string
	env      []string
	wrap     []string // a program, with its arguments, that runs the monitor
	mode     string
	errors   *os.File // of the monitor's standard error; nil = it is read
	inSource string   // one more key of the site file's source
	slow     bool     // an ordered end may not be waited for: the disk is too slow
	copies   bool     // readings come twice, and the recording keeps what comes
	sees     []string
	lostText string
	backText string
}

// newFault is a broker, a rig that sends ten times a second and the folders of a monitor.
func newFault(t *testing.T) *fault {
	f := &fault{t: t, dir: t.TempDir(), mode: os.Getenv(faultsMode)}
	f.data = filepath.Join(f.dir, "data")
	f.broker = newBroker(t)
	return f
}

// watch starts the monitor on the broker at url and the rig, and waits until it watches.
func (f *fault) watch(url, more string) {
	f.t.Helper()
	f.site = rigSite(f.t, f.dir, 1, url, f.data, more)
	if f.inSource != "" {
		text := strings.Replace(readFile(f.t, f.site), "kind: mqtt", "kind: mqtt\n    "+f.inSource, 1)
		if err := os.WriteFile(f.site, []byte(text), 0o644); err != nil {
			f.t.Fatal(err)
		}
	}
	f.startMonitor()
	f.wait("the subscription", func() bool {
		text := f.text("/healthz")
		return strings.Contains(text, `"subscribed"`) || strings.Contains(text, `"quiet"`)
	})
	f.rigs = startRigs(f.t, f.broker.mqtt(), 100*time.Millisecond, "R1")
	f.watched()
	f.flows()
}

// flows waits until twenty more readings are confirmed.
func (f *fault) flows() {
	f.t.Helper()
	n := len(f.rigs.confirmed())
	f.wait("twenty readings", func() bool { return len(f.rigs.confirmed()) >= n+20 })
}

func (f *fault) startMonitor() {
	f.t.Helper()
	f.monitor = f.program(append(f.wrap, os.Args[0], "monitor", "--config", f.site)...)
	f.wait("the monitor's address", func() bool { return f.monitor.address() != "" })
	f.t.Cleanup(func() {
		if f.t.Failed() {
			f.t.Logf("healthz %s\nreadyz %s\npage %s\nthe monitor says\n%s", f.text("/healthz"), f.text("/readyz"), f.text("/api/rigs/R1"), f.monitor.out)
		}
	})
}

// program starts this test binary as the program, by args.
func (f *fault) program(args ...string) *proc {
	f.t.Helper()
	p := &proc{cmd: exec.Command(args[0], args[1:]...), out: &syncBuffer{}, done: make(chan error, 1)}
	p.cmd.Env = append(append(os.Environ(), asProgram+"=1"), f.env...)
	p.cmd.Stdout, p.cmd.Stderr = p.out, p.out
	if f.errors != nil {
		p.cmd.Stderr = f.errors
	}
	if err := p.cmd.Start(); err != nil {
		f.t.Fatal(err)
	}
	go func() { p.done <- p.cmd.Wait() }()
	f.t.Cleanup(p.kill)
	return p
}

func (f *fault) text(path string) string {
	var raw json.RawMessage
	f.monitor.get(path, &raw)
	return string(raw)
}

// wait waits as long as a machine that does much else may need.
func (f *fault) wait(what string, holds func() bool) {
	f.t.Helper()
	within(f.t, 90*time.Second, what, holds)
}

func (f *fault) isWatched() bool {
	var ready struct{ Watching bool }
	return f.monitor.get("/readyz", &ready) && ready.Watching
}

func (f *fault) watched() {
	f.t.Helper()
	f.wait("all is watched", f.isWatched)
}

type faultPage struct {
	Sick   []string
	Alarms []struct{ Alarm, State, Title string }
}

func (f *fault) page() (p faultPage) { f.monitor.get("/api/rigs/R1", &p); return p }

func (f *fault) hasAlarm(name string) bool {
	for _, a := range f.page().Alarms {
		if a.Alarm == name && a.State == "unacknowledged" {
			return true
		}
	}
	return false
}

// alarm: the page shows the alarm as one that stands and nobody has answered.
func (f *fault) alarm(name string) {
	f.t.Helper()
	rule, ok := alarms.Lookup(name)
	if !ok {
		f.t.Fatalf("there is no alarm %s", name)
	}
	f.wait("the alarm "+name, func() bool { return f.hasAlarm(name) })
	f.sees = append(f.sees, "alarm *"+rule.Title+"*")
}

// sick: the cabin page has these words about the monitor itself.
func (f *fault) sick(words string) {
	f.t.Helper()
	f.wait("the page's words "+words, func() bool { return strings.Contains(strings.Join(f.page().Sick, " "), words) })
	f.sees = append(f.sees, "page “"+words+"”")
}

// ready: /readyz says that the rig is not watched, and why.
func (f *fault) ready(words string) {
	f.t.Helper()
	f.wait("readyz's words "+words, func() bool { return !f.isWatched() && strings.Contains(f.text("/readyz"), words) })
	f.sees = append(f.sees, "not ready: “"+words+"”")
}

// health: /healthz has these words.
func (f *fault) health(words string) {
	f.t.Helper()
	f.wait("healthz's words "+words, func() bool { return strings.Contains(f.text("/healthz"), words) })
	f.sees = append(f.sees, "health “"+words+"”")
}

// alive: all the time the page answers, and the rig is watched by fresh readings.
func (f *fault) alive(during time.Duration) {
	f.t.Helper()
	for end := time.Now().Add(during); time.Now().Before(end); {
		f.watched() // within its deadline: a busy machine may be late
		time.Sleep(200 * time.Millisecond)
	}
	f.sees = append(f.sees, "the rig is watched all the time")
}

// recovers waits until holds, and the row says in how long at the most. since is when the
// cause was gone.
func (f *fault) recovers(bucket time.Duration, since time.Time, how string, holds func() bool) {
	f.t.Helper()
	f.wait("recovery", holds)
	took := time.Since(since)
	f.t.Logf("recovered in %v", took.Round(time.Millisecond))
	if f.mode == "long" && took > bucket {
		f.t.Errorf("recovered in %v, want under %v", took, bucket)
	}
	f.backText = how + ", under " + bucketWords(bucket)
}

// nothingToRecover says that the rig is watched, as it was all the time.
func (f *fault) nothingToRecover() {
	f.t.Helper()
	f.watched()
	f.backText = "there is nothing to recover"
}

func bucketWords(d time.Duration) string {
	if d >= time.Minute {
		return "a minute"
	}
	return fmt.Sprintf("%d s", int(d.Seconds()))
}

// accounted ends rig and monitor and holds what is recorded against what the broker
// confirmed: nothing is missing outside of the spans, and nothing is there twice.
// some says that within them something has to be missing, else the row would say too much.
func (f *fault) accounted(words string, some bool, spans ...span) {
	f.t.Helper()
	f.flows()
	f.rigs.end()
	f.settled()
	if f.site != "" && f.historian().State != "" {
		f.wait("the historian has all", func() bool { return f.historian().Received().After(f.rigs.confirmed()[len(f.rigs.confirmed())-1].at) })
	}
	f.stopMonitor()
	in, out, twice := account(f.rigs.confirmed(), recorded(f.t, f.data), spans...)
	f.t.Logf("%d confirmed, %d missing within the fault, %d outside, %d twice", len(f.rigs.confirmed()), in, out, twice)
	switch {
	case len(f.rigs.confirmed()) < 20:
		f.t.Errorf("%d readings were sent, want 20 at least", len(f.rigs.confirmed()))
	case f.copies && twice < len(f.rigs.confirmed())/2:
		f.t.Errorf("%d readings are recorded twice, want most of those that came twice", twice)
	case out > 0 || twice > 0 && !f.copies:
		f.t.Errorf("%d readings are missing outside of the fault, %d are there twice", out, twice)
	case some && in == 0:
		f.t.Errorf("nothing is lost, but the row says %q", words)
	}
	f.lostText = words
}

// settled waits until the newest reading that the broker confirmed has come.
func (f *fault) settled() {
	f.t.Helper()
	all := f.rigs.confirmed()
	if len(all) == 0 {
		return
	}
	newest := all[len(all)-1].at.Add(-f.rigs.stepped).UnixMilli()
	f.wait("the newest reading", func() bool { return f.monitor.newestOf("R1") >= newest-1 })
}

func (f *fault) stopMonitor() {
	f.t.Helper()
	pid := f.monitor.cmd.Process.Pid
	if len(f.wrap) > 0 { // what wraps it keeps signals to itself
		if _, err := fmt.Sscan(readFile(f.t, fmt.Sprintf("/proc/%d/task/%d/children", pid, pid)), &pid); err != nil {
			f.t.Fatal(err)
		}
	}
	if f.slow { // what was taken two seconds ago is written by now
		f.wait("the recorder has written all", func() bool {
			var h health
			return f.monitor.get("/healthz", &h) && h.Recorder.Waiting < 20
		})
	}
	_ = syscall.Kill(pid, syscall.SIGINT)
	if code := f.monitor.ended(f.t); code != exitGood && !f.slow {
		f.t.Errorf("the monitor's exit %d: %s", code, f.monitor.out)
	}
}

// margin is how far from the moments of a fault something on its way may be lost.
const margin = 2 * time.Second

func during(from time.Time) span { return span{from.Add(-margin), time.Now().Add(margin)} }

// The faults that a rig's site has, one row each: what a person sees, what is lost, and
// how long it takes to recover are checked on real programs, and FAULTS.md is what came
// of it.
func TestFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	var mu sync.Mutex
	lines := map[string]string{}
	rows := faultRows()
	var all sync.WaitGroup
	places := make(chan struct{}, 8)
	for _, row := range slices.SortedStableFunc(slices.Values(rows), func(a, b faultRow) int { return cmp.Compare(b.long, a.long) }) {
		all.Add(1)
		go func() {
			defer all.Done()
			places <- struct{}{}
			defer func() { <-places }()
			t.Run(row.part+" "+row.fault, func(t *testing.T) {
				line := row.prove(t)
				mu.Lock()
				lines[row.part+row.fault] = line
				mu.Unlock()
			})
		}()
	}
	all.Wait()
	if t.Failed() {
		return
	}
	compareFaults(t, rows, lines)
}

// prove runs the row and returns its line.
func (r *faultRow) prove(t *testing.T) string {
	sees, lost, back, by := r.sees, r.lost, r.back, "`TestFaults`"
	if r.run != nil {
		f := newFault(t)
		r.run(f)
		sees, lost, back = strings.Join(f.sees, "; "), f.lostText, f.backText
	} else {
		by = ""
	}
	known := sync.OnceValue(func() map[string]bool { return testnames.Below(t, filepath.Join("..", "..")) })
	for _, name := range r.tests {
		if !known()[name] {
			t.Errorf("%s is no test", name)
		}
		by = strings.TrimPrefix(by+", `"+name+"`", ", ")
	}
	for what, cell := range map[string]string{"what is seen": sees, "what is lost": lost, "how it recovers": back, "what shows it": by} {
		if cell == "" && !t.Failed() {
			t.Errorf("the row does not say %s", what)
		}
	}
	line := fmt.Sprintf("| %s | %s | %s | %s | %s |\n", r.fault, sees, lost, back, by)
	t.Logf("line: %s", line)
	return line
}

const faultsFile = "FAULTS.md"

const faultsHead = `# What fails, what is seen of it, what is lost, and how it recovers

Written by ` + "`TestFaults`" + `, which provokes each fault on real programs (mosquitto, VictoriaMetrics, this one) and checks each
cell: the words on the page (*page*), in ` + "`/readyz`" + ` (*not ready*) and ` + "`/healthz`" + ` (*health*), the alarms, the readings that the broker confirmed
against those that are recorded, and that it recovers. Do not edit it: ` + "`HOISTWARD_FAULTS=update go test ./cmd/hoistward -run TestFaults`" + `.
Rows without ` + "`TestFaults`" + ` in the last column are shown by the tests named there. Times of recovery count from when the cause is gone, on a
machine that has two processors and little else to do (` + "`HOISTWARD_FAULTS=long`" + ` holds the rows to them). *Nothing* is lost means: each reading that
the broker confirmed to the rig is recorded, once.
`

// compareFaults holds FAULTS.md against the rows that were run.
func compareFaults(t *testing.T, rows []faultRow, lines map[string]string) {
	t.Helper()
	var want strings.Builder
	want.WriteString(faultsHead)
	part := ""
	for _, r := range rows {
		if r.part != part {
			part = r.part
			fmt.Fprintf(&want, "\n## %s\n\n| fault | what is seen | what is lost | recovery | shown by |\n|---|---|---|---|---|\n", part)
		}
		want.WriteString(lines[r.part+r.fault])
	}
	if os.Getenv(faultsMode) == "update" {
		if err := os.WriteFile(faultsFile, []byte(want.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	got := strings.Split(readFile(t, faultsFile), "\n")
	if len(lines) < len(rows) { // some were not run
		for _, line := range lines {
			if !slices.Contains(got, strings.TrimSuffix(line, "\n")) {
				t.Errorf("%s has not the line\n%s", faultsFile, line)
			}
		}
		return
	}
	for i, line := range strings.Split(want.String(), "\n") {
		if i >= len(got) || got[i] != line {
			t.Fatalf("%s is not what the rows prove; %s=update writes it anew. First difference, wanted:\n%s", faultsFile, faultsMode, line)
		}
	}
	if n := strings.Count(want.String(), "\n") + 1; len(got) != n {
		t.Errorf("%s has %d lines, want %d", faultsFile, len(got), n)
	}
}

// spin takes all processors until the test ends or stop is called.
func spin(t *testing.T, programs int) (stop func()) {
	t.Helper()
	var all []*proc
	for range programs {
		p := &proc{out: &syncBuffer{}, done: make(chan error, 1)}
		p.cmd = exec.Command("sh", "-c", "while :; do :; done")
		if err := p.cmd.Start(); err != nil {
			t.Fatal(err)
		}
		go func() { p.done <- p.cmd.Wait() }()
		all = append(all, p)
		t.Cleanup(p.kill)
	}
	return func() {
		for _, p := range all {
			p.kill()
		}
	}
}
