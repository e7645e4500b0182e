package main

import (
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
)

// scrape asks for the metrics as Prometheus does and reads them with its own parser.
func scrape(t testing.TB, address string) (map[string]*dto.MetricFamily, string) {
	t.Helper()
	resp, err := http.Get(address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("status %d, %v: %s", resp.StatusCode, err, text)
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(string(text)))
	if err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return families, string(text)
}

// value returns the one series of a family with these labels, name and value in turn.
func value(families map[string]*dto.MetricFamily, name string, labels ...string) (float64, bool) {
	f := families["hoistward_"+name]
	if f == nil {
		return 0, false
	}
next:
	for _, m := range f.Metric {
		for i := 0; i < len(labels); i += 2 {
			has := false
			for _, l := range m.Label {
				has = has || l.GetName() == labels[i] && l.GetValue() == labels[i+1]
			}
			if !has {
				continue next
			}
		}
		switch {
		case m.Counter != nil:
			return m.Counter.GetValue(), true
		case m.Gauge != nil:
			return m.Gauge.GetValue(), true
		case m.Histogram != nil:
			return float64(m.Histogram.GetSampleCount()), true
		}
	}
	return 0, false
}

// What a monitor did is at /metrics, in the form that Prometheus reads and its linter
// finds nothing in, and no text of a sender becomes a label.
func TestMetrics(t *testing.T) {
	l := startLive(t, 2, 1)
	s := newSender(t, l.broker.URL())
	until(t, "the subscription", func() bool { return strings.Contains(l.get("/healthz"), `"subscribed"`) })
	for i := range 5 {
		s.send("R1", good(20+0.01*float64(i)))
	}
	s.send("R1", "{broken")
	s.send("R1", `{"t":"`+stamp(48*time.Hour)+`","hook_load":300}`)
	for i := range 150 {
		s.send(fmt.Sprint("made-up-", i), good(20))
	}
	var families map[string]*dto.MetricFamily
	var text string
	until(t, "the metrics of what was sent", func() bool {
		families, text = scrape(t, l.st.address)
		n, _ := value(families, "rejects_total", "source", "demo-broker", "reason", "unknown rig")
		return n == 150
	})
	for _, want := range []struct {
		name   string
		labels []string
		value  float64
	}{
		{"rejects_total", []string{"source", "demo-broker", "reason", "broken JSON"}, 1},
		{"rejects_total", []string{"source", "demo-broker", "reason", "clock ahead"}, 1},
		{"source_open", []string{"source", "demo-broker"}, 1},
		{"source_state", []string{"source", "demo-broker", "state", "subscribed"}, 1},
		{"source_state", []string{"source", "demo-broker", "state", "lost"}, 0},
		{"source_messages_total", []string{"source", "demo-broker"}, 157},
		{"source_dropped_total", []string{"source", "demo-broker"}, 0},
		{"source_queue_length", []string{"source", "demo-broker"}, 0},
		{"samples_total", nil, 6},
		{"frames_total", nil, 6},
		{"loop_lag_seconds", nil, 157},
		{"rigs", nil, 2},
		{"rigs_without_file", nil, 101},
		{"pages", nil, 0},
		{"recorder_dropped_total", nil, 0},
		{"recorder_failing_rigs", nil, 0},
		{"journal_lost_total", nil, 0},
		{"build_info", []string{"version", version}, 1},
	} {
		if got, ok := value(families, want.name, want.labels...); !ok || got != want.value {
			t.Errorf("%s%v: got %v (there: %v), want %v", want.name, want.labels, got, ok, want.value)
		}
	}
	if o, ok := value(families, "source_clock_offset_seconds", "source", "demo-broker"); !ok || !(o > -1 && o < 1) {
		t.Errorf("the sender's clock is ours, and its offset is %v", o)
	}
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	if err != nil || len(problems) > 0 {
		t.Errorf("the linter says %v, %v", problems, err)
	}
	for _, leak := range []string{"made-up", "go_goroutines", "process_", "go_memstats"} {
		if strings.Contains(text, leak) {
			t.Errorf("the metrics hold %q", leak)
		}
	}
	files := readFile(t, filepath.Join("..", "..", "configs", "FILES.md"))
	for name := range families {
		i := strings.LastIndexByte(strings.TrimSuffix(name, "_total"), '_')
		if !strings.Contains(files, "`"+name+"`") && !strings.Contains(files, "`"+name[i:]+"`") && !strings.Contains(files, "`"+name[strings.LastIndexByte(name[:i], '_'):]+"`") {
			t.Errorf("%s is not in FILES.md", name)
		}
	}
	health := l.get("/healthz")
	for _, want := range []string{`"rigs_without_file":[{"source":"demo-broker","rig":"(others)","readings":50},{"source":"demo-broker","rig":"made-up-0","readings":1}`,
		`"clock_offset":{"median_s":`, "s ahead of receipt"} {
		if !strings.Contains(health, want) {
			t.Errorf("healthz lacks %s: %s", want, health)
		}
	}
}
