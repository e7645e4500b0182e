package watch_test

import (
	"strings"
	"testing"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// What carries alarms outside fails: a minute later that is an alarm of its own, with
// the reason, and it is not taken for a lost broker.
func TestNotificationFailing(t *testing.T) {
	d := newDesk(t)
	link := func(state, detail string) {
		d.apply(ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: watch.NotifyLink, State: state, Detail: detail}})
	}
	link("failing", "shore: 503")
	d.ticks(100) // 25 s
	if n := d.count("notification_failing", "raised"); n != 0 {
		t.Errorf("raised %d times within the on-delay", n)
	}
	d.ticks(200)
	if s := d.must("notification_failing"); s.Alarm.Priority != alarms.Medium || !strings.Contains(s.Reason, "shore: 503") {
		t.Errorf("priority %v, reason %q", s.Alarm.Priority, s.Reason)
	}
	if n := d.count("broker_lost", "raised"); n != 0 {
		t.Errorf("broker lost raised %d times", n)
	}
	link("delivering", "")
	d.ticks(60)
	if n := d.count("notification_failing", "cleared"); n != 1 {
		t.Errorf("cleared %d times, want once", n)
	}
}
