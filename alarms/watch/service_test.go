package watch_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/ingest"
)

func num(x float64) *float64 { return &x }

func yes(b bool) *bool { return &b }

func logs(do string, k ingest.Work) ingest.Act {
	return ingest.Act{Do: do, Person: "I. Brandt", Work: &k}
}

// keepLog opens a session in which the service log is kept.
func (d *desk) keepLog(state string) {
	d.t.Helper()
	var names []string
	for _, c := range minimum {
		names = append(names, c.String())
	}
	d.apply(ingest.Entry{Kind: ingest.EntrySession, Session: &ingest.Session{RigFile: d.text, Channels: names, Alarms: state, KeepsLog: true}})
}

// counted applies a reading with drum counts that belong to w wraps.
func (d *desk) counted(wraps, load float64) {
	d.t.Helper()
	d.at += 100 * time.Millisecond
	s := ingest.Sample{Time: d.now()}
	s.Set(ingest.HookLoad, ingest.Number(load))
	s.Set(ingest.DrumSpeed, ingest.Number(0))
	s.Set(ingest.DrumCounts, ingest.Number(math.Round(wraps*4096)))
	d.apply(ingest.Entry{Kind: ingest.EntrySample, Sample: s})
}

var passed = ingest.Work{Passed: yes(true), TripHeight: num(38), RunOn: num(0.5), Speed: num(0.6)}

// No test on record: not proven. A pass proves it until it is due; a failed test and a
// slip or cut of line void it at once.
func TestCrownSaverProof(t *testing.T) {
	d := newDesk(t)
	d.keepLog("")
	d.ticks(1)
	if s := d.must("crown_saver_not_proven"); !strings.Contains(s.Reason, "no proof test") {
		t.Errorf("reason %q", s.Reason)
	}
	if why := d.ask(logs(ingest.DoCrownSaverTest, passed)); why != "" {
		t.Fatal(why)
	}
	if !strings.Contains(d.last("proof_tested"), "predicted") || !strings.Contains(d.last("proof_tested"), "I. Brandt") {
		t.Errorf("journal: %s", d.last("proof_tested"))
	}
	d.ticks(60)
	if s, ok := d.standing("crown_saver_not_proven"); ok && s.Alarm.Active() {
		t.Errorf("active after a passed test: %+v", s.Alarm)
	}
	for _, act := range []ingest.Act{
		logs(ingest.DoLineSlipped, ingest.Work{Length: num(20)}), logs(ingest.DoLineCut, ingest.Work{Length: num(30)}),
		logs(ingest.DoCrownSaverTest, ingest.Work{Passed: yes(false), TripHeight: num(38), RunOn: num(3)}),
	} {
		d.ask(logs(ingest.DoCrownSaverTest, passed))
		d.ticks(60)
		if why := d.ask(act); why != "" {
			t.Fatal(why)
		}
		if s := d.must("crown_saver_not_proven"); !s.Alarm.Active() {
			t.Errorf("%s: not active at once", act.Do)
		}
	}
	d.ask(logs(ingest.DoCrownSaverTest, passed))
	d.ticks(60)
	d.at += 12 * time.Hour // R1's rule: each tour
	d.ticks(8)
	if s := d.must("crown_saver_not_proven"); !s.Alarm.Active() || !strings.Contains(s.Reason, "older than 12 h") {
		t.Errorf("a tour later: %+v", s.Alarm)
	}
}

// A slip voids the drum-wrap map at once; a reference with the wraps restores it. The
// state carries both over a restart.
func TestLineServiceVoidsTheMapAndAReferenceRestoresIt(t *testing.T) {
	d := newDesk(t)
	d.keepLog("")
	d.reading(20, 0)
	for range 20 {
		d.counted(30, 294e3)
	}
	if s, ok := d.standing("position_not_calibrated"); ok && s.Alarm.Active() {
		t.Fatalf("void before the slip: %s", s.Reason)
	}
	if why := d.ask(logs(ingest.DoLineSlipped, ingest.Work{Length: num(20)})); why != "" {
		t.Fatal(why)
	}
	if s := d.must("position_not_calibrated"); !s.Alarm.Active() {
		t.Error("the map stands after a slip")
	}
	d.counted(30, 294e3)
	if why := d.ask(logs(ingest.DoReferenceSet, ingest.Work{BlockHeight: num(12)})); !strings.Contains(why, "wraps") {
		t.Errorf("a reference without wraps after a slip: %q", why)
	}
	d.restart()
	for range 10 {
		d.counted(30, 294e3)
	}
	if s := d.must("position_not_calibrated"); !s.Alarm.Active() {
		t.Error("a restart made the map stand again")
	}
	if why := d.ask(logs(ingest.DoReferenceSet, ingest.Work{BlockHeight: num(12), Wraps: num(25), HookLoad: num(294)})); why != "" {
		t.Fatal(why)
	}
	for range 30 {
		d.counted(30, 294e3)
	}
	if s, ok := d.standing("position_not_calibrated"); ok && s.Alarm.Active() {
		t.Errorf("void after a reference: %s", s.Reason)
	}
	if h := d.rig.Result().Estimate.Height; !(math.Abs(h-12) < 0.02) {
		t.Errorf("height %.3f m, want the reference's 12", h)
	}
	// One turn takes 2π r/n: r of 25.5 wraps on R1's drum is 0.4134 m, ten lines.
	for i := range 20 {
		d.counted(30+float64(i)/20, 294e3)
	}
	d.counted(31, 294e3)
	want := 12 + 2*math.Pi*(0.762+0.034925)/2/10
	if h := d.rig.Result().Estimate.Height; !(math.Abs(h-want) < 0.02) {
		t.Errorf("a turn on: %.3f m, want %.3f", h, want)
	}
	d.restart()
	for range 10 {
		d.counted(31, 294e3)
	}
	if h := d.rig.Result().Estimate.Height; !(math.Abs(h-want) < 0.02) {
		t.Errorf("after a restart %.3f m, want %.3f", h, want)
	}
}

// restart carries the state over into another session.
func (d *desk) restart() {
	d.t.Helper()
	state, err := d.rig.State()
	if err != nil {
		d.t.Fatal(err)
	}
	d.at += 3 * time.Second
	d.keepLog(string(state))
}

// Work of the line outlives a restart, and is due against the goal: 30 m at 20 ton-miles
// a foot for 1-3/8 in line, 20 · 14.317 MJ/0.3048 m · 30 m = 28,184 MJ.
func TestLineWorkIsDueAndSurvivesARestart(t *testing.T) {
	d := newDesk(t)
	d.keepLog("")
	if why := d.ask(logs(ingest.DoLineCut, ingest.Work{Length: num(30)})); why != "" {
		t.Fatal(why)
	}
	d.rise(10, 30)
	before := d.saved().Service.SinceCut
	if !(math.Abs(before-294.2e3*20) < 0.05*294.2e3*20) {
		t.Errorf("work %.0f J, want about 294.2 kN over 20 m", before)
	}
	d.restart()
	if after := d.saved().Service.SinceCut; after != before {
		t.Errorf("work %.0f J after a restart, want %.0f", after, before)
	}
	goal := float64(d.rig.Rig().WorkGoal())
	if !(math.Abs(goal-28.184e9) < 0.01e9) {
		t.Fatalf("goal %.0f J", goal)
	}
	for _, c := range []struct {
		work      float64
		due, over bool
	}{{0.89 * goal, false, false}, {0.90 * goal, true, false}, {1.0 * goal, true, true}} {
		s := d.saved()
		s.Service.SinceCut = c.work
		text, err := alarms.MarshalState(&s)
		if err != nil {
			t.Fatal(err)
		}
		d.keepLog(string(text))
		d.ticks(8)
		due, _ := d.standing("line_work_due")
		over, _ := d.standing("line_work_over")
		if due.Alarm.Active() != c.due && !due.Alarm.Suppressed || over.Alarm.Active() != c.over {
			t.Errorf("at %.2f of the goal: due %+v, over %+v", c.work/goal, due.Alarm, over.Alarm)
		}
	}
}

func (d *desk) saved() alarms.Saved {
	d.t.Helper()
	text, err := d.rig.State()
	if err != nil {
		d.t.Fatal(err)
	}
	s, err := alarms.UnmarshalState(text)
	if err != nil {
		d.t.Fatal(err)
	}
	return s
}

func TestServiceEntriesThatCannotBe(t *testing.T) {
	d := newDesk(t)
	d.keepLog("")
	d.rise(20, 22)
	for name, c := range map[string]struct {
		act  ingest.Act
		want string
	}{
		"no result":           {logs(ingest.DoCrownSaverTest, ingest.Work{TripHeight: num(38), RunOn: num(1)}), "passed: got nothing"},
		"no run-on":           {logs(ingest.DoCrownSaverTest, ingest.Work{Passed: yes(true), TripHeight: num(38)}), "run_on_m: got nothing"},
		"above the crown":     {logs(ingest.DoCrownSaverTest, ingest.Work{Passed: yes(true), TripHeight: num(380), RunOn: num(1)}), "trip_height_m: got 380"},
		"no length":           {logs(ingest.DoLineCut, ingest.Work{}), "length_m: got nothing"},
		"a length of nothing": {logs(ingest.DoLineSlipped, ingest.Work{Length: num(0)}), "length_m: got 0"},
		"a moving block":      {logs(ingest.DoReferenceSet, ingest.Work{BlockHeight: num(22)}), "the block moves"},
		"a test of no load":   {logs(ingest.DoBrakeTest, ingest.Work{Passed: yes(true)}), "hook_load_kN: got nothing"},
		"nobody":              {ingest.Act{Do: ingest.DoLineCut, Work: &ingest.Work{Length: num(30)}}, "who did it"},
	} {
		before := d.saved().Service
		if why := d.ask(c.act); !strings.Contains(why, c.want) {
			t.Errorf("%s: refused with %q, want %q", name, why, c.want)
		}
		if d.saved().Service != before {
			t.Errorf("%s: the log changed", name)
		}
		if !strings.Contains(d.last("refused"), c.want) {
			t.Errorf("%s: not audited: %s", name, d.last("refused"))
		}
	}
}

// The line of evidence says what was done, by whom, what was predicted and what follows.
func TestServiceLogLine(t *testing.T) {
	d := newDesk(t)
	d.keepLog("")
	out := d.apply(ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{Do: ingest.DoBrakeTest, Person: "I. Brandt", Reason: "after new linings",
		Work: &ingest.Work{Passed: yes(false), HookLoad: num(900)}}})
	var l watch.LogLine
	if err := json.Unmarshal(out.Logged, &l); err != nil || l.Person != "I. Brandt" || l.Remark != "after new linings" || l.Effect == "" || !strings.Contains(l.Says, "failed at 900 kN") {
		t.Errorf("%v: %s", err, out.Logged)
	}
	if s := d.must("brake_not_proven"); s.Alarm.Priority != alarms.High {
		t.Errorf("a failed holding test is %v", s.Alarm.Priority)
	}
}
