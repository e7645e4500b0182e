package wits

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

// mapping returns one by channel, "0114 klbf" by channel, that takes every number.
func mapping(t testing.TB, channels map[ingest.Channel]string) *ingest.Mapping {
	t.Helper()
	m := &ingest.Mapping{TimeField: "t", MaxAhead: 5 * time.Second, MaxBehind: time.Minute}
	for c, text := range channels {
		field, symbol, _ := strings.Cut(text, " ")
		u, ok := units.Lookup(symbol)
		if !ok {
			t.Fatalf("no unit %q", symbol)
		}
		m.Channels[c] = ingest.ChannelMap{Mapped: true, Field: field, Unit: u, Scale: 1, Low: -1e12, High: 1e12, Nulls: []float64{-999.25, -9999}}
	}
	return m
}

var typical = map[ingest.Channel]string{ingest.HookLoad: "0114 klbf", ingest.BlockHeight: "0112 ft"}

type decoded struct {
	samples []ingest.Sample
	rejects []string
}

func (d *decoded) sink() ingest.Sink {
	return ingest.SinkFuncs{
		OnSample: func(_ string, s *ingest.Sample) { d.samples = append(d.samples, *s) },
		OnReject: func(_ string, r ingest.Reject, what string) { d.rejects = append(d.rejects, r.String()+": "+what) },
	}
}

// take decodes the frames of a stream, as a source does.
func take(t testing.TB, d *Decoder, stream string) (out decoded) {
	t.Helper()
	f := NewFramer(func(frame []byte) {
		d.Decode(&ingest.Message{Rig: "R1", Payload: frame, Received: noon}, out.sink())
	}, func(why string, _ []byte) { t.Fatalf("broken frame: %s", why) })
	f.Write([]byte(stream))
	f.Close()
	return out
}

func newDecoder(t testing.TB, m *ingest.Mapping, o Options) *Decoder {
	t.Helper()
	d, err := NewDecoder(m, o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// frame writes items as one frame stamped noon.
func frame(items ...string) string {
	return "&&\r\n0105261124\r\n0106120000\r\n" + strings.Join(items, "\r\n") + "\r\n!!\r\n"
}

func (d decoded) words() string {
	var all []string
	for _, s := range d.samples {
		var parts []string
		for c := range ingest.NumChannels {
			switch v := s.Values[c]; {
			case !s.Named(c):
			case v.Quality == ingest.Bad:
				parts = append(parts, fmt.Sprintf("%s=%s", c, v.Reason))
			default:
				parts = append(parts, fmt.Sprintf("%s=%.6g", c, v.V))
			}
		}
		all = append(all, strings.Join(parts, " "))
	}
	return strings.Join(all, " | ")
}

// Anchors: 1 kdaN = 10 kN and 1 klbf = 4.4482216 kN, so 85.2 is 852 kN or 378.988 kN;
// 20 kft.lbf = 27.116 kN.m; 3000 psi = 206.84 bar; 1000 ft = 304.8 m; 20 degC = 68
// degF = 293.15 K (pound, foot and standard gravity as agreed in 1959 and 1901).
func TestUnitsAreTheSiteFiles(t *testing.T) {
	const kN, bar = 1e3, 1e5
	for _, c := range []struct {
		channel ingest.Channel
		unit    string
		item    string
		want    float64
	}{
		{ingest.HookLoad, "0114 kdaN", "011485.2", 852 * kN},
		{ingest.HookLoad, "0114 klbf", "011485.2", 378.98848 * kN},
		{ingest.HookLoad, "0114 kN", "011485.2", 85.2 * kN},
		{ingest.HookLoad, "0114 tf", "0114102.04", 1000.670 * kN}, // 1 kdaN = 1.0197 tonne-force
		{ingest.DriveTorque, "0118 klbf.ft", "011820", 27.116359 * kN},
		{ingest.DriveTorque, "0118 kN.m", "011827.12", 27.12 * kN},
		{ingest.BrakePressure, "0121 psi", "01213000", 206.84272 * bar},
		{ingest.BrakePressure, "0121 kPa", "012120684.272", 206.84272 * bar},
		{ingest.BitDepth, "0108 ft", "01081000", 304.8},
		{ingest.BitDepth, "0108 m", "0108304.8", 304.8},
		{ingest.BlockHeight, "0112 ft", "0112102.50", 31.242},
		{ingest.BrakeTemperature, "0133 degF", "013368", 293.15},
		{ingest.BrakeTemperature, "0133 degC", "013320", 293.15},
		{ingest.DrumSpeed, "0120 rpm", "0120-42.5", -4.4505896},
		{ingest.DrumCounts, "0190 ", "019065530", 65530},
	} {
		d := newDecoder(t, mapping(t, map[ingest.Channel]string{c.channel: c.unit}), Options{})
		got := take(t, d, frame(c.item))
		if len(got.samples) != 1 || len(got.rejects) > 0 {
			t.Errorf("%s as %s: got %d samples and %q", c.item, c.unit, len(got.samples), got.rejects)
			continue
		}
		if v := got.samples[0].Values[c.channel]; v.Quality != ingest.Good || !(math.Abs(v.V-c.want) <= 1e-6*math.Abs(c.want)) {
			t.Errorf("%s as %s: got %.8g, %v, want %.8g", c.item, c.unit, v.V, v.Quality, c.want)
		}
	}
}

func TestBadItemsAreNeverNumbers(t *testing.T) {
	for _, c := range []struct{ name, items, want, rejects string }{
		{"typical", "0112102.50|011485.2", "hook_load=378988 block_height=31.242", ""},
		{"blanks about the value", "0114  85.2 ", "hook_load=378988", ""},
		{"plus", "0114+85.2", "hook_load=378988", ""},
		{"exponent", "01148.52e1|01121.025E+02", "hook_load=378988 block_height=31.242", ""},
		{"no digit before the point", "0114.5", "hook_load=2224.11", ""},
		{"text and items of others", "0101WELL!!A&&B|0113|0145drilling|011485.2", "hook_load=378988", ""},

		{"null", "0114-999.25|0112102.50", "hook_load=null block_height=31.242", "null: hook_load 0114-999.25"},
		{"null with zeros", "0114-999.2500", "hook_load=null", "null"},
		{"null through float32", "0114-999.250001", "hook_load=null", "null"},
		{"another null", "0114-9999", "hook_load=null", "null"},
		{"null before conversion", "0112-999.25", "block_height=null", "null"}, // not -304.571 m
		{"-999 is no null of this source", "0112-999", "block_height=-304.495", ""},
		{"a depth like the null", "0112999.25", "block_height=304.571", ""},
		{"a small negative", "0114-0.0733", "hook_load=-326.055", ""},
		{"asterisks", "0114****", "hook_load=null", "null"},
		{"(null)", "0114(null)", "hook_load=null", "null"},
		{"dashes", "0114--", "hook_load=null", "null"},
		{"no value", "0114|0112102.50", "hook_load=null block_height=31.242", "null"},
		{"blank value", "0114   ", "hook_load=null", "null"},

		{"decimal comma", "011485,2", "hook_load=not a number", "not a number: hook_load 011485,2"},
		{"thousands", "01141,085.2", "hook_load=not a number", "not a number"},
		{"text", "0114high|0112102.50", "hook_load=not a number block_height=31.242", "not a number"},
		{"infinite", "0114Inf", "hook_load=not a number", "not a number"},
		{"NaN", "0114NaN", "hook_load=not a number", "not a number"},
		{"hexadecimal", "01140x1p4", "hook_load=not a number", "not a number"},
		{"underscore", "01141_000", "hook_load=not a number", "not a number"},
		{"two points", "01141000.0.85", "hook_load=not a number", "not a number"},
		{"two numbers", "011485.2 85.3", "hook_load=not a number", "not a number"},
		{"past any float", "01141e400", "hook_load=not a number", "not a number"},
		{"past any float in the unit", "01141e306", "hook_load=not a number", "not a number"},
		{"many digits", "0114" + strings.Repeat("9", 400), "hook_load=not a number", "not a number"},
		{"many digits behind the point", "011485.2" + strings.Repeat("0", 400) + "1", "hook_load=378988", ""},
		{"out of range", "01141e10", "hook_load=out of range", "out of range"},
		{"NUL in the value", "011485\x002", "hook_load=not a number", "not a number"},

		{"twice", "011485.2|011486|0112102.50", "hook_load=named twice block_height=31.242", "duplicate key"},
		{"twice the same", "011485.2|011485.2", "hook_load=named twice", "duplicate key"},
		{"a line that is no item", "85.2|0112102.50", "block_height=31.242", "broken line: 85.2"},
		{"three digits", "011|0112102.50", "block_height=31.242", "broken line"},
		{"letters for digits", "01I485.2|0112102.50", "block_height=31.242", "broken line"},
		{"items of others alone", "010826|0110", "", "no known channel"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := take(t, newDecoder(t, mapping(t, typical), Options{}), frame(strings.Split(c.items, "|")...))
			if got.words() != c.want {
				t.Errorf("got %q, want %q", got.words(), c.want)
			}
			if c.rejects == "" && len(got.rejects) > 0 || c.rejects != "" && (len(got.rejects) != 1 || !strings.HasPrefix(got.rejects[0], c.rejects)) {
				t.Errorf("rejects %q, want %q", got.rejects, c.rejects)
			}
			for _, s := range got.samples {
				if !s.Time.Equal(noon) {
					t.Errorf("time %v, want %v", s.Time, noon)
				}
			}
		})
	}
}

// The mean of 80, no value and 82 is 81: what a gap is made of has no number.
func TestANullTakesNoPartInAMean(t *testing.T) {
	d := newDecoder(t, mapping(t, typical), Options{})
	got := take(t, d, frame("011480")+frame("0114-999.25")+frame("011482"))
	sum, n := 0.0, 0.0
	for _, s := range got.samples {
		if v, ok := s.Values[ingest.HookLoad].Float(); ok {
			sum, n = sum+v, n+1
		}
	}
	const klbf = 4448.2216
	if mean := sum / n / klbf; len(got.samples) != 3 || !(math.Abs(mean-81) < 1e-6) {
		t.Errorf("got the mean %v klbf of %d samples, want 81 of 3", mean, len(got.samples))
	}
}

func TestTimes(t *testing.T) {
	east := 5*time.Hour + 30*time.Minute
	for _, c := range []struct {
		name, items string
		zone        time.Duration
		want        time.Time // zero: no sample
		rejects     string
	}{
		{"UTC", "0105261124|0106120000", 0, noon, ""},
		{"east of Greenwich", "0105261124|0106173000", east, noon, ""},
		{"west of Greenwich, the day before", "0105261124|0106060000", -6 * time.Hour, noon, ""},
		{"leading zeros lost", "0105261124|010663000", -330 * time.Minute, noon, ""},
		{"midnight as 0", "0105261125|01060", 12 * time.Hour, noon, ""},
		{"blanks", "0105 261124|0106 120000 ", 0, noon, ""},
		{"by the date of another record alone", "0205261124|0206120000", 0, noon, ""},
		{"no time", "0105261124", 0, time.Time{}, "no time: record 01 without items 05 and 06"},
		{"no date", "0106120000", 0, time.Time{}, "no time"},
		{"neither", "0113", 0, time.Time{}, "no time"},
		{"two other records", "0205261124|0206120000|0305261124|0306120000", 0, time.Time{}, "no time"},
		{"twice", "0105261124|0106120000|0106120001", 0, time.Time{}, "duplicate key: the time of record 01"},
		{"a day that is not", "0105260230|0106120000", 0, time.Time{}, "bad time: 0105260230 0106120000"},
		{"hour 24", "0105261124|0106240000", 0, time.Time{}, "bad time"},
		{"second 60", "0105261124|0106115960", 0, time.Time{}, "bad time"},
		{"slashes", "010526/11/24|010612:00:00", 0, time.Time{}, "bad time"},
		{"eight digits", "010520261124|0106120000", 0, time.Time{}, "bad time"},
		{"no value for the time", "0105261124|0106", 0, time.Time{}, "bad time"},
		{"a day ahead", "0105261125|0106120000", 0, noon, "clock ahead: 2026-11-25T12:00:00Z, 24h0m0s ahead of receipt"},
		{"the zone an hour out", "0105261124|0106120000", time.Hour, time.Time{}, "far past: 2026-11-24T11:00:00Z, 1h0m0s behind receipt"},
		{"in 2099", "0105991124|0106120000", 0, noon, "clock ahead"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDecoder(t, mapping(t, typical), Options{Zone: c.zone})
			got := take(t, d, "&&\r\n011485.2\r\n"+strings.ReplaceAll(c.items, "|", "\r\n")+"\r\n!!\r\n")
			if c.want.IsZero() != (len(got.samples) == 0) || len(got.samples) > 0 && !got.samples[0].Time.Equal(c.want) {
				t.Errorf("got %v, want one at %v", got.samples, c.want)
			}
			if c.rejects == "" && len(got.rejects) > 0 || c.rejects != "" && (len(got.rejects) != 1 || !strings.HasPrefix(got.rejects[0], c.rejects)) {
				t.Errorf("rejects %q, want %q", got.rejects, c.rejects)
			}
			if ahead := strings.HasPrefix(c.rejects, "clock ahead"); len(got.samples) > 0 &&
				(got.samples[0].Values[ingest.HookLoad].Quality == ingest.Uncertain) != ahead {
				t.Errorf("quality %v with ahead %v", got.samples[0].Values[ingest.HookLoad].Quality, ahead)
			}
		})
	}
}

func TestReceiptClockNeedsNoStamp(t *testing.T) {
	m := mapping(t, typical)
	m.Clock = ingest.ReceiptClock
	got := take(t, newDecoder(t, m, Options{}), "&&\r\n011485.2\r\n!!\r\n&&\r\n0105999999\r\n011485.2\r\n233301\r\n!!\r\n")
	if len(got.samples) != 2 || len(got.rejects) > 0 || !got.samples[1].Time.Equal(noon) {
		t.Errorf("got %v and %q, want two samples at the receipt", got.samples, got.rejects)
	}
}

// One sample a record, each at its own time.
func TestRecordsOfOneFrameHaveTheirOwnTimes(t *testing.T) {
	d := newDecoder(t, mapping(t, map[ingest.Channel]string{
		ingest.HookLoad: "0114 klbf", ingest.BlockHeight: "0513 ft", ingest.BitDepth: "0508 ft",
	}), Options{})
	got := take(t, d, "&&\n051350\n05081000\n0505261124\n0506115958\n"+"0105261124\n0106120000\n011485.2\n!!\n")
	if want := "hook_load=378988 | block_height=15.24 bit_depth=304.8"; got.words() != want || len(got.rejects) > 0 {
		t.Fatalf("got %q and %q, want %q", got.words(), got.rejects, want)
	}
	if a, b := got.samples[0].Time, got.samples[1].Time; !a.Equal(noon) || !b.Equal(noon.Add(-2*time.Second)) {
		t.Errorf("got the times %v and %v", a, b)
	}
}

// Record 23 may contradict the site file midway: then the channels concerned stop,
// with what both say, until it says otherwise.
func TestRecord23IsHeldAgainstTheUnits(t *testing.T) {
	d := newDecoder(t, mapping(t, map[ingest.Channel]string{
		ingest.HookLoad: "0114 klbf", ingest.BlockHeight: "0112 m", ingest.DrumSpeed: "0160 rpm", ingest.BrakePressure: "0161 bar",
	}), Options{})
	values := frame("011485.2", "011231", "016042", "01617.5")
	all := "hook_load=378988 block_height=31 drum_speed=4.39823 brake_pressure=750000"
	step := func(stream, want string, rejects ...string) {
		t.Helper()
		got := take(t, d, stream)
		if got.words() != want || !slices.Equal(got.rejects, rejects) {
			t.Errorf("%q\n got %q, %q\nwant %q, %q", stream, got.words(), got.rejects, want, rejects)
		}
	}
	const (
		force    = "unit conflict: hook_load 0114: record 23 says METRIC, so kdaN; the site file says klbf"
		length   = "unit conflict: block_height 0112: record 23 says FPS, so ft; the site file says m"
		pressure = "unit conflict: brake_pressure 0161: record 23 says FPS, so psi; the site file says bar"
	)
	step(values, all) // it may never be sent
	step("&&\n2332METRIC\n!!\n", "")
	step(values, "hook_load=unit conflict block_height=31 drum_speed=4.39823 brake_pressure=750000", force)
	step(frame("011486", "2332 fps "), "hook_load=382547") // within the same frame too
	step(values, "hook_load=378988 block_height=unit conflict drum_speed=4.39823 brake_pressure=unit conflict", length, pressure)
	step("&&\n2332\n!!\n", "") // says nothing, changes nothing
	step(values, "hook_load=378988 block_height=unit conflict drum_speed=4.39823 brake_pressure=unit conflict", length, pressure)
	step("&&\n2332furlongs\n!!\n", "", `unit conflict: record 23 item 32: got the system "furlongs", want METRIC or FPS`)
	step(frame("0114-999.25"), "hook_load=null", "null: hook_load 0114-999.25")
}

// A kdaN is 10 kN: a site file that takes it for a kN is refused as soon as record
// 23 says metric. A calibration near 1 is none of that, and a scale of 10 is.
func TestKdaNIsNotKN(t *testing.T) {
	for _, c := range []struct {
		unit  string
		scale float64
		good  bool
	}{{"0114 kN", 1, false}, {"0114 kdaN", 1, true}, {"0114 kdaN", 1.02, true}, {"0114 kN", 10, true}, {"0114 tf", 1, false}, {"0114 daN", 1000, true}} {
		m := mapping(t, map[ingest.Channel]string{ingest.HookLoad: c.unit})
		m.Channels[ingest.HookLoad].Scale = c.scale
		got := take(t, newDecoder(t, m, Options{}), frame("2332METRIC", "011485.2"))
		if good := got.samples[0].Values[ingest.HookLoad].Quality == ingest.Good; good != c.good {
			t.Errorf("%s times %v under METRIC: got good %v, want %v", c.unit, c.scale, good, c.good)
		}
	}
}

func TestRecord23IsHeldAgainstTheZone(t *testing.T) {
	zone := 5*time.Hour + 30*time.Minute
	for _, c := range []struct {
		says  string
		agree bool
	}{{"5.5", true}, {"530", true}, {"+530", true}, {"53000", true}, {"330", true}, {"5", false}, {"-5.5", false}, {"0", false}, {"-530", false}, {"CET", false}} {
		d := newDecoder(t, mapping(t, typical), Options{Zone: zone})
		got := take(t, d, "&&\n2333"+c.says+"\n0105261124\n0106172958\n011485.2\n!!\n")
		if len(got.samples) != 1 {
			t.Fatalf("%s: %d samples", c.says, len(got.samples))
		}
		v, at := got.samples[0].Values[ingest.HookLoad], got.samples[0].Time
		if c.agree && (v.Quality != ingest.Good || !at.Equal(noon.Add(-2*time.Second)) || len(got.rejects) > 0) {
			t.Errorf("%s: got %v at %v and %q, want it good at its stamp", c.says, v, at, got.rejects)
		}
		want := "zone conflict: record 23 item 33 says " + c.says + ", the site file +05:30"
		if !c.agree && (v.Quality != ingest.Uncertain || !at.Equal(noon) || !slices.Equal(got.rejects, []string{want})) {
			t.Errorf("%s: got %v at %v and %q, want it uncertain at the receipt, and %q", c.says, v, at, got.rejects, want)
		}
	}
}

func TestIgnoredRecord23(t *testing.T) {
	d := newDecoder(t, mapping(t, typical), Options{IgnoreDeclared: true})
	got := take(t, d, frame("2332METRIC", "233306", "011485.2"))
	if got.words() != "hook_load=378988" || len(got.rejects) > 0 || got.samples[0].Values[ingest.HookLoad].Quality != ingest.Good {
		t.Errorf("got %q and %q, want the reading as the site file has it", got.words(), got.rejects)
	}
}

func TestMappingsThatCannotWork(t *testing.T) {
	for field, good := range map[string]bool{"0114": true, "9999": true, "114": false, "01140": false, "hook": false, "011a": false, "0105": false, "0506": false, "2332": false, "2333": false, "": false} {
		m := mapping(t, map[ingest.Channel]string{ingest.HookLoad: field + " klbf"})
		if _, err := NewDecoder(m, Options{}); (err == nil) != good {
			t.Errorf("field %q: got %v, want good %v", field, err, good)
		}
	}
	m := mapping(t, map[ingest.Channel]string{ingest.HookLoad: "0114 klbf", ingest.DeadLineTension: "0114 klbf"})
	if _, err := NewDecoder(m, Options{}); err == nil {
		t.Error("two channels from one item: no error")
	}
}

// A message that is no frame gives no sample, whatever is in it.
func TestOnlyWholeFramesAreDecoded(t *testing.T) {
	d := newDecoder(t, mapping(t, typical), Options{})
	for _, payload := range []string{"", "&&", "&&\r\n", "&&\r\n011485.2\r\n", "011485.2\r\n!!\r\n", "&&\r\n011485.2!!\r\n", "&&\r\n!!\r\n", "&&011485.2\r\n!!\r\n"} {
		var got decoded
		d.Decode(&ingest.Message{Payload: []byte(payload), Received: noon}, got.sink())
		if len(got.samples) != 0 || len(got.rejects) != 1 {
			t.Errorf("%q: got %d samples and %q, want one reject alone", payload, len(got.samples), got.rejects)
		}
	}
}

// Whatever stands between the delimiters, no sample holds a number that is not
// finite or out of range, and nothing is kept of one frame for the next.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		frame("0112102.50", "011485.2"), frame("0114-999.25", "2332METRIC", "233306"), frame("011485,2", "0114", "01141e400"),
		"&&\r\n!!\r\n", "&&\r\n0105261124\r\n!!\r\n", "&&\r\n0505261124\r\n0506000000\r\n051310\r\n!!\r\n", "0114",
	} {
		f.Add([]byte(seed))
	}
	m := mapping(f, map[ingest.Channel]string{ingest.HookLoad: "0114 klbf", ingest.BlockHeight: "0112 ft", ingest.BitDepth: "0508 m", ingest.CrownSaver: "0190 "})
	f.Fuzz(func(t *testing.T, data []byte) {
		run := func(d *Decoder) (got decoded) {
			d.Decode(&ingest.Message{Rig: "R1", Payload: data, Received: noon}, got.sink())
			return got
		}
		d := newDecoder(t, m, Options{IgnoreDeclared: true})
		first := run(d)
		for _, s := range first.samples {
			for c := range ingest.NumChannels {
				v, ok := s.Values[c].Float()
				if ok && !(v >= m.Channels[c].Low && v <= m.Channels[c].High) || s.Has == 0 {
					t.Fatalf("%s is %v", c, v)
				}
			}
			if s.Time.Sub(noon) > m.MaxAhead || noon.Sub(s.Time) > m.MaxBehind {
				t.Fatalf("time %v", s.Time)
			}
		}
		if len(first.samples)+len(first.rejects) == 0 && !d.declared.here {
			t.Fatal("neither a sample nor a reject")
		}
		if again := run(d); again.words() != first.words() || !slices.Equal(again.rejects, first.rejects) {
			t.Fatalf("the second time: got %q, %q, want %q, %q", again.words(), again.rejects, first.words(), first.rejects)
		}
		run(newDecoder(t, m, Options{}))
	})
}
