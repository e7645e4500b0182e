package dashboard_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"testing"
	"time"

	"hoistward/dashboard"
	"hoistward/dashboard/trend"
)

type trendAnswer struct {
	Rig, Span string
	FirstMs   int64                 `json:"first_ms"`
	StepMs    int64                 `json:"step_ms"`
	SinceMs   int64                 `json:"since_ms"`
	Steps     int                   `json:"steps"`
	Low       map[string][]*float64 `json:"min"`
	High      map[string][]*float64 `json:"max"`
}

func said(x *float64) string {
	if x == nil {
		return "nothing"
	}
	return strconv.FormatFloat(*x, 'g', -1, 64)
}

// What is published and what is noted between two snapshots come back by the minute and
// by the two seconds, a silence as a gap.
func TestTrendOfARig(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 1, 0, time.UTC)
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}, Now: func() time.Time { return now }})
	s.Publish(lowering(1, now))
	peak := trend.Unknown()
	peak[trend.Height] = 40.5
	s.Note(rigName, now.Add(300*time.Millisecond), peak)
	first := now
	now = now.Add(10 * time.Minute)
	blindNow := blind(2, now)
	blindNow.Estimate.HookLoad = num(math.NaN())
	s.Publish(blindNow)
	for span, step := range map[string]int64{"15m": 2000, "12h": 60000} {
		w := ask(t, s, "GET", "/api/rigs/"+rigName+"/trend?span="+span, "")
		var a trendAnswer
		if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil || w.Code != 200 {
			t.Fatalf("%s: %d, %v: %s", span, w.Code, err, w.Body)
		}
		if a.Rig != rigName || a.Span != span || a.StepMs != step || a.SinceMs != first.UnixMilli() || len(a.Low["height_m"]) != a.Steps {
			t.Errorf("%s: got %s %s, step %d, since %d, %d of %d values", span, a.Rig, a.Span, a.StepMs, a.SinceMs, len(a.Low["height_m"]), a.Steps)
		}
		at := int(first.UnixMilli()/step - a.FirstMs/step)
		for i := range a.Steps {
			lo, hi := a.Low["height_m"][i], a.High["height_m"][i]
			if i != at && (lo != nil || hi != nil) {
				t.Errorf("%s: step %d of the height is known, want a gap", span, i)
			}
			const outward = 0.001 // of it, at most, as numbers of 16 bits are rounded
			if i == at && (lo == nil || !(*lo <= 18.2 && *lo > 18.2*(1-outward)) || !(*hi >= 40.5 && *hi < 40.5*(1+outward))) {
				t.Errorf("%s: got %s to %s m, want 18.2 to 40.5", span, said(lo), said(hi))
			}
		}
		last := a.Steps - 1
		if hot := a.High["brake_temperature_bound_C"][last]; hot == nil || *hot != 296 || a.Low["hook_load_kN"][last] != nil {
			t.Errorf("%s: the newest step has a bound of %v °C and a load of %v, want 296 and none", span, hot, a.Low["hook_load_kN"][last])
		}
	}
	zipped := ask(t, s, "GET", "/api/rigs/"+rigName+"/trend", "", "Accept-Encoding", "gzip")
	z, err := gzip.NewReader(bytes.NewReader(zipped.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if text, err := io.ReadAll(z); err != nil || !json.Valid(text) {
		t.Errorf("the compressed answer is no JSON: %v", err)
	}
	for path, want := range map[string]int{"/trend?span=1y": 400, "/trend?span=": 400, "/trend": 200} {
		if w := ask(t, s, "GET", "/api/rigs/"+rigName+path, ""); w.Code != want {
			t.Errorf("%s answers %d, want %d", path, w.Code, want)
		}
	}
	empty := dashboard.New(dashboard.Options{Rigs: []string{rigName}})
	if w := ask(t, empty, "GET", "/api/rigs/"+rigName+"/trend", ""); w.Code != 200 || !bytes.Contains(w.Body.Bytes(), []byte(`"since_ms":0`)) {
		t.Errorf("a rig of which nothing has come answers %d: %.200s", w.Code, w.Body)
	}
}
