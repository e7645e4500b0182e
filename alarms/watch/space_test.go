package watch_test

import (
	"strings"
	"testing"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// Little space for recordings is an alarm of its own, with the figures, and neither a
// lost broker nor a recording that has stopped.
func TestRecordingSpaceLow(t *testing.T) {
	d := newDesk(t)
	link := func(state, detail string) {
		d.apply(ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: watch.SpaceLink, State: state, Detail: detail}})
	}
	link("low", "900 MiB free, limit 1024 MiB")
	d.ticks(36) // 9 s
	if n := d.count("recording_space_low", "raised"); n != 0 {
		t.Errorf("raised %d times within the on-delay", n)
	}
	d.ticks(8)
	if s := d.must("recording_space_low"); s.Alarm.Priority != alarms.Low || !strings.Contains(s.Reason, "900 MiB") {
		t.Errorf("priority %v, reason %q", s.Alarm.Priority, s.Reason)
	}
	if n := d.count("broker_lost", "raised") + d.count("recording_stopped", "raised"); n != 0 {
		t.Errorf("other alarms raised %d times", n)
	}
	link("enough", "")
	d.ticks(260) // 65 s
	if n := d.count("recording_space_low", "cleared"); n != 1 {
		t.Errorf("cleared %d times, want once", n)
	}
}
