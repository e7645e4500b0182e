package group_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"hoistward/alarms/group"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

var epoch = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// aLog is a minute and more of an overhoist on two rigs, one of them silent in between,
// with ticks, an act, and a leading server whose clock is 3 s behind in the middle.
func aLog(t *testing.T, set group.Settings) (log []jetstream.Record) {
	t.Helper()
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	run, err := simulator.New(rig, sc, 3)
	if err != nil {
		t.Fatal(err)
	}
	run.Start(epoch)
	add := func(at time.Time, rig, kind string, payload []byte) {
		if s := at.Sub(epoch); s > 20*time.Second && s < 40*time.Second {
			at = at.Add(-3 * time.Second)
		}
		log = append(log, jetstream.Record{Seq: uint64(3*len(log) + 1), Received: at, Rig: rig, Kind: kind, Payload: payload})
	}
	for name, s := range set.Sessions {
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		add(epoch, name, jetstream.Opening, text)
	}
	tick := epoch
	var sample ingest.Sample
	var truth simulator.Truth
	for n := 0; n < 700 && run.Next(&sample, &truth); n++ {
		for ; tick.Before(sample.Time); tick = tick.Add(group.TickEvery) {
			add(tick, "", jetstream.Tick, nil)
		}
		text := publish.Append(nil, &sample)
		add(sample.Time, "R1", jetstream.Readings, text)
		if n < 200 || n > 300 {
			add(sample.Time, "R2", jetstream.Readings, text)
		}
		if n == 250 {
			q, _ := json.Marshal(group.Request{ID: "a", Act: ingest.Act{Do: ingest.DoOutOfService, Alarm: "overhoist", Person: "A. Tester", Reason: "r"}})
			add(sample.Time, "R2", jetstream.Act, q)
		}
	}
	return log
}

func player(t *testing.T, set group.Settings) *group.Player {
	t.Helper()
	p, err := group.NewPlayer(&set, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Played by one, or by many that take over from snapshots of different age of each rig:
// the lines are the same, and so are the snapshots at the end. Time never falls, though
// the log's does.
func TestPlayersGoOnFromSnapshots(t *testing.T) {
	set := settings(t, "R1", "R2")
	log := aLog(t, set)
	one, whole := player(t, set), ""
	var last time.Time
	stood := 0 // readings between which no time passed
	for _, r := range log {
		whole += string(one.Take(r, nil, func(w *watch.Rig, o *watch.Outcome) {
			if w.Name() == "R1" && o.Sample {
				if w.Now().Before(last) {
					t.Errorf("record %d: the rig's time falls from %s to %s", r.Seq, last, w.Now())
				}
				if w.Now().Equal(last) {
					stood++
				}
				last = w.Now()
			}
		}))
	}
	if stood > 1 { // where the log's clock fell
		t.Errorf("the rig's time stood still for %d readings", stood)
	}
	for _, text := range []string{`"rig":"R1","alarm":"overhoist","event":"raised"`, `"rig":"R2","alarm":"source_lost","event":"raised"`} {
		if !strings.Contains(whole, text) {
			t.Fatalf("no %s in\n%s", text, whole)
		}
	}
	kept := map[string][]byte{}
	var journal []byte
	written, deaths := uint64(0), 0
	p := player(t, set)
	for i := 0; i < len(log); i++ {
		if lines := p.Take(log[i], nil, nil); log[i].Seq > written && len(lines) > 0 {
			journal, written = append(journal, lines...), log[i].Seq
		}
		if len(p.Names()) == 2 && rand.IntN(20) == 0 {
			name := p.Names()[rand.IntN(2)]
			var err error
			if kept[name], err = p.Snapshot(name); err != nil {
				t.Fatal(err)
			}
		}
		if len(kept) == 2 && deaths < 50 && rand.IntN(60) == 0 { // it dies: another goes on from the older of the two
			deaths++
			from := uint64(1 << 62)
			p = player(t, set)
			for name, value := range kept {
				if err := p.Restore(name, value); err != nil {
					t.Fatal(err)
				}
				from = min(from, p.Seq(name))
			}
			for ; i > 0 && log[i].Seq > from; i-- {
			}
		}
	}
	if string(journal) != whole || deaths == 0 {
		t.Errorf("after %d deaths the journal is\n%s\nwant\n%s", deaths, journal, whole)
	}
	for _, name := range []string{"R1", "R2"} {
		a, errA := one.Snapshot(name)
		b, errB := p.Snapshot(name)
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("rig %s is in another state at the end (%v, %v)", name, errA, errB)
		}
	}
}

// Another version of the program goes on from the alarm state, and says that it does.
func TestAnotherProgramTakesTheAlarmState(t *testing.T) {
	set := settings(t, "R1", "R2")
	one := player(t, set)
	for _, r := range aLog(t, set) {
		one.Take(r, nil, nil)
	}
	value, err := one.Snapshot("R1")
	if err != nil {
		t.Fatal(err)
	}
	newer := set
	newer.Software = "test 2"
	p := player(t, newer)
	if err := p.Restore("R1", value); !errors.Is(err, watch.ErrOtherProgram) {
		t.Fatalf("restored with %v", err)
	}
	was, is := one.Rig("R1").Standing(), p.Rig("R1").Standing()
	if len(was) == 0 || len(is) != len(was) {
		t.Fatalf("%d alarms stood, %d do", len(was), len(is))
	}
	states := func(list []watch.Standing) map[string]string {
		m := map[string]string{}
		for _, s := range list {
			m[s.Rule.Name+s.Channel] = fmt.Sprint(s.Alarm.State, s.Alarm.Occurrence)
		}
		return m
	}
	if a, b := states(was), states(is); fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("alarms stood as %v, now %v", a, b)
	}
	if _, wanted := p.Wanted("R1"); wanted {
		t.Error("a session is offered though the session's own words are alike")
	}
	if err := p.Restore("R1", value[:len(value)-1]); err == nil || p.Rig("R9") != nil {
		t.Errorf("a snapshot that was cut: %v", err)
	}
}
