package payload

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

const typical = `{"t":"2026-11-24T12:00:00.100Z","hook_load":1471.0,"block_height":18.25,"drum_speed":42.5,"brake_pressure":0.35,"drive_engaged":true}`

// fieldUnits is a mapping in the units of the trade, with the limits of a big rig.
func fieldUnits(t testing.TB) *ingest.Mapping {
	m := ingest.OwnForm()
	for c, u := range map[ingest.Channel]string{
		ingest.HookLoad: "kN", ingest.DrumSpeed: "rpm", ingest.BrakePressure: "MPa", ingest.BrakeTemperature: "degC",
	} {
		var ok bool
		if m.Channels[c].Unit, ok = units.Lookup(u); !ok {
			t.Fatalf("no unit %q", u)
		}
	}
	set := func(c ingest.Channel, low, high float64, nulls ...float64) {
		m.Channels[c].Low, m.Channels[c].High, m.Channels[c].Nulls = low, high, nulls
	}
	set(ingest.HookLoad, -50e3, 5e6, -999.25)
	set(ingest.BlockHeight, -5, 1500, -999.25, -9999)
	set(ingest.BrakeTemperature, 200, 1300)
	return &m
}

// decoded is all that came out of one payload.
type decoded struct {
	samples []ingest.Sample
	rigs    []string // of the samples
	rejects []string
}

func decode(t testing.TB, m *ingest.Mapping, data string) decoded {
	t.Helper()
	d, err := NewJSON(m)
	if err != nil {
		t.Fatal(err)
	}
	return run(d, []byte(data))
}

func run(d interface {
	Decode(*ingest.Message, ingest.Sink)
}, data []byte) (out decoded) {
	d.Decode(&ingest.Message{Payload: data, Received: noon}, ingest.SinkFuncs{
		OnSample: func(rig string, s *ingest.Sample) {
			out.samples, out.rigs = append(out.samples, *s), append(out.rigs, rig)
		},
		OnReject: func(_ string, r ingest.Reject, what string) { out.rejects = append(out.rejects, r.String()+" "+what) },
	})
	return out
}

// words writes the samples of d as "hook_load=1471000 block_height=null".
func (d decoded) words() string {
	var b strings.Builder
	for i, s := range d.samples {
		if i > 0 {
			b.WriteString(" | ")
		}
		var parts []string
		for c := range ingest.NumChannels {
			switch v := s.Values[c]; {
			case !s.Named(c):
			case v.Quality == ingest.Bad:
				parts = append(parts, fmt.Sprintf("%s=%s", c, v.Reason))
			default:
				parts = append(parts, fmt.Sprintf("%s=%.9g", c, v.V))
			}
		}
		b.WriteString(strings.Join(parts, " "))
	}
	return b.String()
}

// Anchors: 1 kN = 1000 N and 1 MPa = 1e6 Pa (SI prefixes); 42.5 rpm = 42.5·2π/60 =
// 4.45058959 rad/s; 20 °C = 293.15 K (definition of the degree Celsius, BIPM SI
// brochure, 9th edition, 2.3.1).
func TestDecodesTheOwnForm(t *testing.T) {
	got := decode(t, fieldUnits(t), typical)
	want := "hook_load=1471000 block_height=18.25 drum_speed=4.45058959 brake_pressure=350000 drive_engaged=1"
	if got.words() != want || len(got.rejects) > 0 {
		t.Errorf("got  %s, rejects %v\nwant %s", got.words(), got.rejects, want)
	}
	if at := got.samples[0].Time; !at.Equal(noon.Add(100*time.Millisecond)) || at.Location() != time.UTC {
		t.Errorf("time %v, want 12:00:00.1 UTC", at)
	}
	if got := decode(t, fieldUnits(t), `{"t":"2026-11-24T12:00:00Z","brake_temperature":20}`); got.words() != "brake_temperature=293.15" {
		t.Errorf("20 °C is %s, want 293.15 K", got.words())
	}
}

func TestBadInputIsNeverANumber(t *testing.T) {
	const at = `{"t":"2026-11-24T12:00:00Z",`
	for _, c := range []struct{ name, data, samples, rejects string }{
		{"broken", at + `"hook_load":1471`, "", "broken JSON"},
		{"trailing garbage", at + `"hook_load":1471} x`, "", "broken JSON"},
		{"two values", at + `"hook_load":1}` + at + `"hook_load":2}`, "", "broken JSON"},
		{"trailing comma", at + `"hook_load":1,}`, "", "broken JSON"},
		{"single quotes", `{'t':1}`, "", "broken JSON"},
		{"byte order mark", "\ufeff" + at + `"hook_load":1}`, "", "broken JSON"},
		{"bad UTF-8", at + "\"hook_load\xff\":1}", "", "broken JSON"},
		{"NaN literal", at + `"hook_load":NaN}`, "", "broken JSON"},
		{"Infinity literal", at + `"hook_load":-Infinity}`, "", "broken JSON"},
		{"leading plus", at + `"hook_load":+1}`, "", "broken JSON"},
		{"leading zero", at + `"hook_load":01}`, "", "broken JSON"},
		{"break in an array", `[` + at + `"hook_load":1},` + at + `]`, "", "broken JSON"},
		{"binary", "\x00\x01\x02", "", "broken JSON"},
		{"empty", "", "", "empty payload"},
		{"blank", " \r\n\t", "", "empty payload"},
		{"empty array", "[]", "", "empty payload"},
		{"number", "85", "", "wrong type"},
		{"string", `"85"`, "", "wrong type"},
		{"null alone", "null", "", "wrong type"},
		{"empty object", "{}", "", "no known channel"},
		{"time alone", `{"t":"2026-11-24T12:00:00Z"}`, "", "no known channel"},
		{"unknown field alone", at + `"mud":1}`, "", "unknown field, no known channel"},
		{"unknown field", at + `"mud":{"a":[1,{}]},"hook_load":1}`, "hook_load=1000", "unknown field"},
		{"case counts", at + `"Hook_Load":1,"hook_load":2}`, "hook_load=2000", "unknown field"},

		{"null", at + `"hook_load":null,"block_height":12.3}`, "hook_load=null block_height=12.3", "null"},
		{"null sentinel", at + `"hook_load":-999.25,"block_height":12.3}`, "hook_load=null block_height=12.3", "null"},
		{"null sentinel spelt out", at + `"hook_load":-9.99250e2}`, "hook_load=null", "null"},
		{"null sentinel through float32", at + `"hook_load":-999.250001}`, "hook_load=null", "null"},
		{"second sentinel", at + `"block_height":-9999}`, "block_height=null", "null"},
		{"not a sentinel of this channel", at + `"hook_load":-9999}`, "hook_load=out of range", "out of range"},
		{"depth like a sentinel", at + `"block_height":999.25}`, "block_height=999.25", ""},
		{"small negative", at + `"hook_load":-0.0733}`, "hook_load=-73.3", ""},
		{"zero is a number", at + `"hook_load":0}`, "hook_load=0", ""},
		{"string number", at + `"hook_load":"1471","block_height":12.3}`, "hook_load=wrong type block_height=12.3", "wrong type"},
		{"empty string", at + `"hook_load":""}`, "hook_load=wrong type", "wrong type"},
		{"boolean for a number", at + `"hook_load":true,"block_height":12.3}`, "hook_load=wrong type block_height=12.3", "wrong type"},
		{"object for a number", at + `"hook_load":{"v":1},"block_height":12.3}`, "hook_load=wrong type block_height=12.3", "wrong type"},
		{"array for a number", at + `"hook_load":[1],"block_height":12.3}`, "hook_load=wrong type block_height=12.3", "wrong type"},
		{"on and off", at + `"drive_engaged":false,"crown_saver":1}`, "drive_engaged=0 crown_saver=1", ""},
		{"half on", at + `"drive_engaged":0.5}`, "drive_engaged=out of range", "out of range"},
		{"overflow", at + `"hook_load":1e999,"block_height":12.3}`, "hook_load=not a number block_height=12.3", "not a number"},
		{"overflow in the unit", at + `"hook_load":1e308}`, "hook_load=not a number", "not a number"},
		{"underflow", at + `"hook_load":1e-999}`, "hook_load=0", ""},
		{"above range", at + `"hook_load":5000.001,"block_height":12.3}`, "hook_load=out of range block_height=12.3", "out of range"},
		{"on the limit", at + `"hook_load":5000}`, "hook_load=5000000", ""},
		{"below range", at + `"hook_load":-50.001}`, "hook_load=out of range", "out of range"},
		{"named twice", at + `"hook_load":85,"hook_load":85,"block_height":12.3}`, "hook_load=named twice block_height=12.3", "duplicate key"},
		{"named twice in disguise", at + `"hook_load":85,"hook\u005fload":86}`, "hook_load=named twice", "duplicate key"},
		{"escaped key", at + `"hook\u005fload":85}`, "hook_load=85000", ""},

		{"no time", `{"hook_load":1}`, "", "no time"},
		{"time null", `{"t":null,"hook_load":1}`, "", "bad time"},
		{"time boolean", `{"t":true,"hook_load":1}`, "", "bad time"},
		{"time object", `{"t":{},"hook_load":1}`, "", "bad time"},
		{"time empty", `{"t":"","hook_load":1}`, "", "bad time"},
		{"time without zone", `{"t":"2026-11-24T12:00:00","hook_load":1}`, "", "bad time"},
		{"time with a blank", `{"t":"2026-11-24 12:00:00Z","hook_load":1}`, "", "bad time"},
		{"time of a day that is not", `{"t":"2026-02-30T12:00:00Z","hook_load":1}`, "", "bad time"},
		{"hour of one digit", `{"t":"2026-11-24T9:00:00Z","hook_load":1}`, "", "bad time"},
		{"decimal comma", `{"t":"2026-11-24T12:00:00,1Z","hook_load":1}`, "", "bad time"},
		{"zone of 24 hours", `{"t":"2026-11-25T12:00:00+24:00","hook_load":1}`, "", "bad time"},
		{"zone of 60 minutes", `{"t":"2026-11-24T13:00:00+00:60","hook_load":1}`, "", "bad time"},
		{"time in seconds", `{"t":1795521600,"hook_load":1}`, "", "bad time"},
		{"time in microseconds", `{"t":1795521600000000,"hook_load":1}`, "", "bad time"},
		{"time in nanoseconds", `{"t":1795521600000000000,"hook_load":1}`, "", "bad time"},
		{"time in milliseconds", `{"t":1795521600000,"hook_load":1}`, "hook_load=1000", ""},
		{"time after the values", `{"hook_load":1,"t":"2026-11-24T12:00:00Z"}`, "hook_load=1000", ""},
		{"time in another zone", `{"t":"2026-11-24T13:30:00+01:30","hook_load":1}`, "hook_load=1000", ""},
		{"time twice", `{"t":"2026-11-24T12:00:00Z","t":"2026-11-24T12:00:01Z","hook_load":1}`, "", "duplicate key"},
		{"epoch 0", `{"t":"1970-01-01T00:00:00Z","hook_load":1}`, "", "far past"},
		{"a minute ago", `{"t":"2026-11-24T11:59:00Z","hook_load":1}`, "hook_load=1000", ""},
		{"more than a minute ago", `{"t":"2026-11-24T11:58:59.999Z","hook_load":1}`, "", "far past"},

		{"bad element in an array", `[` + at + `"hook_load":1},7,{"hook_load":2},` + at + `"hook_load":3}]`,
			"hook_load=1000 | hook_load=3000", "wrong type, no time"},
		{"array in an array", `[[` + at + `"hook_load":1}]]`, "", "wrong type"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := decode(t, fieldUnits(t), c.data)
			if got.words() != c.samples {
				t.Errorf("samples\n got %q\nwant %q", got.words(), c.samples)
			}
			var want []string
			if c.rejects != "" {
				want = strings.Split(c.rejects, ", ")
			}
			if !slices.EqualFunc(got.rejects, want, strings.HasPrefix) {
				t.Errorf("rejects\n got %q\nwant %q", got.rejects, want)
			}
			for _, s := range got.samples {
				if !s.Time.Equal(noon) && c.name != "a minute ago" {
					t.Errorf("time %v, want %v", s.Time, noon)
				}
			}
		})
	}
}

func TestEachMessageStartsFromNothing(t *testing.T) {
	d, err := NewJSON(fieldUnits(t))
	if err != nil {
		t.Fatal(err)
	}
	run(d, []byte(typical))
	got := run(d, []byte(`{"t":"2026-11-24T12:00:01Z","block_height":null}`))
	if got.words() != "block_height=null" {
		t.Errorf("got %s, want nothing of the message before", got.words())
	}
}

func TestStampFromTheFutureDoesNotBlindTheChannel(t *testing.T) {
	d, err := NewJSON(fieldUnits(t))
	if err != nil {
		t.Fatal(err)
	}
	got := run(d, []byte(`[{"t":"2099-01-01T00:00:00Z","hook_load":1,"block_height":null},{"t":"2026-11-24T12:00:02Z","hook_load":2}]`))
	if len(got.samples) != 2 {
		t.Fatalf("got %v, want both samples", got)
	}
	s := got.samples[0]
	if v := s.Values[ingest.HookLoad]; !s.Time.Equal(noon) || v.V != 1000 || v.Quality != ingest.Uncertain || v.Reason != ingest.ClockAhead {
		t.Errorf("got %v at %v, want 1000 N, uncertain, at the receipt time", v, s.Time)
	}
	if v := s.Values[ingest.BlockHeight]; v.Quality != ingest.Bad || v.Reason != ingest.Null {
		t.Errorf("got %v, want a null to stay one", v)
	}
	if v := got.samples[1].Values[ingest.HookLoad]; v.Quality != ingest.Good {
		t.Errorf("2 s ahead gives %v, want it good", v)
	}
	if d.Offset() != 2*time.Second {
		t.Errorf("offset %v, want 2 s", d.Offset())
	}
}

func TestReceiptClockIgnoresStamps(t *testing.T) {
	m := fieldUnits(t)
	m.Clock = ingest.ReceiptClock
	for _, data := range []string{`{"hook_load":1}`, `{"t":"1970-01-01T00:00:00Z","hook_load":1}`, `{"t":false,"hook_load":1}`} {
		got := decode(t, m, data)
		if got.words() != "hook_load=1000" || len(got.rejects) > 0 || !got.samples[0].Time.Equal(noon) {
			t.Errorf("%s gives %v, want it at the receipt time", data, got)
		}
	}
}

func TestOtherNamesScaleAndShift(t *testing.T) {
	m := fieldUnits(t)
	h := &m.Channels[ingest.HookLoad]
	h.Field, h.Scale, h.Shift, h.Nulls = "HKLD", 2, 10, []float64{-1}
	c := &m.Channels[ingest.CrownSaver] // a contact that opens when it trips
	c.Field, c.Scale, c.Shift = "cs_ok", -1, 1
	got := decode(t, m, `{"t":"2026-11-24T12:00:00Z","HKLD":100,"cs_ok":true}`)
	if got.words() != "hook_load=210000 crown_saver=0" {
		t.Errorf("got %s, want (2·100+10) kN and off", got.words())
	}
	if got := decode(t, m, `{"t":"2026-11-24T12:00:00Z","HKLD":-1}`); got.words() != "hook_load=null" {
		t.Errorf("got %s, want the sentinel found before the scale", got.words())
	}
}

func TestSizeLimit(t *testing.T) {
	pad := func(n int) string { return typical + strings.Repeat(" ", n-len(typical)) }
	if got := decode(t, fieldUnits(t), pad(MaxSize)); len(got.samples) != 1 {
		t.Errorf("at the limit: got %v", got.rejects)
	}
	if got := decode(t, fieldUnits(t), pad(MaxSize+1)); len(got.samples) != 0 || len(got.rejects) != 1 || got.rejects[0] != "too large 262145 bytes" {
		t.Errorf("above the limit: got %v", got.rejects)
	}
	deep := strings.Repeat("[", MaxSize/2) + strings.Repeat("]", MaxSize/2)
	if got := decode(t, fieldUnits(t), deep); len(got.samples) != 0 || len(got.rejects) != 1 {
		t.Errorf("deep nesting: got %v", got.rejects)
	}
}

func TestTwoThousandBadPayloadsLeaveNothingBehind(t *testing.T) {
	d, err := NewJSON(fieldUnits(t))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for i := range 2000 {
		n += len(run(d, fmt.Appendf(nil, `{"t":%d,"hook_load"`, i)).rejects)
	}
	if n != 2000 {
		t.Errorf("%d rejects, want 2000", n)
	}
	if got := run(d, []byte(typical)); len(got.samples) != 1 || len(got.rejects) != 0 {
		t.Errorf("then a good one gives %v", got)
	}
}

func TestMappingThatWouldMakeNumbersUpIsRefused(t *testing.T) {
	m := fieldUnits(t)
	m.Channels[ingest.HookLoad].Scale = 0
	m.Channels[ingest.BlockHeight].Field = "t"
	m.Channels[ingest.DrumSpeed].Unit, _ = units.Lookup("m/s")
	_, err := NewJSON(m)
	if err == nil {
		t.Fatal("accepted")
	}
	for _, want := range []string{"hook_load: got the scale 0", `block_height: got the field "t"`, `drum_speed: got the unit "m/s"`} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("got %v\nwant it to say %q", err, want)
		}
	}
}

func TestDecodeDoesNotAllocate(t *testing.T) {
	d, err := NewJSON(fieldUnits(t))
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	var out ingest.Sink = ingest.SinkFuncs{
		OnSample: func(_ string, s *ingest.Sample) { sum += s.Values[ingest.HookLoad].V },
		OnReject: func(_ string, r ingest.Reject, s string) { t.Error(r, s) },
	}
	m := ingest.Message{Payload: []byte(typical), Received: noon}
	if n := testing.AllocsPerRun(100, func() { d.Decode(&m, out) }); n != 0 {
		t.Errorf("%v allocations a message, want none", n)
	}
	if !(math.Abs(sum-101*1471e3) <= 1) {
		t.Errorf("sum %v", sum)
	}
}

func BenchmarkDecode(b *testing.B) {
	d, err := NewJSON(fieldUnits(b))
	if err != nil {
		b.Fatal(err)
	}
	data := []byte(typical)
	n := 0
	var out ingest.Sink = ingest.SinkFuncs{
		OnSample: func(string, *ingest.Sample) { n++ },
		OnReject: func(_ string, r ingest.Reject, s string) { b.Fatal(r, s) },
	}
	m := ingest.Message{Payload: data, Received: noon}
	b.ReportAllocs()
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		d.Decode(&m, out)
	}
	if n == 0 {
		b.Fatal("no sample")
	}
}

// BenchmarkDecodeWhole is the same message by the reader of all JSON.
func BenchmarkDecodeWhole(b *testing.B) {
	d, err := NewJSON(fieldUnits(b))
	if err != nil {
		b.Fatal(err)
	}
	var out ingest.Sink = ingest.SinkFuncs{OnSample: func(string, *ingest.Sample) {}, OnReject: func(_ string, r ingest.Reject, s string) { b.Fatal(r, s) }}
	m := ingest.Message{Payload: []byte(typical), Received: noon}
	b.ReportAllocs()
	for b.Loop() {
		d.whole(&m, out)
	}
}
