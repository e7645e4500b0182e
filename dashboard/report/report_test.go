package report

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"hoistward/alarms/whatif"
	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/simulator"
)

var update = flag.Bool("update", false, "write the golden files anew")

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func open(text []byte) (*hoist.Rig, error) { return configs.OpenRig(text) }

// story is a scenario of the simulator as entries: a session, readings as they are
// measured, and whatever is put between.
type story struct {
	entries []ingest.Entry
	rig     string
}

func play(t testing.TB, scenario string, start time.Time, length time.Duration) *story {
	t.Helper()
	rig, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	sc, err := simulator.LoadScenario(scenario)
	if err != nil {
		t.Fatal(err)
	}
	run, err := simulator.New(rig, sc, 1)
	if err != nil {
		t.Fatal(err)
	}
	run.Start(start)
	var channels []string
	for _, c := range sc.Channels {
		channels = append(channels, c.String())
	}
	s := &story{rig: rig.Name}
	s.add(start, ingest.Entry{Kind: ingest.EntrySession, Session: &ingest.Session{
		Software: "hoistward test", RigFile: string(text), Channels: channels, KeepsLog: true}})
	var m ingest.Sample
	var truth simulator.Truth
	for run.Next(&m, &truth) {
		if m.Time.Sub(start) > length {
			break
		}
		s.add(m.Time, ingest.Entry{Kind: ingest.EntrySample, Sample: m})
	}
	return s
}

func (s *story) add(at time.Time, e ingest.Entry) {
	e.Rig, e.Received, e.Seq = s.rig, at, uint64(len(s.entries)+1)
	s.entries = append(s.entries, e)
}

// insert puts an entry in at its time, and numbers all anew.
func (s *story) insert(at time.Time, e ingest.Entry) {
	e.Rig, e.Received = s.rig, at
	i := 0
	for i < len(s.entries) && !s.entries[i].Received.After(at) {
		i++
	}
	s.entries = append(s.entries[:i], append([]ingest.Entry{e}, s.entries[i:]...)...)
	for i := range s.entries {
		s.entries[i].Seq = uint64(i + 1)
	}
}

func (s *story) report(o Options) *Report {
	o.Rig, o.Software = s.rig, "1.2.3"
	m := New(o, open)
	for i := range s.entries {
		if !m.Apply(&s.entries[i]) {
			break
		}
	}
	return m.Report()
}

func incident(at time.Time, before, after time.Duration) Options {
	return Options{At: at, From: at.Add(-before), To: at.Add(after)}
}

func render(t testing.TB, r *Report, zone *time.Location) string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteHTML(&b, r, zone); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func setDeadTime(recorded []byte) ([]byte, error) {
	return configs.Set(recorded, "brakes.service.dead_time", "0.8s")
}

func overhoist(t testing.TB) (*story, Options) {
	s := play(t, "overhoist", noon, time.Minute)
	s.insert(noon.Add(31*time.Second), ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{
		Do: ingest.DoAcknowledge, Alarm: "overhoist", Occurrence: 1, Version: 2, Person: "Ada Borg"}})
	o := incident(noon.Add(32*time.Second), 30*time.Second, 20*time.Second)
	o.Changes = []Change{{"Dead time 0.8 s", setDeadTime}}
	return s, o
}

// ofStory tells whether a line is about what any overhoist must have, however the
// detectors are tuned.
func ofStory(text string) bool {
	return strings.HasPrefix(text, "Overhoist") || strings.HasPrefix(text, "Crown limit passed")
}

// masked takes out what follows from the tuning of plant and detectors, not from the
// report: digits behind a point, and times closer than ten seconds.
func masked(text []byte) []byte {
	for _, m := range []struct{ find, put string }{
		{`(:\d\d:\d)\d(\.\d+)?Z`, "${1}xZ"}, {`-?\d+\.\d+`, "#"}, {`("(shift_s|median_m|frames|largest_m|seconds_to_act|waited_s|value|velocity_mps|height_m)": )-?\d+`, "${1}#"},
	} {
		text = regexp.MustCompile(m.find).ReplaceAll(text, []byte(m.put))
	}
	return text
}

// The data of an incident, as far as the report makes them, stay as they are unless a
// person looks at what changed.
func TestIncidentData(t *testing.T) {
	s, o := overhoist(t)
	r := s.report(o)
	r.Series, r.Extremes, r.Limits, r.Incident.Channels = nil, nil, nil, nil // they have tests of their own
	r.Alarms = slices.DeleteFunc(r.Alarms, func(a Alarm) bool { return !ofStory(a.Title) })
	r.Rows = slices.DeleteFunc(r.Rows, func(row Row) bool { return !ofStory(row.Text) })
	r.After = slices.DeleteFunc(r.After, func(a Standing) bool { return !ofStory(a.Title) })
	r.Incident.WhatIfs[0].Result.Alarms = slices.DeleteFunc(r.Incident.WhatIfs[0].Result.Alarms, func(a whatif.Shift) bool { return !ofStory(title(a.Alarm)) })
	got, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(masked(got), '\n')
	path := filepath.Join("testdata", "overhoist.golden")
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(string(got), "\n")); d != "" {
		t.Errorf("%s, -want +got; if it is meant, -update writes it anew:\n%s", path, d)
	}
}

// What the golden file must say, whoever writes it: the story has the block in the
// crown, with an alarm that leaves time to act before.
func TestIncidentTellsTheStory(t *testing.T) {
	s, o := overhoist(t)
	r := s.report(o)
	a := r.Alarms[0]
	if a.Alarm != "overhoist" || a.ToAct == nil || !(*a.ToAct > 0.5) {
		t.Errorf("first alarm %+v, want an overhoist with time to act", a)
	}
	if a.AckedBy != "Ada Borg" || a.Waited == nil || !(*a.Waited > 0 && *a.Waited < 2) {
		t.Errorf("acknowledged by %q after %v, want Ada Borg within 2 s", a.AckedBy, a.Waited)
	}
	if !(r.Extremes[0].Value > r.limit("mast.crown_limit")) {
		t.Errorf("highest block %v m, want above the crown limit", r.Extremes[0].Value)
	}
	w := r.Incident.WhatIfs[0].Result
	if c := r.Incident.Channels; len(c) == 0 || c[0].Channel != "hook_load" || !(c[0].Good > 0.5 && c[0].Good <= 1) {
		t.Errorf("quality of the channels %+v, want hook load first, good for most of the time", c)
	}
	moved := false
	for _, shift := range w.Alarms {
		if shift.Alarm == "overhoist" && shift.Fate == whatif.Moves && *shift.Seconds < -0.2 {
			moved = true
		}
	}
	if !moved {
		t.Errorf("a brake that comes 0.5 s later: %+v, want the overhoist alarm earlier", w.Alarms)
	}
}

func TestSameRecordingSameBytes(t *testing.T) {
	s, o := overhoist(t)
	a, b := render(t, s.report(o), nil), render(t, s.report(o), nil)
	if a != b {
		t.Error("two reports of one recording differ")
	}
	if !strings.Contains(a, "1.2.3") {
		t.Error("the page does not name the software")
	}
}

// checkPage holds a page to what any report promises: well-formed, nothing fetched,
// nothing run, the caution, a policy that allows its own style alone.
func checkPage(t *testing.T, page string) *html.Node {
	t.Helper()
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	balanced(t, page)
	policy := ""
	for n := range root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		switch n.Data {
		case "script", "iframe", "object", "embed", "link", "img", "base", "form", "a", "image", "use":
			t.Errorf("the page has a <%s>", n.Data)
		}
		for _, a := range n.Attr {
			switch {
			case strings.HasPrefix(a.Key, "on") || a.Key == "style" || a.Key == "src" || a.Key == "href":
				t.Errorf("<%s> has %s=%q", n.Data, a.Key, a.Val)
			case strings.Contains(a.Val, "//") && a.Key != "content":
				t.Errorf("<%s> has an address in %s=%q", n.Data, a.Key, a.Val)
			}
		}
		if n.Data == "meta" && len(n.Attr) == 2 && n.Attr[0].Val == "Content-Security-Policy" {
			policy = n.Attr[1].Val
		}
	}
	if !strings.HasPrefix(policy, "default-src 'none'; style-src 'sha256-") {
		t.Errorf("policy %q", policy)
	}
	for _, s := range []string{"http:", "https:", "url(//", "@import"} {
		if strings.Contains(page, s) {
			t.Errorf("the page has %q", s)
		}
	}
	if n := strings.Count(text(root), dashboard.Caution); n != 2 {
		t.Errorf("the words of caution stand %d times, want at the start and the end", n)
	}
	return root
}

// balanced holds that every element that needs an end has one, in order: the parser
// forgives what another reader may not.
func balanced(t *testing.T, page string) {
	t.Helper()
	void := map[string]bool{"meta": true, "br": true}
	var stack []string
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			if len(stack) > 0 {
				t.Errorf("not closed: %v", stack)
			}
			return
		case html.StartTagToken:
			if name, _ := z.TagName(); !void[string(name)] {
				stack = append(stack, string(name))
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			if len(stack) == 0 || stack[len(stack)-1] != string(name) {
				t.Fatalf("</%s> closes %v", name, stack)
			}
			stack = stack[:len(stack)-1]
		}
	}
}

func text(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode && c.Parent.Data != "style" {
			b.WriteString(c.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// Whatever a person, a source or a file was named, it stays text.
func TestHostileTextStaysText(t *testing.T) {
	const bad = `<script>alert(1)</script>"'><svg onload=alert(2)>`
	s, o := overhoist(t)
	s.insert(noon.Add(20*time.Second), ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: bad, State: "lost", Detail: bad}})
	s.insert(noon.Add(33*time.Second), ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{
		Do: ingest.DoSilence, Alarm: "overhoist", Occurrence: 1, Version: 9, Person: bad, Reason: bad}})
	s.insert(noon.Add(34*time.Second), ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{Do: bad, Alarm: bad, Channel: bad, Person: bad}})
	s.rig = bad
	for i := range s.entries {
		s.entries[i].Rig = bad
	}
	s.entries[0].Session.Software = bad
	o.Changes = []Change{{bad, func([]byte) ([]byte, error) { return nil, fmt.Errorf("%s", bad) }}}
	o.Sources = []Recording{{File: bad, Rig: bad, EntryHash: bad, FileHash: bad, Damage: []string{bad}}}
	for _, kind := range []string{"incident", "tour"} {
		if kind == "tour" {
			o.At, o.Changes = time.Time{}, nil
		}
		page := render(t, s.report(o), nil)
		root := checkPage(t, page)
		if !strings.Contains(text(root), "<script>alert(1)</script>") {
			t.Errorf("%s: the hostile text is gone, want it shown as text", kind)
		}
	}
}

func TestEmptyWindowSaysSo(t *testing.T) {
	s := play(t, "overhoist", noon, 10*time.Second)
	for _, o := range []Options{incident(noon.Add(time.Hour), time.Minute, time.Minute), {From: noon.Add(time.Hour), To: noon.Add(2 * time.Hour)}} {
		o.Sources = []Recording{{File: "R1.sqlite", Rig: "R1", First: noon, Last: noon.Add(10 * time.Second)}}
		r := s.report(o)
		words := text(checkPage(t, render(t, r, nil)))
		if !strings.Contains(words, "No entry of the rig was received in the window. The recordings given hold entries from 2026-11-24T12:00:00.000Z to 2026-11-24T12:00:10.000Z.") {
			t.Errorf("the page says %.400q", words)
		}
	}
}
