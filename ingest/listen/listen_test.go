package listen

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
)

func TestAroundIsTheNarrowestFilterOfAll(t *testing.T) {
	for want, patterns := range map[string][]string{
		"hoist/#":   {"hoist/{rig}/readings"},
		"#":         {"{rig}/readings"},
		"a/b/#":     {"a/b/{rig}/x", "a/b/{rig}/y"},
		"a/#":       {"a/b/{rig}/x", "a/c/{rig}"},
		"a/b/c/d/#": {"a/b/c/d/{rig}"},
	} {
		if got := Around(patterns); got != want {
			t.Errorf("around %v: got %s, want %s", patterns, got, want)
		}
	}
	if got := Around([]string{"a/{rig}", "b/{rig}"}); got != "#" {
		t.Errorf("got %s, want all", got)
	}
}

// made makes one sample and one unknown field of each message.
type made struct{ n int }

func (d *made) Decode(m *ingest.Message, out ingest.Sink) {
	d.n++
	s := ingest.Sample{Time: m.Received}
	s.Set(ingest.HookLoad, ingest.Number(1))
	out.Sample(m.Rig, &s)
	out.Reject(m.Rig, ingest.RejectUnknownField, fmt.Sprint("field", d.n))
}

func TestMadeUpNamesDoNotFillTheMemory(t *testing.T) {
	m := ingest.OwnForm()
	s, d := NewSource("field", &m, []string{"R1"}, nil), &made{}
	at := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for i := range 3 * maxRigs {
		s.Message(&ingest.Message{Rig: fmt.Sprint("X", i), Received: at}, ingest.Used, d)
		s.Unread(fmt.Sprint("t/", i, "\x1b[2J"), []byte("\x1b[31mred"))
	}
	r := s.Report(at, "subscribed", "")
	if len(r.Rigs) > maxRigs+2 || len(r.Unread) > maxTopics+1 || len(r.Unmapped) > maxFields+1 {
		t.Errorf("kept %d rigs, %d topics, %d fields", len(r.Rigs), len(r.Unread), len(r.Unmapped))
	}
	if r.Messages != 3*maxRigs {
		t.Errorf("%d messages counted, want %d", r.Messages, 3*maxRigs)
	}
	var b strings.Builder
	if err := Write(&b, []Report{r}); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(b.String(), "\x1b") {
		t.Error("an escape sequence of a sender reaches the terminal")
	}
}
