package payload

import (
	"fmt"
	"strings"
	"testing"

	"hoistward/ingest"
)

// hookAt is a mapping whose hook load is read from the given field, and its time
// from receipt.
func hookAt(field string) *ingest.Mapping {
	m := ingest.OwnForm()
	own := m.Channels[ingest.HookLoad]
	m.Channels = [ingest.NumChannels]ingest.ChannelMap{}
	own.Field = field
	m.Channels[ingest.HookLoad] = own
	m.Clock = ingest.ReceiptClock
	return &m
}

// RFC 6901, section 5: the example document and what each pointer evaluates to.
func TestPointersOfTheStandardsExample(t *testing.T) {
	const document = `{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}`
	for pointer, want := range map[string]float64{
		"/": 0, "/a~1b": 1, "/c%d": 2, "/e^f": 3, "/g|h": 4, `/i\j`: 5, `/k"l`: 6, "/ ": 7, "/m~0n": 8,
	} {
		got := decode(t, hookAt(pointer), document)
		if len(got.samples) != 1 || got.samples[0].Values[ingest.HookLoad] != ingest.Number(want) {
			t.Errorf("%s: got %+v, want %v", pointer, got, want)
		}
	}
	for _, pointer := range []string{"/foo", "/foo/0", "/foo/1"} { // a list, and texts: there, and no numbers
		got := decode(t, hookAt(pointer), document)
		if len(got.rejects) == 0 || got.rejects[0] != "wrong type hook_load" {
			t.Errorf("%s: got %+v, want the wrong type", pointer, got)
		}
	}
}

func TestPaths(t *testing.T) {
	const message = `{"rig":"A7","data":{"sensors":[{"value":1},{"value":2,"unit":"kN"},{"value":3.5}],"empty":null},"list":[[10,11],[12,13]],"a.b":7,"list ":1}`
	for field, want := range map[string]string{
		"data.sensors[2].value": "3.5", "data.sensors[0].value": "1", "/data/sensors/1/value": "2",
		"list[1][0]": "12", "/list/0/1": "11", "/a.b": "7", "list ": "1",
		"data.sensors[3].value": "no known channel ", "data.sensors.value": `wrong type [{"value":1},{"value":2,"unit":"kN"},{"value":3.5}]`,
		"data.empty.value": "wrong type null", "data.empty": "null hook_load", "rig": "wrong type hook_load", "none.at.all": "no known channel ",
	} {
		got := decode(t, hookAt(field), message)
		text := strings.Join(got.rejects, "; ")
		if len(got.samples) == 1 {
			if v, ok := got.samples[0].Values[ingest.HookLoad].Float(); ok {
				text = fmt.Sprint(v)
			}
		}
		if !strings.Contains(text, want) {
			t.Errorf("%s: got %q of %+v, want %q", field, text, got, want)
		}
	}
	if got := decode(t, hookAt("[1].v"), `[{"v":1},{"v":2}]`); len(got.samples) != 1 || got.samples[0].Values[ingest.HookLoad].V != 2 {
		t.Errorf("a list that is one message: got %+v, want one sample of 2", got)
	}
}

func TestFieldsThatCannotBeRead(t *testing.T) {
	for field, want := range map[string]string{
		"": "got nothing", "a..b": "empty key", ".a": "empty key", "a.": "empty key", "a[": "no place", "a[x]": "no place", "a[-1]": "no place",
		"a[01]": "no place", "a[9999999]": "no place", "a]": "bracket that nothing opened", "a[1]b": "no dot after a bracket", "/a~2": "~ that stands for nothing", "/~": "~ that stands for nothing",
	} {
		_, err := ingest.ParseField(field)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want it to say %q", field, err, want)
		}
	}
	m := hookAt("data.load")
	m.Channels[ingest.BlockHeight] = m.Channels[ingest.HookLoad]
	m.Channels[ingest.BlockHeight].Unit.Dimension = ingest.BlockHeight.Dimension()
	for _, field := range []string{"data", "data.load.x", "/data/load"} {
		m.Channels[ingest.BlockHeight].Field = field
		if _, err := NewJSON(m); err == nil || !strings.Contains(err.Error(), "a value of its own") {
			t.Errorf("%q beside data.load: got %v, want it refused", field, err)
		}
	}
}

// One device's message in another form, with its time further in.
func TestTimeAndChannelsFurtherIn(t *testing.T) {
	m := ingest.OwnForm()
	m.TimeField = "header.stamp"
	for c := range ingest.NumChannels {
		m.Channels[c].Field = "values." + c.String() + ".v"
	}
	got := decode(t, &m, `{"header":{"stamp":"2026-11-24T12:00:00Z","id":7},"values":{"hook_load":{"v":5,"q":"ok"},"crown_saver":{"v":true},"other":{"v":1}}}`)
	if len(got.samples) != 1 || len(got.rejects) != 0 || !got.samples[0].Time.Equal(noon) {
		t.Fatalf("got %+v, want one sample of noon and nothing rejected", got)
	}
	if s := got.samples[0]; s.Values[ingest.HookLoad].V != 5 || s.Values[ingest.CrownSaver].V != 1 || s.Has != 1<<ingest.HookLoad|1<<ingest.CrownSaver {
		t.Errorf("got %+v", s)
	}
	if got := decode(t, &m, `{"header":{},"values":{"hook_load":{"v":5}}}`); len(got.samples) != 0 || got.rejects[0] != "no time " {
		t.Errorf("without its time: got %+v", got)
	}
	twice := `{"header":{"stamp":"2026-11-24T12:00:00Z"},"values":{"hook_load":{"v":5}},"values":{"hook_load":{"v":6}}}`
	if got := decode(t, &m, twice); len(got.samples) != 1 || got.samples[0].Values[ingest.HookLoad] != ingest.BadValue(ingest.NamedTwice) {
		t.Errorf("a group named twice: got %+v", got)
	}
}

// FuzzPaths reads messages in which the time and the channels stand further in, in
// objects and in lists.
func FuzzPaths(f *testing.F) {
	for _, s := range []string{
		`{"header":{"stamp":"2026-11-24T12:00:00Z"},"values":[{"v":5},[true]],"a/b":{"c~d":1}}`,
		`{"header":{"stamp":1795521600000},"values":[{"v":null}]}`, `{"header":[],"values":{}}`, `[]`, `{"values":[[[[[]]]]]}`,
		`{"header":{"stamp":"2026-11-24T12:00:00Z"},"values":[{"v":5}],"values":[{"v":6}]}`, `{"a\/b":{"c\u007ed":-999.25}}`,
	} {
		f.Add([]byte(s))
	}
	m := fieldUnits(f)
	m.TimeField = "header.stamp"
	own := m.Channels
	m.Channels = [ingest.NumChannels]ingest.ChannelMap{}
	for c, field := range map[ingest.Channel]string{
		ingest.HookLoad: "values[0].v", ingest.CrownSaver: "values[1][0]", ingest.BlockHeight: "/a~1b/c~0d",
	} {
		m.Channels[c] = own[c]
		m.Channels[c].Field, m.Channels[c].Mapped = field, true
	}
	d, err := NewJSON(m)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got := run(d, data)
		checkSamples(t, m, got)
		if len(got.samples)+len(got.rejects) == 0 {
			t.Errorf("%q vanished", data)
		}
		if again := run(d, data); again.words() != got.words() {
			t.Errorf("twice the same gives %q and %q", got.words(), again.words())
		}
	})
}
