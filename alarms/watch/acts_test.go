package watch_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/ingest"
)

func (d *desk) ask(act ingest.Act) string {
	d.t.Helper()
	return d.apply(ingest.Entry{Kind: ingest.EntryAct, Act: &act}).Refused
}

// now is the time of the newest entry.
func (d *desk) now() time.Time { return epoch.Add(d.at) }

// lost brings reading_lost of the block height into the list.
func (d *desk) lost() {
	d.t.Helper()
	for range 60 {
		d.reading(math.NaN(), 0)
	}
	d.must("reading_lost")
}

func TestAShelfHidesItsAlarmUntilItsEnd(t *testing.T) {
	d := newDesk(t)
	d.rise(20, 22)
	d.lost()
	act := ingest.Act{Do: ingest.DoShelve, Alarm: "reading_lost", Channel: "block_height", Person: "I. Brandt",
		Reason: "sensor taken off", Until: d.now().Add(time.Minute)}
	if why := d.ask(act); why != "" {
		t.Fatalf("refused: %s", why)
	}
	aside := d.rig.PutAside()
	if len(aside) != 1 || aside[0].Alarm.ShelvedBy != "I. Brandt" || aside[0].Alarm.ShelvedWhy != "sensor taken off" || aside[0].Alarm.Sounds() {
		t.Fatalf("put aside: %+v", aside)
	}
	if d.count("reading_lost", "shelved") != 1 || !strings.Contains(d.last("shelved"), "until 2026-11-24T12:0") {
		t.Errorf("journal of the shelf: %s", d.last("shelved"))
	}
	d.ticks(300) // 75 s
	if len(d.rig.PutAside()) != 0 || d.count("reading_lost", "unshelved") != 1 {
		t.Errorf("still put aside after its end: %+v", d.rig.PutAside())
	}
	if why := d.ask(ingest.Act{Do: ingest.DoUnshelve, Alarm: "reading_lost", Channel: "block_height", Person: "I. Brandt"}); !strings.Contains(why, "not shelved") {
		t.Errorf("unshelving what is not shelved: %q", why)
	}
}

func TestOutOfServiceAndBack(t *testing.T) {
	d := newDesk(t)
	d.rise(20, 22)
	out := ingest.Act{Do: ingest.DoOutOfService, Alarm: "reading_lost", Channel: "block_height", Person: "I. Brandt", Reason: "sensor taken off"}
	if why := d.ask(out); why != "" {
		t.Fatalf("refused: %s", why)
	}
	for range 60 {
		d.reading(math.NaN(), 0)
	}
	if line := d.last("raised"); strings.Contains(line, `"channel":"block_height"`) {
		t.Errorf("raised while out of service: %s", line)
	}
	if s, ok := d.standing("reading_lost"); ok && s.Channel == "block_height" {
		t.Errorf("it stands while out of service: %+v", s.Alarm)
	}
	if why := d.ask(out); !strings.Contains(why, "already out of service, by I. Brandt") {
		t.Errorf("twice out of service: %q", why)
	}
	if why := d.ask(ingest.Act{Do: ingest.DoReturnToService, Alarm: "reading_lost", Channel: "block_height", Person: "A. Roos"}); why != "" {
		t.Fatalf("return refused: %s", why)
	}
	d.reading(math.NaN(), 0)
	if s := d.must("reading_lost"); s.Alarm.State != alarms.Unacknowledged {
		t.Errorf("returned with its condition present: %v", s.Alarm.State)
	}
}

// What cannot be taken is refused with the reason, and the refusal is in the journal.
func TestRefusedActsAreAudited(t *testing.T) {
	d := newDesk(t)
	d.rise(20, 39.6)
	seen := d.must("overhoist")
	name := func(do, alarm string) ingest.Act {
		return ingest.Act{Do: do, Alarm: alarm, Person: "I. Brandt", Reason: "noise", Until: d.now().Add(time.Hour)}
	}
	late, elsewhere, unknown, stale := name("shelve", "brake_hot"), name("acknowledge", "overhoist"), name("acknowledge", "overhoist"), name("acknowledge", "overhoist")
	late.Until = d.now().Add(-time.Minute)
	elsewhere.Rig, elsewhere.Occurrence, elsewhere.Version = "R2", seen.Alarm.Occurrence, seen.Alarm.Version
	unknown.Occurrence, unknown.Version = seen.Alarm.Occurrence+4, seen.Alarm.Version
	stale.Occurrence, stale.Version = seen.Alarm.Occurrence, seen.Alarm.Version-1
	for _, c := range []struct {
		name string
		act  ingest.Act
		want string
	}{
		{"unknown occurrence", unknown, "occurrence 5 was meant"},
		{"stale version", stale, "has changed since"},
		{"another's rig", elsewhere, `meant for the rig "R2"`},
		{"unshelvable", name("shelve", "overhoist"), "cannot be shelved"},
		{"not to be taken out of service", name("out_of_service", "crown_limit_passed"), "cannot be taken out of service"},
		{"an end in the past", late, "not in the future"},
		{"unknown alarm", name("acknowledge", "no_such_alarm"), "no_such_alarm"},
		{"unknown act", name("dance", "overhoist"), "dance"},
		{"an alarm's name that is a book", name("acknowledge", strings.Repeat("x", 5000)), "want one of this rig's"},
	} {
		t.Run(c.name, func(t *testing.T) {
			lines, before := len(d.journal), d.must("overhoist").Alarm
			if why := d.ask(c.act); !strings.Contains(why, c.want) {
				t.Errorf("refused with %q, want %q", why, c.want)
			}
			if len(d.journal) != lines+1 {
				t.Fatalf("%d journal lines, want 1", len(d.journal)-lines)
			}
			e, err := alarms.ParseEvent([]byte(d.journal[lines]))
			if err != nil || e.Event != alarms.EventRefused || e.Person != "I. Brandt" || !strings.Contains(e.Reason, c.want) {
				t.Errorf("journal %v: %s", err, d.journal[lines][:min(300, len(d.journal[lines]))])
			}
			if after := d.must("overhoist").Alarm; after != before {
				t.Errorf("a refused act changed the alarm:\n%+v\n%+v", before, after)
			}
		})
	}
}

// last returns the newest journal line of an event.
func (d *desk) last(event string) string {
	for i := len(d.journal) - 1; i >= 0; i-- {
		if strings.Contains(d.journal[i], `"event":"`+event+`"`) {
			return d.journal[i]
		}
	}
	return ""
}
