package ingest_test

import (
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
)

func TestActSaysWhatIsWrongWithIt(t *testing.T) {
	until := time.Date(2026, 11, 24, 18, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name string
		act  ingest.Act
		want string // in the error; empty = none
	}{
		{"acknowledge", ingest.Act{Do: "acknowledge", Alarm: "overhoist", Person: " A. Example "}, ""},
		{"shelve", ingest.Act{Do: "shelve", Alarm: "brake_hot", Person: "A. Example", Reason: "sensor work", Until: until}, ""},
		{"shelve without an end", ingest.Act{Do: "shelve", Alarm: "brake_hot", Person: "A. Example", Reason: "sensor work"}, "until: got nothing"},
		{"shelve without a reason", ingest.Act{Do: "shelve", Alarm: "brake_hot", Person: "A. Example", Reason: " ", Until: until}, "reason: got nothing"},
		{"an end that means nothing", ingest.Act{Do: "reset", Alarm: "brake_hot", Person: "A. Example", Until: until}, "until: got 2026"},
		{"out of service without a reason", ingest.Act{Do: "out_of_service", Alarm: "brake_hot", Person: "A. Example"}, "reason: got nothing"},
		{"no alarm", ingest.Act{Do: "reset", Person: "A. Example"}, "alarm: got nothing"},
		{"unknown", ingest.Act{Do: "dance", Alarm: "overhoist", Person: "A. Example"}, `do: got "dance"`},
		{"nobody", ingest.Act{Do: "reset", Alarm: "overhoist", Person: "  "}, "person: got nothing"},
		{"long name", ingest.Act{Do: "reset", Alarm: "overhoist", Person: strings.Repeat("é", 61)}, "person: got 61 letters"},
		{"control characters", ingest.Act{Do: "reset", Alarm: "overhoist", Person: "A\u0007"}, "person: got control"},
		{"two lines of reason", ingest.Act{Do: "out_of_service", Alarm: "overhoist", Person: "A", Reason: "a\nb"}, "reason: got control"},
		{"test", ingest.Act{Do: "crown_saver_test", Person: "A. Example", Work: &ingest.Work{}}, ""},
		{"test without results", ingest.Act{Do: "crown_saver_test", Person: "A. Example"}, "work: got nothing"},
		{"test of an alarm", ingest.Act{Do: "line_cut", Alarm: "overhoist", Person: "A", Work: &ingest.Work{}}, "alarm: got"},
		{"work with an alarm's act", ingest.Act{Do: "reset", Alarm: "overhoist", Person: "A", Work: &ingest.Work{}}, "work: got"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.act.Check()
			if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
			if err == nil && c.act.Person != "A. Example" {
				t.Errorf("person %q is not trimmed", c.act.Person)
			}
		})
	}
}
