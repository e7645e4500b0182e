package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest/mqtt/broker"
	"hoistward/ingest/record"
	"hoistward/simulator"
)

// liveRun is a monitor in this process, its broker and its simulated rigs, put
// together as the demo does.
type liveRun struct {
	t         testing.TB
	dir       string
	site      *configs.Site
	st        *station
	broker    *broker.Broker
	undo      undo
	estimates bytes.Buffer
	seconds   map[time.Time]bool // of the rig's own time, in which there was one
	stopped   bool
}

func startBroker(t testing.TB, dir string, opts ...broker.Option) *broker.Broker {
	t.Helper()
	folder := filepath.Join(dir, "broker")
	// The server can still write a file when it has ended, under the removal of its folder.
	t.Cleanup(func() { until(t, "the broker's folder is gone", func() bool { return os.RemoveAll(folder) == nil }) })
	b, err := broker.Start(t.Context(), folder, zap.NewNop(), opts...)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func startLive(t testing.TB, rigs int, speed float64) *liveRun {
	t.Helper()
	l := &liveRun{t: t, dir: t.TempDir(), seconds: map[time.Time]bool{}}
	l.broker = startBroker(t, l.dir)
	l.undo.add("broker", l.broker.Stop)
	cmd := demoCmd{Rigs: rigs, Listen: "127.0.0.1:0"}
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	site, err := cmd.site(l.dir, l.broker.URL(), sc)
	if err != nil {
		t.Fatal(err)
	}
	l.site = site
	l.st = &station{site: site, clock: monotone(time.Now(), speed), log: zap.NewNop()}
	l.st.onEvent = func(w *watch.Rig, o *watch.Outcome) {
		if o.Estimate != nil && w.Name() == "R1" {
			l.estimates.Write(append(detect.AppendCSV(nil, o.Estimate), '\n'))
			l.seconds[w.Now().Truncate(time.Second)] = true
		}
	}
	if err := l.st.start(&l.undo); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.stop)
	return l
}

func (l *liveRun) stop() {
	if l.stopped {
		return
	}
	l.stopped = true
	if err := l.undo.stop(); err != nil {
		l.t.Error(err)
	}
}

// play runs a scenario on the live run's rigs to its end, or for so long.
func (l *liveRun) play(scenario string, speed float64, during time.Duration) {
	l.t.Helper()
	sc, err := simulator.LoadScenario(scenario)
	if err != nil {
		l.t.Fatal(err)
	}
	cmd := demoCmd{Seed: 3, Speed: speed}
	ctx, cancel := context.WithTimeout(l.t.Context(), time.Duration(float64(during)/speed))
	defer cancel()
	p, err := cmd.play(ctx, sc, l.site, l.broker.URL(), l.st.clock, l.dir, newPrinter(&streams{out: io.Discard}, ""))
	if err != nil {
		l.t.Fatal(err)
	}
	<-p.all
	if err := p.failure(); err != nil {
		l.t.Fatal(err)
	}
	if err := p.client.Close(5 * time.Second); err != nil {
		l.t.Error(err)
	}
}

// until polls a condition until it holds or the test has waited too long.
func until(t testing.TB, what string, holds func() bool) {
	t.Helper()
	deadline := time.NewTimer(30 * time.Second)
	defer deadline.Stop()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-deadline.C:
			t.Fatalf("waited 30 s for: %s", what)
		case <-tick.C:
		}
	}
}

func (l *liveRun) get(path string) string {
	l.t.Helper()
	r, err := http.Get(l.st.address + path)
	if err != nil {
		l.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		l.t.Fatal(err)
	}
	return string(b)
}

func (l *liveRun) post(path, body string) (int, string) {
	l.t.Helper()
	r, err := http.Post(l.st.address+path, "application/json", strings.NewReader(body))
	if err != nil {
		l.t.Fatal(err)
	}
	defer r.Body.Close()
	b, _ := io.ReadAll(r.Body)
	return r.StatusCode, string(b)
}

func (l *liveRun) journal() string {
	b, err := os.ReadFile(filepath.Join(l.dir, journalFile))
	if err != nil {
		l.t.Fatal(err)
	}
	return string(b)
}

func replayed(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(append([]string{"replay"}, args...), &streams{ctx: t.Context(), out: &out, err: &errs}); code != exitGood {
		t.Fatalf("replay %v: exit %d: %s", args, code, &errs)
	}
	return out.String()
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A run over real MQTT, with alarms, an acknowledgement and two rigs, replayed from
// its recording gives the identical journal and estimates, byte for byte; and the
// overhoist alarm stands in the journal before the contact.
func TestReplayIsTheLiveRunToTheByte(t *testing.T) {
	const speed = 4
	l := startLive(t, 2, speed)
	acked := make(chan error, 1)
	go func() { acked <- l.acknowledgeFirst("overhoist") }()
	l.play("overhoist", speed, 60*time.Second)
	if err := <-acked; err != nil {
		t.Fatal(err)
	}
	l.stop()

	live := l.journal()
	if !strings.Contains(live, `"alarm":"overhoist","event":"acknowledged"`) {
		t.Error("the acknowledgement is not in the journal")
	}
	out := t.TempDir()
	replayed(t, l.dir, "--quiet", "--journal", filepath.Join(out, "j"))
	if again := readFile(t, filepath.Join(out, "j")); again != live {
		t.Errorf("replayed journal differs from the live one:\nlive:\n%s\nreplayed:\n%s", live, again)
	}
	replayed(t, l.dir, "--quiet", "--only", "R1", "--estimates", filepath.Join(out, "e"))
	if again := readFile(t, filepath.Join(out, "e")); again != detect.CSVHeader+"\n"+l.estimates.String() {
		t.Errorf("replayed estimates (%d bytes) differ from the live ones (%d bytes)", len(again), l.estimates.Len())
	}
	if n := strings.Count(l.estimates.String(), "\n"); n < 400 {
		t.Errorf("%d live estimates in a minute at 10 Hz, want most of 600", n)
	}
	checkRecordedEstimates(t, l)
}

// checkRecordedEstimates holds the estimates in the recording, one a second, against
// the live ones.
func checkRecordedEstimates(t *testing.T, l *liveRun) {
	t.Helper()
	names, live := strings.Split(detect.CSVHeader, ","), map[string][]string{}
	for line := range strings.Lines(l.estimates.String()) {
		cells := strings.Split(strings.TrimSuffix(line, "\n"), ",")
		live[cells[0]] = cells
	}
	n := 0
	for e, err := range record.Estimates(filepath.Join(l.dir, recordingsDir, "R1")) {
		if err != nil {
			t.Fatal(err)
		}
		n++
		want := live[e.Time.Format("2006-01-02T15:04:05.000Z")]
		if want == nil {
			t.Fatalf("the recording has an estimate of %s, the live run none", e.Time)
		}
		for i, name := range names[1:] {
			got := e.Text(name)
			if x := e.Number(name); !math.IsNaN(x) {
				got = strings.TrimPrefix(strings.ToLower(strconv.FormatFloat(x, 'g', -1, 64)), "+")
			}
			if got != want[i+1] {
				t.Fatalf("%s, %s: recorded %q, live %q", want[0], name, got, want[i+1])
			}
		}
	}
	if n < 10 || n != len(l.seconds) {
		t.Errorf("got %d estimates in the recording, want one in each of the %d seconds that had some", n, len(l.seconds))
	}
}

// acknowledgeFirst waits for an alarm on R1 and acknowledges it as a page would.
func (l *liveRun) acknowledgeFirst(alarm string) error {
	pace := time.NewTicker(20 * time.Millisecond) // the server refuses who asks without a pause
	defer pace.Stop()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); <-pace.C {
		r, err := http.Get(l.st.address + "/api/rigs/R1")
		if err != nil {
			return err
		}
		var snap struct {
			Alarms []struct {
				Alarm      string
				Occurrence uint64
				Version    uint64
				CanAck     bool `json:"can_ack"`
			}
		}
		_ = json.NewDecoder(r.Body).Decode(&snap)
		r.Body.Close()
		for _, a := range snap.Alarms {
			if a.Alarm != alarm || !a.CanAck {
				continue
			}
			body := fmt.Sprintf(`{"do":"acknowledge","alarm":%q,"occurrence":%d,"version":%d,"person":"A. Tester"}`, alarm, a.Occurrence, a.Version)
			code, answer := l.post("/api/rigs/R1/acts", body)
			switch code {
			case http.StatusOK:
				return nil
			case http.StatusConflict: // it changed since: look again
			default:
				return fmt.Errorf("acknowledge: %d %s", code, answer)
			}
		}
	}
	return fmt.Errorf("no %s alarm to acknowledge", alarm)
}

// The demo as a user starts it: it ends 0, the overhoist alarm stands in the journal
// before the contact of the truth, and replaying its folder gives the same bytes.
func TestDemoOverhoist(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	var out, errs bytes.Buffer
	code := run([]string{"demo", "--scenario", "overhoist", "--for", "60s", "--speed", "4", "--data", dir, "--listen", "127.0.0.1:0"},
		&streams{ctx: t.Context(), out: &out, err: &errs})
	if code != exitGood {
		t.Fatalf("exit %d: %s", code, &errs)
	}
	if !strings.HasPrefix(out.String(), "hoistward demo: http://127.0.0.1:") {
		t.Errorf("first line %q, want the address", strings.SplitN(out.String(), "\n", 2)[0])
	}
	contact := contactTime(t, filepath.Join(dir, "truth", "R1.csv"), out.String())
	raised := raisedAt(t, readFile(t, filepath.Join(dir, journalFile)), "overhoist")
	if lead := contact.Sub(raised); !(lead > 2*time.Second && lead < 15*time.Second) {
		t.Errorf("overhoist %v before the contact, want 2 s to 15 s", lead)
	}
	again := filepath.Join(t.TempDir(), "j")
	replayed(t, dir, "--quiet", "--journal", again)
	if readFile(t, again) != readFile(t, filepath.Join(dir, journalFile)) {
		t.Error("the replayed journal differs")
	}
}

func raisedAt(t *testing.T, journal, alarm string) time.Time {
	t.Helper()
	for line := range strings.Lines(journal) {
		var e struct {
			Time  time.Time
			Alarm string
			Event string
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("journal line %q: %v", line, err)
		}
		if e.Alarm == alarm && e.Event == "raised" {
			return e.Time
		}
	}
	t.Fatalf("no %s in the journal:\n%s", alarm, journal)
	return time.Time{}
}

// contactTime finds the crown contact in the demo's output, checked against the
// truth file.
func contactTime(t *testing.T, truth, out string) time.Time {
	t.Helper()
	if !strings.Contains(readFile(t, truth), "crown contact") {
		t.Fatal("the truth has no crown contact: the scenario does not do what it says")
	}
	for line := range strings.Lines(out) {
		if clock, _, ok := strings.Cut(line, " R1 simulated  crown contact"); ok {
			at, err := time.Parse("15:04:05.000Z", clock)
			if err != nil {
				t.Fatal(err)
			}
			now := time.Now().UTC()
			day := time.Date(now.Year(), now.Month(), now.Day(), at.Hour(), at.Minute(), at.Second(), at.Nanosecond(), time.UTC)
			if day.Sub(now) > 12*time.Hour { // the run ended before midnight
				day = day.Add(-24 * time.Hour)
			}
			return day
		}
	}
	t.Fatalf("no contact in the output:\n%s", out)
	return time.Time{}
}
