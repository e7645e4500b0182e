package watch_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest"
)

var epoch = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

var minimum = []ingest.Channel{ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.DrumCounts, ingest.BrakePressure}

// desk drives one rig by hand and keeps its journal.
type desk struct {
	t       testing.TB
	rig     *watch.Rig
	seq     uint64
	at      time.Duration // since epoch
	journal []string
	text    string
}

func newDesk(t testing.TB) *desk {
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, rig: watch.NewRig("R1", configs.OpenRig), text: string(text)}
	d.session("", false)
	return d
}

func (d *desk) session(state string, continues bool) {
	d.t.Helper()
	var names []string
	for _, c := range minimum {
		names = append(names, c.String())
	}
	d.apply(ingest.Entry{Kind: ingest.EntrySession, Session: &ingest.Session{RigFile: d.text, Channels: names, Alarms: state, Continues: continues}})
}

func (d *desk) apply(e ingest.Entry) watch.Outcome {
	d.t.Helper()
	d.seq++
	e.Seq, e.Rig, e.Received = d.seq, "R1", epoch.Add(d.at)
	out, err := d.rig.Apply(&e)
	if err != nil {
		d.t.Fatal(err)
	}
	for i := range out.Events {
		d.journal = append(d.journal, string(alarms.AppendJSON(nil, &out.Events[i])))
	}
	return out
}

// reading applies one reading 100 ms on; NaN is "no value".
func (d *desk) reading(height, omega float64) watch.Outcome {
	d.t.Helper()
	d.at += 100 * time.Millisecond
	s := ingest.Sample{Time: epoch.Add(d.at)}
	for _, c := range minimum {
		if c != ingest.DrumCounts { // the height sensor alone gives the height
			s.Set(c, ingest.Number(0))
		}
	}
	s.Set(ingest.HookLoad, ingest.Number(294.2e3))
	s.Set(ingest.DrumSpeed, ingest.Number(omega))
	if math.IsNaN(height) {
		s.Set(ingest.BlockHeight, ingest.BadValue(ingest.Null))
	} else {
		s.Set(ingest.BlockHeight, ingest.Number(height))
	}
	return d.apply(ingest.Entry{Kind: ingest.EntrySample, Sample: s})
}

func (d *desk) ticks(n int) {
	d.t.Helper()
	for range n {
		d.at += 250 * time.Millisecond
		d.apply(ingest.Entry{Kind: ingest.EntryTick})
	}
}

// rise raises the block from one height to another at about 1.2 m/s.
func (d *desk) rise(from, to float64) {
	d.t.Helper()
	for h := from; h < to; h += 0.12 {
		d.reading(h, 26)
	}
}

func (d *desk) standing(name string) (watch.Standing, bool) {
	for _, s := range d.rig.Standing() {
		if s.Rule.Name == name {
			return s, true
		}
	}
	return watch.Standing{}, false
}

func (d *desk) must(name string) watch.Standing {
	d.t.Helper()
	s, ok := d.standing(name)
	if !ok {
		d.t.Fatalf("%s does not stand; journal:\n%s", name, strings.Join(d.journal, "\n"))
	}
	return s
}

func (d *desk) count(alarm, event string) int {
	n := 0
	for _, line := range d.journal {
		if strings.Contains(line, fmt.Sprintf(`"alarm":%q`, alarm)) && strings.Contains(line, fmt.Sprintf(`"event":%q`, event)) {
			n++
		}
	}
	return n
}

func (d *desk) act(do string, s watch.Standing, person string) string {
	return d.apply(ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{
		Do: do, Alarm: s.Rule.Name, Channel: s.Channel, Occurrence: s.Alarm.Occurrence, Version: s.Alarm.Version, Person: person,
	}}).Refused
}

func TestEveryFindingHasItsAlarm(t *testing.T) {
	newDesk(t) // a kind without a rule panics
	for k := range detect.NumKinds {
		if _, ok := alarms.Lookup(k.String()); !ok {
			t.Errorf("no alarm is named %s", k)
		}
	}
}

func TestNothingBeforeASession(t *testing.T) {
	w := watch.NewRig("R1", configs.OpenRig)
	if _, err := w.Apply(&ingest.Entry{Kind: ingest.EntryTick, Rig: "R1"}); err == nil {
		t.Error("a tick before any session was taken")
	}
	if _, err := w.Apply(&ingest.Entry{Kind: ingest.EntrySession, Rig: "R1", Session: &ingest.Session{RigFile: "rig: [7"}}); err == nil {
		t.Error("a broken rig file was taken")
	}
}

// An overhoist whose readings stop is held and says so; it neither clears nor is
// hidden, and the blindness is an alarm of its own.
func TestLostReadingsHoldTheAlarm(t *testing.T) {
	d := newDesk(t)
	d.rise(20, 39.6)
	d.must("overhoist")
	d.ticks(40) // 10 s of silence
	s := d.must("overhoist")
	if !s.Alarm.Active() || !s.Alarm.InputBad {
		t.Errorf("overhoist after silence: %+v, want active with its input bad", s.Alarm)
	}
	if d.count("overhoist", "cleared") != 0 {
		t.Error("silence cleared the overhoist")
	}
	if d.count("overhoist", "input_bad") != 1 {
		t.Errorf("input bad said %d times, want once", d.count("overhoist", "input_bad"))
	}
	d.must("blind")
}

// One cause, one alarm: silence of the rig hides its channels' own alarms and says
// how many; a lost broker hides the silence.
func TestOneCauseOneAlarm(t *testing.T) {
	d := newDesk(t)
	d.apply(ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: "b", State: "subscribed"}})
	d.rise(20, 22)
	d.ticks(12)
	if s := d.must("source_lost"); s.Hides < 4 {
		t.Errorf("source lost hides %d, want the four channels that came", s.Hides)
	}
	if n := d.count("reading_lost", "raised"); n != 0 {
		t.Errorf("%d channels raised their own alarm beside the source's", n)
	}
	d.apply(ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: "b", State: "lost", Detail: "EOF"}})
	d.ticks(20)
	if s := d.must("broker_lost"); s.Hides < 1 || !strings.Contains(s.Reason, "EOF") {
		t.Errorf("broker lost hides %d, reason %q", s.Hides, s.Reason)
	}
	if s, ok := d.standing("source_lost"); ok && !s.Alarm.Suppressed {
		t.Errorf("source lost still in view: %+v", s.Alarm)
	}
	if s := d.must("blind"); s.Alarm.Hidden() {
		t.Error("blind is hidden: it must never be quiet")
	}
}

func TestAcknowledgeResetAndStaleActs(t *testing.T) {
	d := newDesk(t)
	d.rise(20, 39.6)
	seen := d.must("overhoist")
	d.rise(39.6, 41.5) // it worsens: another version
	if why := d.act("acknowledge", seen, "A. Tester"); why == "" {
		t.Error("an acknowledgement of what has changed since was taken")
	}
	now := d.must("overhoist")
	if why := d.act("acknowledge", now, ""); why == "" {
		t.Error("an acknowledgement without a person was taken")
	}
	if why := d.act("acknowledge", now, "A. Tester"); why != "" {
		t.Errorf("refused: %s", why)
	}
	if why := d.act("reset", d.must("overhoist"), "A. Tester"); why == "" {
		t.Error("a reset with the condition present was taken")
	}
	for range 60 {
		d.reading(30, 0) // back below, at rest
	}
	s := d.must("overhoist")
	if s.Alarm.State != alarms.LatchedAcknowledged {
		t.Fatalf("overhoist is %v, want latched, acknowledged", s.Alarm.State)
	}
	if why := d.act("reset", s, "A. Tester"); why != "" {
		t.Errorf("reset refused: %s", why)
	}
	if _, ok := d.standing("overhoist"); ok {
		t.Error("overhoist stands after its reset")
	}
	if d.count("overhoist", "refused") != 3 {
		t.Errorf("%d refusals in the journal, want 3", d.count("overhoist", "refused"))
	}
	if why := d.apply(ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{Do: "dance", Alarm: "overhoist"}}).Refused; !strings.Contains(why, "dance") {
		t.Errorf("unknown act: %q", why)
	}
	if why := d.apply(ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{Do: "acknowledge", Alarm: "no_such"}}).Refused; !strings.Contains(why, "no_such") {
		t.Errorf("unknown alarm: %q", why)
	}
}

// What was acknowledged before a restart stays acknowledged, and its condition, still
// there, is no new occurrence.
func TestRestartKeepsTheAlarms(t *testing.T) {
	d := newDesk(t)
	d.rise(20, 41.5)
	if why := d.act("acknowledge", d.must("crown_limit_passed"), "A. Tester"); why != "" {
		t.Fatal(why)
	}
	before := d.must("crown_limit_passed").Alarm
	state, err := d.rig.State()
	if err != nil {
		t.Fatal(err)
	}
	d.at += 3 * time.Second
	d.session(string(state), false)
	for range 20 {
		d.reading(41.5, 0)
	}
	after := d.must("crown_limit_passed").Alarm
	if after.State != before.State || after.Occurrence != before.Occurrence || after.AcknowledgedBy != "A. Tester" {
		t.Errorf("after the restart %+v, before %+v", after, before)
	}
}

// A session that continues changes nothing in a run, and opens one where there is none.
func TestContinuingSession(t *testing.T) {
	plain, daily := newDesk(t), newDesk(t)
	for i := range 200 {
		h := 20 + 0.1*float64(i)
		plain.reading(h, 22)
		if i == 100 {
			daily.session("", true)
			daily.seq--
		}
		daily.reading(h, 22)
	}
	if !slices.Equal(plain.journal, daily.journal) {
		t.Errorf("journals differ:\n%s\n--\n%s", strings.Join(plain.journal, "\n"), strings.Join(daily.journal, "\n"))
	}
	w := watch.NewRig("R1", configs.OpenRig)
	if _, err := w.Apply(&ingest.Entry{Kind: ingest.EntrySession, Rig: "R1", Received: epoch, Session: &ingest.Session{RigFile: plain.text, Continues: true}}); err != nil {
		t.Error(err)
	}
	if w.Result() == nil {
		t.Error("a continuing session alone opened nothing")
	}
}
