package alarms

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestJournalLineIsTheAgreedOne(t *testing.T) {
	at := time.Date(2026, 11, 24, 7, 3, 9, 70_999_999, time.FixedZone("", -5*3600))
	e := Event{Time: at, Rig: "northfell-1", Alarm: "overhoist", Event: EventRaised, State: Unacknowledged,
		Priority: High, Reason: "rest bound above the crown limit", Value: 41.25, Limit: 41, Unit: "m", Occurrence: 3, Version: 7}
	for _, c := range []struct {
		name string
		edit func(*Event)
		want string
	}{
		{"as it is", func(*Event) {},
			`{"time":"2026-11-24T12:03:09.070Z","rig":"northfell-1","alarm":"overhoist","event":"raised","state":"unacknowledged","priority":"high",` +
				`"reason":"rest bound above the crown limit","value":41.25,"limit":41,"unit":"m","occurrence":3,"version":7}`},
		{"with a person and a channel", func(e *Event) {
			e.Time, e.Alarm, e.Channel, e.Person = at.Truncate(time.Second), "reading_lost", "hook_load", `Ana "Nan" Ødegård`
			e.Event, e.State, e.Value, e.Limit, e.Reason = EventAcknowledged, Acknowledged, math.NaN(), math.Inf(1), "a\tb\n\\c\u2028"
		}, `{"time":"2026-11-24T12:03:09.000Z","rig":"northfell-1","alarm":"reading_lost","channel":"hook_load","event":"acknowledged","state":"acknowledged",` +
			`"priority":"high","reason":"a\u0009b\n\\c\u2028","value":null,"limit":null,"unit":"m","occurrence":3,"person":"Ana \"Nan\" Ødegård","version":7}`},
		{"numbers", func(e *Event) { e.Value, e.Limit = 1e-7, -5e21 },
			`{"time":"2026-11-24T12:03:09.070Z","rig":"northfell-1","alarm":"overhoist","event":"raised","state":"unacknowledged","priority":"high",` +
				`"reason":"rest bound above the crown limit","value":1e-7,"limit":-5e+21,"unit":"m","occurrence":3,"version":7}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := e
			c.edit(&e)
			if got := string(AppendJSON(nil, &e)); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func drawEvent(t *rapid.T) Event {
	text := rapid.String()
	return Event{
		Time:       time.UnixMilli(rapid.Int64Range(-62135596800000, 253402300799999).Draw(t, "ms")).UTC(),
		Rig:        text.Draw(t, "rig"),
		Alarm:      text.Draw(t, "alarm"),
		Channel:    text.Draw(t, "channel"),
		Event:      EventKind(rapid.IntRange(0, int(numEventKinds)-1).Draw(t, "event")),
		State:      State(rapid.IntRange(0, int(numStates)-1).Draw(t, "state")),
		Priority:   Priority(rapid.IntRange(0, int(numPriorities)-1).Draw(t, "priority")),
		Reason:     text.Draw(t, "reason"),
		Value:      rapid.Float64().Draw(t, "value"),
		Limit:      math.Float64frombits(rapid.Uint64().Draw(t, "limit")),
		Unit:       text.Draw(t, "unit"),
		Occurrence: rapid.Uint64().Draw(t, "occurrence"),
		Person:     text.Draw(t, "person"),
		Version:    rapid.Uint64().Draw(t, "version"),
	}
}

// same compares with "not finite is not known".
func same(a, b Event) bool {
	number := func(x, y float64) bool {
		finite := !math.IsNaN(x) && !math.IsInf(x, 0)
		return finite && math.Float64bits(x) == math.Float64bits(y) || !finite && math.IsNaN(y)
	}
	ok := a.Time.Equal(b.Time) && number(a.Value, b.Value) && number(a.Limit, b.Limit)
	a.Time, a.Value, a.Limit = b.Time, 0, 0
	b.Value, b.Limit = 0, 0
	return ok && a == b
}

func TestEventRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := drawEvent(t)
		line := AppendJSON(nil, &e)
		if strings.ContainsAny(string(line), "\n\r") || !utf8.Valid(line) {
			t.Fatalf("not one line of UTF-8: %q", line)
		}
		// The second road: the standard library's reader.
		var m map[string]any
		if err := json.Unmarshal(line, &m); err != nil {
			t.Fatalf("not JSON: %v: %s", err, line)
		}
		if m["reason"] != e.Reason || m["rig"] != e.Rig {
			t.Fatalf("reason %q, rig %q, want %q, %q", m["reason"], m["rig"], e.Reason, e.Rig)
		}
		got, err := ParseEvent(line)
		if err != nil || !same(e, got) {
			t.Fatalf("%v\n got %+v\nwant %+v", err, got, e)
		}
		if again := AppendJSON([]byte("x"), &got); string(again) != "x"+string(line) {
			t.Fatalf("written again: %s, want %s", again, line)
		}
	})
}

func TestTextThatIsNotUTF8StaysJSON(t *testing.T) {
	e := Event{Rig: "a\xffb\xc3", Value: math.NaN()}
	got, err := ParseEvent(AppendJSON(nil, &e))
	if err != nil || got.Rig != "a\ufffdb\ufffd" {
		t.Errorf("rig %q, %v", got.Rig, err)
	}
}

func TestParseEventRefuses(t *testing.T) {
	e := Event{Time: start, Rig: "r", Alarm: "blind", Event: EventRaised, State: Unacknowledged, Priority: High, Unit: "m", Occurrence: 1, Version: 1}
	good := string(AppendJSON(nil, &e))
	if _, err := ParseEvent([]byte(" " + good + "\r\n")); err != nil {
		t.Fatalf("the line itself: %v", err)
	}
	swap := func(old, by string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("%s is not in %s", old, good)
		}
		return strings.Replace(good, old, by, 1)
	}
	for name, c := range map[string]struct{ line, want string }{
		"nothing":           {"", "want a JSON object"},
		"an array":          {"[]", "want a JSON object"},
		"torn":              {good[:len(good)-9], "journal line"},
		"torn in a key":     {good[:len(good)-1], "journal line"},
		"two on a line":     {good + good, "after the object"},
		"unknown key":       {swap(`"rig"`, `"rag"`), `key "rag" is unknown`},
		"other case":        {swap(`"rig"`, `"Rig"`), `key "Rig" is unknown`},
		"key twice":         {swap(`"rig":"r"`, `"rig":"r","rig":"q"`), `key "rig" stands twice`},
		"key missing":       {swap(`"unit":"m",`, ``), `key "unit" is missing`},
		"unknown event":     {swap(`"raised"`, `"risen"`), `key "event": event: got "risen"`},
		"unknown state":     {swap(`"unacknowledged"`, `"fine"`), `key "state"`},
		"time with offset":  {swap(`.000Z`, `.000+01:00`), `key "time"`},
		"time in seconds":   {swap(`.000Z`, `Z`), `key "time"`},
		"time in µs":        {swap(`.000Z`, `.000000Z`), `key "time"`},
		"text for a number": {swap(`"value":0`, `"value":"0"`), `key "value"`},
		"a number too big":  {swap(`"value":0`, `"value":1e999`), `key "value"`},
		"object for value":  {swap(`"value":0`, `"value":{}`), `key "value"`},
		"half occurrence":   {swap(`"occurrence":1`, `"occurrence":1.5`), `key "occurrence"`},
		"null occurrence":   {swap(`"occurrence":1`, `"occurrence":null`), `key "occurrence"`},
		"number for text":   {swap(`"rig":"r"`, `"rig":1`), `key "rig"`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseEvent([]byte(c.line))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want an error with %q", err, c.want)
			}
		})
	}
}

func FuzzParseEvent(f *testing.F) {
	e := Event{Time: start, Rig: "r", Channel: "hook_load", Person: "p", Event: EventReset, Value: math.NaN(), Limit: -1.5e-9}
	f.Add(AppendJSON(nil, &e))
	f.Add([]byte(`{"time":"2026-11-24T12:00:00.000Z"`))
	f.Add([]byte("{}\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := ParseEvent(b)
		if err != nil {
			return
		}
		line := AppendJSON(nil, &e)
		again, err := ParseEvent(line)
		if err != nil || !same(e, again) {
			t.Fatalf("%q\nread as %+v\nwritten  %s\nread as %+v, %v", b, e, line, again, err)
		}
	})
}

func TestWordsAreReadBack(t *testing.T) {
	for k := EventKind(0); k < numEventKinds; k++ {
		if got, ok := ParseEventKind(k.String()); !ok || got != k {
			t.Errorf("event %d: %q reads as %d", k, k, got)
		}
	}
	for s := State(0); s < numStates; s++ {
		if got, ok := ParseState(s.String()); !ok || got != s {
			t.Errorf("state %d: %q reads as %d", s, s, got)
		}
	}
	for p := Priority(0); p < numPriorities; p++ {
		if got, ok := ParsePriority(p.String()); !ok || got != p {
			t.Errorf("priority %d: %q reads as %d", p, p, got)
		}
	}
	if s := State(200).String(); s != "invalid(200)" {
		t.Errorf("a state that is none: %q", s)
	}
	if _, err := State(200).MarshalText(); err == nil {
		t.Error("a state that is none was written")
	}
}

func BenchmarkAppendJSON(b *testing.B) {
	e := Event{Time: start, Rig: "northfell-1", Alarm: "overhoist", Event: EventRaised, State: Unacknowledged, Priority: High,
		Reason: "rest bound above the crown limit", Value: 41.3, Limit: 41, Unit: "m", Occurrence: 3, Version: 9}
	buf := make([]byte, 0, 1024)
	b.ReportAllocs()
	for b.Loop() {
		buf = AppendJSON(buf[:0], &e)
	}
}
