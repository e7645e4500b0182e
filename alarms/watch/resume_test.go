package watch_test

import (
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/ingest"
)

// A limit that is another after a restart: the alarm keeps its state and its history,
// is judged by the new one, and the journal says what was changed.
func TestAChangedLimitIsJournalledAndJudged(t *testing.T) {
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
	changed := strings.Replace(d.text, "crown_limit: 41.0 m", "crown_limit: 43.0 m", 1)
	if changed == d.text {
		t.Fatal("the rig file has no crown limit of 41.0 m")
	}
	d.text = changed
	d.session(string(state), false)
	if d.count("crown_limit_passed", "limit_changed") != 1 || d.count("overhoist", "limit_changed") != 1 {
		t.Errorf("audit lines: %s", strings.Join(d.journal[max(0, len(d.journal)-4):], "\n"))
	}
	if line := d.last("limit_changed"); !strings.Contains(line, "mast.crown_limit was 41 m, is 43 m") {
		t.Errorf("audit line %s", line)
	}
	if after := d.must("crown_limit_passed").Alarm; after.State != before.State || after.Occurrence != before.Occurrence || after.AcknowledgedBy != "A. Tester" {
		t.Errorf("the history is gone: %+v, was %+v", after, before)
	}
	for range 60 {
		d.reading(41.5, 0)
	}
	if s := d.must("crown_limit_passed"); s.Alarm.Active() {
		t.Errorf("41.5 m against 43 m is still active: %+v", s.Alarm)
	}
	d.session(string(state), false)
	state, _ = d.rig.State()
	lines := len(d.journal)
	d.session(string(state), false)
	if len(d.journal) != lines {
		t.Errorf("the same limits again gave %v", d.journal[lines:])
	}
}

func TestClockJumpsAreJournalled(t *testing.T) {
	d := newDesk(t)
	d.rise(20, 22)
	d.apply(ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: "clock", State: "set", Detail: "by 6h0m0s"}})
	if line := d.last("clock_jumped"); !strings.Contains(line, "was set: by 6h0m0s") {
		t.Errorf("the machine's clock: %q", line)
	}
	state, err := d.rig.State()
	if err != nil {
		t.Fatal(err)
	}
	d.at -= 6 * time.Hour
	d.session(string(state), false)
	if line := d.last("clock_jumped"); !strings.Contains(line, "6h0m0s behind") {
		t.Errorf("behind the saved state: %q", line)
	}
	d.at += 6 * time.Hour
	n := d.count("clock", "clock_jumped")
	d.session(string(state), false)
	if d.count("clock", "clock_jumped") != n {
		t.Error("a start six hours later is said to be a jump")
	}
	for range 5 {
		d.reading(21, 0)
	}
	for i := range 12 { // the source's clock falls by an hour
		d.at += 100 * time.Millisecond
		s := ingest.Sample{Time: d.now().Add(-time.Hour)}
		s.Set(ingest.BlockHeight, ingest.Number(21))
		s.Set(ingest.HookLoad, ingest.Number(294.2e3+float64(i)))
		d.apply(ingest.Entry{Kind: ingest.EntrySample, Sample: s})
	}
	if line := d.last("clock_jumped"); !strings.Contains(line, "source's clock was set back") {
		t.Errorf("the source's clock: %q", line)
	}
}

// A state that was lost is an alarm, latched: it stands until it is seen and reset.
func TestALostStateIsAnAlarm(t *testing.T) {
	d := newDesk(t)
	d.apply(ingest.Entry{Kind: ingest.EntrySession, Session: &ingest.Session{RigFile: d.text, StateLost: "crc32 is wrong; set aside as R1.json.damaged-1"}})
	d.ticks(2)
	s := d.must("alarm_state_lost")
	if !s.Alarm.Sounds() || !strings.Contains(s.Reason, "crc32") {
		t.Errorf("%+v, %q", s.Alarm, s.Reason)
	}
	d.ticks(80)
	if why := d.act("acknowledge", d.must("alarm_state_lost"), "A. Tester"); why != "" {
		t.Fatal(why)
	}
	if s := d.must("alarm_state_lost"); s.Alarm.State != alarms.LatchedAcknowledged {
		t.Errorf("after 20 s and an acknowledgement %v", s.Alarm.State)
	}
	if why := d.act("reset", d.must("alarm_state_lost"), "A. Tester"); why != "" {
		t.Error(why)
	}
}
