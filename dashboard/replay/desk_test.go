package replay

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"hoistward/alarms/watch"
	"hoistward/alarms/whatif"
	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/dashboard/access"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/record"
	"hoistward/simulator"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func openRig(text []byte) (*hoist.Rig, error) { return configs.OpenRig(text) }

func setAll(text []byte, settings []string) ([]byte, error) {
	for _, s := range settings {
		key, value, _ := cutSetting(s)
		var err error
		if text, err = configs.Set(text, key, value); err != nil {
			return nil, err
		}
	}
	return text, nil
}

var begin = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// recorded writes a scenario of the simulator to a recording of R1 in dir.
func recorded(t testing.TB, dir, scenario string, length time.Duration, between func(*[]ingest.Entry)) {
	t.Helper()
	rig, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	sc, err := simulator.LoadScenario(scenario)
	if err != nil {
		t.Fatal(err)
	}
	run, err := simulator.New(rig, sc, 3)
	if err != nil {
		t.Fatal(err)
	}
	run.Start(begin)
	var channels []string
	for _, c := range sc.Channels {
		channels = append(channels, c.String())
	}
	entries := []ingest.Entry{{Received: begin, Kind: ingest.EntrySession, Session: &ingest.Session{Software: "hoistward test", RigFile: string(text), Channels: channels}}}
	var m ingest.Sample
	var truth simulator.Truth
	for run.Next(&m, &truth) && m.Time.Sub(begin) <= length {
		entries = append(entries, ingest.Entry{Received: m.Time, Kind: ingest.EntrySample, Sample: m})
	}
	if between != nil {
		between(&entries)
	}
	rec, err := record.Open(dir, record.Options{Software: "hoistward test"})
	if err != nil {
		t.Fatal(err)
	}
	for i := range entries {
		entries[i].Rig, entries[i].Seq = "R1", uint64(i+1)
		if err := rec.Put(t.Context(), entries[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := rec.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
}

// bench is a desk behind a dashboard.
type bench struct {
	t    testing.TB
	desk *Desk
	http http.Handler
}

func newBench(t testing.TB, o Options) *bench {
	t.Helper()
	o.Open, o.Set = openRig, setAll
	o.Keys = func(text []byte) any { return configs.Keys(text) }
	d := New(o)
	t.Cleanup(func() {
		if err := d.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return &bench{t, d, dashboard.New(dashboard.Options{Replay: d.Handler()}).Handler()}
}

func (b *bench) ask(method, path, body string) *httptest.ResponseRecorder {
	b.t.Helper()
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host, r.RemoteAddr = "127.0.0.1:8077", "127.0.0.1:5000"
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	w := httptest.NewRecorder()
	b.http.ServeHTTP(w, r)
	return w
}

func get[T any](b *bench, path string) T {
	b.t.Helper()
	w := b.ask("GET", path, "")
	var v T
	if err := json.Unmarshal(w.Body.Bytes(), &v); w.Code != 200 || err != nil {
		b.t.Fatalf("GET %s: %d %s (%v)", path, w.Code, w.Body, err)
	}
	return v
}

// ended is a run as its page sees it.
type ended struct {
	ID, State, Error string
	Progress         float64
	Problems         []string
	Result           struct {
		Track *struct {
			Frames, Rows int
			From         int64 `json:"from_ms"`
			To           int64 `json:"to_ms"`
			Bytes        int64
			Columns      []Quantity
			Alarms       []Alarm
			Gaps         [][2]int64
			Lanes        []struct {
				Channel string
				Spells  [][4]any
			}
		}
		Shift json.RawMessage
		Sweep []whatif.Point
	}
}

func (b *bench) run(q string) ended {
	b.t.Helper()
	w := b.ask("POST", "/api/replay/runs", q)
	var r ended
	if err := json.Unmarshal(w.Body.Bytes(), &r); w.Code != http.StatusAccepted || err != nil {
		b.t.Fatalf("POST %s: %d %s", q, w.Code, w.Body)
	}
	return b.wait(r.ID)
}

func (b *bench) wait(id string) ended {
	b.t.Helper()
	for deadline := time.Now().Add(time.Minute); ; {
		r := get[ended](b, "/api/replay/runs/"+id)
		if r.State != stateWaiting && r.State != stateRunning {
			return r
		}
		if time.Now().After(deadline) {
			b.t.Fatalf("run %s is %s after a minute", id, r.State)
		}
		time.Sleep(5 * time.Millisecond) // poll with a deadline
	}
}

func (b *bench) only() Recording {
	b.t.Helper()
	list := get[[]Recording](b, "/api/replay/recordings")
	if len(list) != 1 {
		b.t.Fatalf("got %d recordings, want 1", len(list))
	}
	return list[0]
}

// What the page is given is what the watch makes of the same entries, frame by frame.
func TestATrackIsTheWatchsOwn(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", time.Minute, nil)
	b := newBench(t, Options{Library: NewLibrary(dir)})
	r := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, b.only().ID))
	if r.State != stateDone || len(r.Problems) > 0 {
		t.Fatalf("got %+v", r)
	}
	type page struct {
		First   int
		T       []int64
		Columns map[string][]*float32
		Words   []words
	}
	got := get[page](b, "/api/replay/runs/"+r.ID+"/frames?count=4000")
	fleet := watch.NewFleet(openRig)
	row, events, raised := 0, 0, int64(0)
	for e, err := range record.Read(dir) {
		if err != nil {
			t.Fatal(err)
		}
		out, err := fleet.Apply(&e)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range out.Events {
			if v.Alarm == "overhoist" && raised == 0 {
				raised = v.Time.UnixMilli()
			}
			events++
		}
		if out.Estimate == nil && e.Kind != ingest.EntryTick {
			continue
		}
		est := &fleet.Rig("R1").Result().Estimate
		if got.T[row] != e.Received.UnixMilli() || got.Words[row].Activity != est.Activity.String() {
			t.Fatalf("row %d: %d %s, want %d %s", row, got.T[row], got.Words[row].Activity, e.Received.UnixMilli(), est.Activity)
		}
		for name, want := range map[string]float64{"height_m": est.Height, "rest_up_bound_m": est.RestUpBound, "seconds_to_act": est.SecondsToAct} {
			x := got.Columns[name][row]
			switch {
			case x == nil && dashboard.Num(want) == nil:
			case x == nil || *x != float32(want):
				t.Fatalf("row %d: %s %v, want %v", row, name, x, want)
			}
		}
		row++
	}
	if row != len(got.T) || row != r.Result.Track.Rows || events != len(r.Result.Track.Alarms) || row < 500 {
		t.Errorf("%d rows and %d events, the page has %d, %d and %d", row, events, len(got.T), r.Result.Track.Rows, len(r.Result.Track.Alarms))
	}
	if a := r.Result.Track.Alarms; len(a) == 0 || raised == 0 || a[0].At != raised {
		t.Errorf("overhoist raised at %d, the page has %+v", raised, a[:min(1, len(a))])
	}
}

// A spike of one sample in an hour is in what a page draws of the hour.
func TestOneSampleIsSeenFromFar(t *testing.T) {
	dir := t.TempDir()
	spike := begin.Add(17*time.Minute + 300*time.Millisecond)
	recorded(t, dir, "tripping", time.Hour, func(list *[]ingest.Entry) {
		for i := range *list {
			if e := &(*list)[i]; e.Kind == ingest.EntrySample && !e.Received.Before(spike) {
				e.Sample.Set(ingest.AuxiliaryCurrent, ingest.Number(111.5))
				e.Sample.Set(ingest.HookLoad, ingest.Number(2.345e6)) // which no hoist does in a tenth of a second
				return
			}
		}
	})
	b := newBench(t, Options{Library: NewLibrary(dir)})
	r := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, b.only().ID))
	span := int64(time.Hour / time.Millisecond)
	for _, points := range []int{1, 10, 600} {
		w := get[struct {
			T       []float64
			Columns map[string]struct{ Min, Max []*float32 }
		}](b, fmt.Sprintf("/api/replay/runs/%s/series?points=%d&columns=reading.auxiliary_current&from_ms=%d&to_ms=%d", r.ID, points, begin.UnixMilli(), begin.UnixMilli()+span))
		if len(w.T) != points {
			t.Fatalf("got %d stretches, want %d", len(w.T), points)
		}
		seen := 0
		for i, x := range w.Columns["reading.auxiliary_current"].Max {
			if x == nil || *x != 111.5 { // A
				continue
			}
			seen++
			if off := math.Abs(w.T[i] - float64(spike.UnixMilli())); !(off <= float64(span)/float64(points)) {
				t.Errorf("in %d stretches the spike is drawn %g ms away", points, off)
			}
		}
		if seen != 1 {
			t.Errorf("in %d stretches the spike is seen %d times, want once", points, seen)
		}
	}
	refused := [][4]any{}
	for _, lane := range r.Result.Track.Lanes {
		for _, s := range lane.Spells {
			if lane.Channel == "hook_load" && s[2] == "bad" {
				refused = append(refused, s)
			}
		}
	}
	if len(refused) != 1 || int64(refused[0][0].(float64)) != spike.UnixMilli() || refused[0][3] != "impossible step" {
		t.Errorf("refused hook loads: %v, want the one at %d", refused, spike.UnixMilli())
	}
}

// What was not recorded is a gap on the page, at its place and of its length.
func TestAGapIsAGap(t *testing.T) {
	dir := t.TempDir()
	from, to := begin.Add(20*time.Second), begin.Add(31*time.Second)
	recorded(t, dir, "trip-out", time.Minute, func(list *[]ingest.Entry) {
		var kept []ingest.Entry
		for _, e := range *list {
			if !e.Received.After(from) || !e.Received.Before(to) {
				kept = append(kept, e)
			}
		}
		*list = kept
	})
	b := newBench(t, Options{Library: NewLibrary(dir)})
	r := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, b.only().ID))
	if g := r.Result.Track.Gaps; len(g) != 1 || g[0] != [2]int64{from.UnixMilli(), to.UnixMilli()} {
		t.Errorf("got gaps %v, want one from %d to %d", g, from.UnixMilli(), to.UnixMilli())
	}
	// In the rows there is one without a number between, so that no line is drawn across.
	w := get[struct {
		T       []float64
		Columns map[string]struct{ Min []*float32 }
	}](b, fmt.Sprintf("/api/replay/runs/%s/series?from_ms=%d&to_ms=%d&points=1000&columns=height_m", r.ID, from.UnixMilli()-500, to.UnixMilli()+500))
	unknown := 0
	for _, x := range w.Columns["height_m"].Min {
		if x == nil {
			unknown++
		}
	}
	if unknown == 0 {
		t.Error("the line is drawn across the gap")
	}
}

func TestWindowIsKept(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", time.Minute, nil)
	b := newBench(t, Options{Library: NewLibrary(dir)})
	from, to := begin.Add(10*time.Second).UnixMilli(), begin.Add(20*time.Second).UnixMilli()
	r := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q],"from_ms":%d,"to_ms":%d}`, b.only().ID, from, to))
	if tr := r.Result.Track; tr.From != from || tr.To != to || tr.Rows != 101 {
		t.Errorf("got %d rows from %d to %d, want 101 from %d to %d", tr.Rows, tr.From, tr.To, from, to)
	}
}

func TestRequestsAreHeldToTheirForm(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", 5*time.Second, nil)
	if err := os.WriteFile(filepath.Join(dir, "secret.txt"), []byte("not a recording"), 0o600); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, Options{Library: NewLibrary(dir)})
	id := b.only().ID
	for _, c := range []struct {
		body string
		code int
		want string
	}{
		{`{"kind":"replay","recordings":["../` + id + `"]}`, 404, "no recording of that name"},
		{`{"kind":"replay","recordings":["/etc/passwd"]}`, 404, "no recording of that name"},
		{`{"kind":"replay","recordings":["secret.txt"]}`, 404, "no recording of that name"},
		{`{"kind":"replay","recordings":["R1/../` + id + `"]}`, 404, "no recording of that name"},
		{`{"kind":"replay","recordings":[]}`, 400, "recordings: got 0"},
		{`{"kind":"replay","recordings":["` + id + `"],"from_ms":5,"to_ms":4}`, 400, "from_ms, to_ms"},
		{`{"kind":"replay","recordings":["` + id + `"],"set":["a=b"]}`, 400, "kind what-if"},
		{`{"kind":"look","recordings":["` + id + `"]}`, 400, "kind: got"},
		{`{"kind":"what-if","recordings":["` + id + `"]}`, 400, "set: got nothing"},
		{`{"kind":"what-if","recordings":["` + id + `"],"set":["friction"]}`, 400, "want KEY=VALUE"},
		{`{"kind":"what-if","recordings":["` + id + `"],"set":["a=1:2:1"]}`, 400, "kind sweep"},
		{`{"kind":"sweep","recordings":["` + id + `"],"set":["a=1"]}`, 400, "want one setting"},
		{`{"kind":"sweep","recordings":["` + id + `"],"set":["a=1:2:0"]}`, 400, "1 to 200 values"},
		{`{"kind":"sweep","recordings":["` + id + `"],"set":["a=1:2:1"],"alarm":"fire"}`, 400, "alarm: got"},
		{`{"kind":"report","recordings":["` + id + `"],"at_ms":5}`, 400, "reports are not made here"},
		{`{"kind":"replay","recordings":["` + id + `"],"speed":5}`, 400, "cannot be read"},
		{`{"kind":"replay","recordings":["` + id + `"]}{}`, 400, "more behind"},
	} {
		w := b.ask("POST", "/api/replay/runs", c.body)
		if w.Code != c.code || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s: got %d %s, want %d %s", c.body, w.Code, w.Body, c.code, c.want)
		}
	}
	if w := b.ask("POST", "/api/replay/runs", `{"kind":"replay","recordings":["`+strings.Repeat("x", maxBody)+`"]}`); w.Code != 400 || !strings.Contains(w.Body.String(), "too large") {
		t.Errorf("a body that is too large: got %d %.200s, want 400", w.Code, w.Body)
	}
	r := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, id))
	for path, want := range map[string]string{
		"series?points=0": "points", "series?points=9999": "points", "series?columns=height": "columns", "series?from_ms=x": "from_ms",
		"series?from_ms=-5": "from_ms", "frames?count=0": "count", "frames?count=99999": "count", "table.csv?to_ms=99999999999999999999": "to_ms",
	} {
		if w := b.ask("GET", "/api/replay/runs/"+r.ID+"/"+path, ""); w.Code != 400 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: got %d %s, want 400 about %s", path, w.Code, w.Body, want)
		}
	}
	if w := b.ask("GET", "/api/replay/runs/0123456789abcdef", ""); w.Code != 404 {
		t.Errorf("a run that is none: got %d, want 404", w.Code)
	}
}

// Who may not see the rig is told that there is no such recording and no such run.
func TestAnothersRecordingIsNotThere(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", 5*time.Second, nil)
	b := newBench(t, Options{Library: NewLibrary(dir)})
	id := b.only().ID
	run := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, id))
	ask := func(method, path, body string, rigs ...string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		r = dashboard.WithSeat(r, access.Seat{Rights: access.Rights{Person: "B. Mwangi", Role: access.Watch, Rigs: rigs}})
		w := httptest.NewRecorder()
		b.desk.Handler().ServeHTTP(w, r)
		return w
	}
	start := fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, id)
	for _, c := range []struct{ method, path, body string }{
		{"POST", "/api/replay/runs", start}, {"GET", "/api/replay/runs/" + run.ID, ""}, {"GET", "/api/replay/runs/" + run.ID + "/series", ""},
		{"GET", "/api/replay/runs/" + run.ID + "/frames", ""}, {"GET", "/api/replay/runs/" + run.ID + "/table.csv", ""},
		{"GET", "/api/replay/keys?run=" + run.ID, ""}, {"DELETE", "/api/replay/runs/" + run.ID, ""},
	} {
		if w := ask(c.method, c.path, c.body, "R2"); w.Code != 404 {
			t.Errorf("%s %s for who sees R2: got %d %s, want 404", c.method, c.path, w.Code, w.Body)
		}
	}
	if w := ask("GET", "/api/replay/recordings", "", "R2"); strings.TrimSpace(w.Body.String()) != "[]" {
		t.Errorf("list for who sees R2: %s", w.Body)
	}
	if w := ask("GET", "/api/replay/runs/"+run.ID, "", "R1"); w.Code != 200 {
		t.Errorf("for who sees R1: got %d, want 200", w.Code)
	}
}

// A recording that is being written can be read as far as it is.
func TestLiveRecording(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "trip-out", 20*time.Second, nil)
	rec, err := record.Open(dir, record.Options{Software: "hoistward test"})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close(context.Background())
	s := ingest.Sample{Time: begin.Add(21 * time.Second)}
	s.Set(ingest.HookLoad, ingest.Number(5e5))
	if err := rec.Put(t.Context(), ingest.Entry{Rig: "R1", Seq: 1000, Received: s.Time, Kind: ingest.EntrySample, Sample: s}); err != nil {
		t.Fatal(err)
	}
	if err := rec.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, Options{Library: NewLibrary(dir)})
	only := b.only()
	if !only.Live || only.To != s.Time.UnixMilli() {
		t.Errorf("got %+v, want it live, up to %d", only, s.Time.UnixMilli())
	}
	r := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, only.ID))
	if r.State != stateDone || r.Result.Track.To != s.Time.UnixMilli() {
		t.Errorf("got %s up to %d, want done up to %d", r.State, r.Result.Track.To, s.Time.UnixMilli())
	}
}

// A damaged file is named as such, and costs nothing else.
func TestDamagedIsSaid(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", 5*time.Second, nil)
	if err := os.WriteFile(filepath.Join(dir, "R1", "R1-2026-11-25.sqlite"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, Options{Library: NewLibrary(dir)})
	list := get[[]Recording](b, "/api/replay/recordings")
	if len(list) != 2 {
		t.Fatalf("got %d recordings, want both", len(list))
	}
	for _, r := range list {
		if empty := r.Bytes == 0; (r.Damaged != "") != empty || strings.Contains(r.Damaged, dir) {
			t.Errorf("%s of %d bytes: damaged %q, want words without folders for the empty one alone", r.ID, r.Bytes, r.Damaged)
		}
	}
}
