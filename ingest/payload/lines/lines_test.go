package lines

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// ns is noon in the format's own precision.
const ns = "1795521600000000000"

func mapping(t testing.TB, channels map[ingest.Channel]string) *ingest.Mapping {
	t.Helper()
	m := &ingest.Mapping{TimeField: "t", MaxAhead: 5 * time.Second, MaxBehind: time.Minute}
	for c, text := range channels {
		field, symbol, _ := strings.Cut(text, " ")
		u, ok := units.Lookup(symbol)
		if !ok {
			t.Fatalf("no unit %q", symbol)
		}
		m.Channels[c] = ingest.ChannelMap{Mapped: true, Field: field, Unit: u, Scale: 1, Low: -1e12, High: 1e12, Nulls: []float64{-999.25}}
	}
	return m
}

var typical = map[ingest.Channel]string{
	ingest.HookLoad: "hkld kN", ingest.BlockHeight: "height m", ingest.DrumCounts: "counts ", ingest.DriveEngaged: "engaged ", ingest.BrakePressure: "brake.p bar",
}

type decoded struct {
	samples []ingest.Sample
	rigs    []string
	rejects []string
}

func (d *decoded) sink() ingest.Sink {
	return ingest.SinkFuncs{
		OnSample: func(rig string, s *ingest.Sample) { d.samples, d.rigs = append(d.samples, *s), append(d.rigs, rig) },
		OnReject: func(rig string, r ingest.Reject, what string) {
			d.rejects = append(d.rejects, r.String()+": "+what)
		},
	}
}

func decode(t testing.TB, o Options, payload string) (out decoded) {
	t.Helper()
	d, err := New(mapping(t, typical), o)
	if err != nil {
		t.Fatal(err)
	}
	d.Decode(&ingest.Message{Rig: "R1", Payload: []byte(payload), Received: noon}, out.sink())
	return out
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
				parts = append(parts, fmt.Sprintf("%s=%.9g", c, v.V))
			}
		}
		all = append(all, strings.Join(parts, " "))
	}
	return strings.Join(all, " | ")
}

func TestLines(t *testing.T) {
	at := " " + ns
	for _, c := range []struct{ name, payload, want, rejects string }{
		{"a line", "hoist,rig=R1 hkld=1471.5,height=18.25" + at, "hook_load=1471500 block_height=18.25", ""},
		{"integers", "hoist counts=65530i,hkld=85u" + at, "hook_load=85000 drum_counts=65530", ""},
		{"negative and exponent", "hoist hkld=-7.33e-2,height=1.825E1" + at, "hook_load=-73.3 block_height=18.25", ""},
		{"on and off", "hoist engaged=t" + at + "\nhoist engaged=FALSE " + "1795521601000000000", "drive_engaged=1 | drive_engaged=0", ""},
		{"on as a number", "hoist engaged=1i" + at, "drive_engaged=1", ""},
		{"a field of one measurement", "brake p=7.5" + at + "\npump p=99" + " 1795521601000000000", "brake_pressure=750000", "no known channel: pump"},
		{"measurements of one time are one sample", "a hkld=1" + at + "\nb height=2" + at + "\n", "hook_load=1000 block_height=2", ""},
		{"two times are two", "a hkld=1" + at + "\na hkld=2 1795521600100000000", "hook_load=1000 | hook_load=2000", ""},
		{"CRLF, blank lines and comments", "# who\r\n\r\nhoist hkld=1" + at + "\r\n\n# end", "hook_load=1000", ""},
		{"escapes", `my\ hoist,well\ no=A\,\ 1 hkld=1` + at, "hook_load=1000", ""},
		{"text beside", `hoist note="a, b=c \"d\"",hkld=1` + at, "hook_load=1000", ""},
		{"text over two lines", "hoist note=\"a\nhoist hkld=7\",hkld=1" + at, "hook_load=1000", ""},

		{"a bad line between good ones", "a hkld=1" + at + "\na hkld=" + at + "\na height=3" + at, "hook_load=1000 block_height=3", "broken line: field value has unrecognized type"},
		{"a mark not closed takes no line along", "a note=\"x,hkld=1" + at + "\na height=3" + at + "\na hkld=2" + at, "hook_load=2000 block_height=3", "broken line"},
		{"no field", "hoist" + at + "\na hkld=1" + at, "hook_load=1000", "broken line"},
		{"NaN", "a hkld=NaN" + at, "", "broken line"},
		{"decimal comma", "a hkld=85,2" + at, "", "broken line"},
		{"binary", "\x00\x01\x02", "", "broken line"},
		{"JSON", `{"hkld":85}`, "", "broken line"},
		{"half a line", "a hkld=1,heig", "", "broken line"},
		{"empty", " \r\n ", "", "empty payload"},
		{"comments alone", "# nothing", "", ""},

		{"null", "a hkld=-999.25,height=1" + at, "hook_load=null block_height=1", "null: hook_load"},
		{"past any float", "a hkld=1e999,height=1" + at, "hook_load=not a number block_height=1", "not a number: hook_load"},
		{"past any integer", "a counts=99999999999999999999i,height=1" + at, "block_height=1 drum_counts=not a number", "not a number"},
		{"out of range", "a hkld=1e10" + at, "hook_load=out of range", "out of range"},
		{"text for a number", `a hkld="85",height=1` + at, "hook_load=wrong type block_height=1", "wrong type: hook_load"},
		{"on/off for a number", "a hkld=true,height=1" + at, "hook_load=wrong type block_height=1", "wrong type"},
		{"half on", "a engaged=0.5" + at, "drive_engaged=out of range", "out of range"},
		{"twice in a line", "a hkld=1,hkld=2,height=1" + at, "hook_load=named twice block_height=1", "duplicate key: hook_load"},
		{"twice at one time", "a hkld=1" + at + "\nb hkld=2" + at, "hook_load=named twice", "duplicate key: hook_load"},

		{"no time", "a hkld=1", "", "no time"},
		{"time past the clock", "a hkld=1 99999999999999999999", "", "bad time"},
		{"time with a point", "a hkld=1 1795521600.5", "", "bad time"},
		{"time in milliseconds, read as ns", "a hkld=1 1795521600000", "", "far past: 1970-01-01T00:29:55.5216Z"},
		{"two days ahead", "a hkld=1 1795694400000000000", "hook_load=1000", "clock ahead"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := decode(t, Options{}, c.payload)
			if got.words() != c.want {
				t.Errorf("got %q, want %q", got.words(), c.want)
			}
			if c.rejects == "" && len(got.rejects) > 0 || c.rejects != "" && (len(got.rejects) != 1 || !strings.HasPrefix(got.rejects[0], c.rejects)) {
				t.Errorf("rejects %q, want %q", got.rejects, c.rejects)
			}
			if ahead := strings.HasPrefix(c.rejects, "clock ahead"); ahead && (got.samples[0].Values[ingest.HookLoad].Quality != ingest.Uncertain || !got.samples[0].Time.Equal(noon)) {
				t.Errorf("got %+v, want it uncertain at the receipt", got.samples[0].Values[ingest.HookLoad])
			}
		})
	}
}

func TestPrecisions(t *testing.T) {
	for precision, stamp := range map[string]string{"": ns, "ns": ns, "us": "1795521600000000", "ms": "1795521600000", "s": "1795521600"} {
		got := decode(t, Options{Precision: precision}, "a hkld=1 "+stamp)
		if len(got.samples) != 1 || !got.samples[0].Time.Equal(noon) || len(got.rejects) > 0 {
			t.Errorf("%s: got %v and %q, want noon", precision, got.samples, got.rejects)
		}
	}
	if _, err := New(mapping(t, typical), Options{Precision: "min"}); err == nil {
		t.Error("precision min: no error")
	}
	got := decode(t, Options{Precision: "s"}, "a hkld=1 1795521600000") // milliseconds
	if len(got.samples) != 0 || len(got.rejects) != 1 || !strings.HasPrefix(got.rejects[0], "bad time") {
		t.Errorf("milliseconds read as seconds: got %v and %q, want a bad time", got.samples, got.rejects)
	}
}

func TestReceiptClock(t *testing.T) {
	m := mapping(t, typical)
	m.Clock = ingest.ReceiptClock
	d, err := New(m, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var got decoded
	d.Decode(&ingest.Message{Rig: "R1", Payload: []byte("a hkld=1\nb height=2\n"), Received: noon}, got.sink())
	if got.words() != "hook_load=1000 block_height=2" || !got.samples[0].Time.Equal(noon) {
		t.Errorf("got %q, %q, want one sample at the receipt", got.words(), got.rejects)
	}
}

func TestTheRigMayStandInATag(t *testing.T) {
	got := decode(t, Options{RigTag: "unit"}, "a,unit=R7 hkld=1 "+ns+"\na,unit=R8 hkld=2 "+ns+"\na hkld=3 "+ns)
	if want := []string{"R7", "R8", "R1"}; !slices.Equal(got.rigs, want) || got.words() != "hook_load=1000 | hook_load=2000 | hook_load=3000" {
		t.Errorf("got %q of %q, want a sample of each of %q", got.words(), got.rigs, want)
	}
	if got := decode(t, Options{}, "a,unit=R7 hkld=1 "+ns); !slices.Equal(got.rigs, []string{"R1"}) {
		t.Errorf("got %q: a tag that nobody asked for names the rig", got.rigs)
	}
}

// The historian's client writes the format by code of its own.
func TestWhatAnotherEncoderWrites(t *testing.T) {
	var text strings.Builder
	for i := range 3 {
		p := write.NewPoint("my hoist, no. 1", map[string]string{"well name": "A=1, \"B\""}, map[string]any{
			"hkld": 1471.123456789 + float64(i), "counts": int64(65530 + i), "engaged": i%2 == 0, "note": "line one\nhoist hkld=9 1\n\"quoted\" \\ end",
		}, noon.Add(time.Duration(i)*100*time.Millisecond+time.Nanosecond))
		text.WriteString(write.PointToLineProtocol(p, time.Nanosecond))
	}
	got := decode(t, Options{}, text.String())
	if len(got.samples) != 3 || len(got.rejects) > 0 {
		t.Fatalf("got %q and %q of\n%s", got.words(), got.rejects, text.String())
	}
	for i, s := range got.samples {
		if v := s.Values[ingest.HookLoad].V; !(math.Abs(v-1e3*(1471.123456789+float64(i))) < 1e-6) || s.Values[ingest.DrumCounts].V != float64(65530+i) ||
			s.Values[ingest.DriveEngaged].V != float64((i+1)%2) || !s.Time.Equal(noon.Add(time.Duration(i)*100*time.Millisecond+time.Nanosecond)) {
			t.Errorf("sample %d: got %+v", i, s)
		}
	}
}

func TestTooLarge(t *testing.T) {
	got := decode(t, Options{}, strings.Repeat("a hkld=1 "+ns+"\n", MaxSize/20))
	if len(got.samples) != 0 || len(got.rejects) != 1 || !strings.HasPrefix(got.rejects[0], "too large") {
		t.Errorf("got %d samples and %q", len(got.samples), got.rejects)
	}
}

// Whatever comes, no sample holds a number that is not finite or out of range, and
// nothing of one message is kept for the next.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		"hoist,rig=R1 hkld=1471.5,height=18.25 " + ns, "a hkld=1 " + ns + "\na hkld=\na height=3i " + ns, "a note=\"x\nb hkld=1 " + ns + "\n\"", "# c\n\na counts=1u,engaged=t",
		`m\ y,a\,b=c\=d k\ ey="v\"" 1`, "a hkld=-999.25,engaged=FALSE " + ns, "brake p=1e400 " + ns,
	} {
		f.Add([]byte(seed))
	}
	m := mapping(f, typical)
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := New(m, Options{RigTag: "rig"})
		if err != nil {
			t.Fatal(err)
		}
		run := func() (got decoded) {
			d.Decode(&ingest.Message{Rig: "R1", Payload: data, Received: noon}, got.sink())
			return got
		}
		first := run()
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
		if again := run(); again.words() != first.words() || !slices.Equal(again.rejects, first.rejects) {
			t.Fatalf("the second time: got %q, %q, want %q, %q", again.words(), again.rejects, first.words(), first.rejects)
		}
	})
}
