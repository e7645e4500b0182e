package fieldcsv

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/units"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var exactly = cmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) })

func read(t testing.TB, text string, o Options) ([]ingest.Sample, *Reader) {
	t.Helper()
	r, err := New(strings.NewReader(text), o)
	if err != nil {
		t.Fatal(err)
	}
	return drain(t, r), r
}

func drain(t testing.TB, r *Reader) []ingest.Sample {
	t.Helper()
	var all []ingest.Sample
	for s, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	return all
}

// show writes samples in a line: seconds since 1970, then each value or why not.
func show(all []ingest.Sample) string {
	var b strings.Builder
	for _, s := range all {
		fmt.Fprintf(&b, "%s", s.Time.Format("15:04:05.999999999"))
		for c := range ingest.NumChannels {
			if !s.Named(c) {
				continue
			}
			if x, ok := s.Values[c].Float(); ok {
				fmt.Fprintf(&b, " %.15g", x)
			} else {
				fmt.Fprintf(&b, " (%s)", s.Values[c].Reason)
			}
		}
		b.WriteString("; ")
	}
	return strings.TrimSuffix(b.String(), "; ")
}

func problems(r *Reader) string {
	var all []string
	for _, p := range r.Problems() {
		all = append(all, fmt.Sprintf("%d×%s@%d", p.Count, p.Kind, p.Line))
	}
	return strings.Join(all, ", ")
}

func TestRows(t *testing.T) {
	null := Options{Nulls: []float64{-999.25}}
	const head = "time[s],hook_load[kN],block_height[m]\n"
	for _, c := range []struct {
		name, text string
		o          Options
		want       string
		problems   string
	}{
		{"plain", head + "1,2,3\n2,3,4\n", Options{}, "00:00:01 2000 3; 00:00:02 3000 4", ""},
		{"no end of line at the end", head + "1,2,3", Options{}, "00:00:01 2000 3", ""},
		{"carriage returns, byte order mark, blank lines", "\ufeff" + "time[s],hook_load[N]\r\n\r\n1,2\r\n   \r\n2,3\r\n", Options{}, "00:00:01 2; 00:00:02 3", ""},
		{"spaces", "time[s] , hook_load [ kN ]\n 1 , 2 \n", Options{}, "00:00:01 2000", ""},
		{"quoted", "\"time[s]\",\"hook_load[kN]\"\n\"1\",\"2\"\n", Options{}, "00:00:01 2000", ""},
		{"a quotation that is not closed takes one line", head + "1,\"2,3\n2,3,4\n", Options{}, "00:00:01 (not a number) (absent); 00:00:02 3000 4", "1×short row@2, 1×no number in hook_load@2"},
		{"empty is no value", head + "1,,3\n2,3,\n", Options{}, "00:00:01 (null) 3; 00:00:02 3000 (null)", ""},
		{"a null number, however it is written", head + "1,-999.25,-999.2500\n2,-9.9925e2,-999.2\n", null, "00:00:01 (null) (null); 00:00:02 (null) -999.2", ""},
		{"a null number is meant before conversion", "time[s],block_height[ft]\n1,-999.25\n", null, "00:00:01 (null)", ""},
		{"text in a number", head + "1,n/a,3\n2,1e,3\n3,4,x\n", Options{}, "00:00:01 (not a number) 3; 00:00:02 (not a number) 3; 00:00:03 4000 (not a number)", "2×no number in hook_load@2, 1×no number in block_height@4"},
		{"not finite", head + "1,NaN,3\n2,-Inf,3\n3,1e308,4\n", Options{}, "00:00:01 (not a number) 3; 00:00:02 (not a number) 3; 00:00:03 (not a number) 4", "3×no finite number in hook_load@2"},
		{"hexadecimal and underscores are text", head + "1,0x10,3\n2,1_0,3\n", Options{}, "00:00:01 (not a number) 3; 00:00:02 (not a number) 3", "2×no number in hook_load@2"},
		{"short rows", head + "1,2\n2\n3,4,5\n", Options{}, "00:00:01 2000 (absent); 00:00:02 (absent) (absent); 00:00:03 4000 5", "2×short row@2"},
		{"cut off in the last row", head + "1,2,3\n2,19", Options{}, "00:00:01 2000 3; 00:00:02 (absent) (absent)", "1×torn row@3"},
		{"a long row is not believed", head + "1,2,5,3\n2,3,4\n", Options{}, "00:00:01 (wrong type) (wrong type); 00:00:02 3000 4", "1×long row@2"},
		{"commas at the end are nothing", head + "1,2,3,,\n", Options{}, "00:00:01 2000 3", ""},
		{"time repeated and backward", head + "1,2,3\n1,2,3\n0.5,2,3\n2,2,3\n", Options{}, "00:00:01 2000 3; 00:00:01 2000 3; 00:00:00.5 2000 3; 00:00:02 2000 3", "1×time repeated@3, 1×time backward@4"},
		{"rows without a time", head + ",2,3\nnoon,2,3\n1e30,2,3\nNaN,2,3\n5,2,3\n", Options{}, "00:00:05 2000 3", "1×no time@2, 3×impossible time@3"},
		{"dates that are impossible", "time,hook_load[N]\n2026-02-29T00:00:00Z,1\n2026-11-24T24:00:00Z,1\n2026-11-24T12:00:00,1\n0001-01-01T00:00:00Z,1\n2026-11-24T12:00:00Z,1\n", Options{}, "12:00:00 1", "4×impossible time@2"},
		{"offsets", "time,hook_load[N]\n2026-11-24T12:00:00.123456789+05:30,1\n", Options{}, "06:30:00.123456789 1", ""},
		{"milliseconds", "time[ms],hook_load[N]\n1500,1\n1500.0005,1\n", Options{}, "00:00:01.5 1; 00:00:01.5000005 1", ""},
		{"counts and on/off", "time[s],drum_counts,drive_engaged\n1,12345678901,1\n", Options{}, "00:00:01 12345678901 1", ""},
		{"degrees and turns", "time[s],drum_speed[rpm],brake_temperature[degC]\n1,30,26.85\n", Options{}, "00:00:01 3.14159265358979 300", ""},
		{"a channel unknown is left out", "time[s],mud_weight[kg/m3],hook_load[N]\n1,x,2\n", Options{}, "00:00:01 2", ""},
		{"foreign headings", "Date,Hook Load,Flow\n2026-11-24T12:00:00Z,1,2\n", Options{Columns: mustColumns(t, "Date=time", "Hook Load=hook_load[klbf]")}, "12:00:00 4448.2216152605", ""},
		{"a mapping goes before the heading", "time[s],hook_load[N]\n1,2\n", Options{Columns: mustColumns(t, "hook_load[N]=hook_load[kN]")}, "00:00:01 2000", ""},
		{"no headings", "0.5,7,2\n1.5,7,3\n", Options{Columns: mustColumns(t, "1=time[s]", "3=hook_load[N]")}, "00:00:00.5 2; 00:00:01.5 3", ""},
		{"numbers of columns where there are headings", "a,b\n1,2\n", Options{Columns: mustColumns(t, "1=time[s]", "2=hook_load[N]")}, "00:00:01 2", ""},
		{"headings that are numbers, told so", "1,2\n3,4\n", Options{Header: HeaderPresent, Columns: mustColumns(t, "1=time[s]", "2=hook_load[N]")}, "00:00:03 4", ""},
		{"semicolons", "time[s];hook_load[N]\n1;2\n", Options{Comma: ';'}, "00:00:01 2", ""},
		{"headings only", head, Options{}, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			all, r := read(t, c.text, c.o)
			if got := show(all); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
			if got := problems(r); got != c.problems {
				t.Errorf("got problems %s, want %s", got, c.problems)
			}
		})
	}
}

func TestHeadMistakesComeTogether(t *testing.T) {
	for _, c := range []struct {
		name, text string
		o          Options
		want       []string
	}{
		{"nothing", "", Options{}, []string{"got no row"}},
		{"blank", "\n \n", Options{}, []string{"got no row"}},
		{"units", "time[s],hook_load,block_height[kN],drum_speed[turns],brake_pressure[MPa,hook_load[kN]\n", Options{}, []string{
			`column 2: got "hook_load" without a unit, want a unit of force in brackets, such as hook_load[N]`,
			`column 3: got the unit "kN" in "block_height[kN]", a unit of force, want one of length`,
			`column 4: got the unit "turns" in "drum_speed[turns]", which is not known, want a unit of rotation speed`,
			`column 5: got "brake_pressure[MPa", want the unit closed by "]"`,
		}},
		{"no time, no channel", "a,b\n", Options{}, []string{"got no column of time", "got no column of a channel"}},
		{"twice", "time[s],time,hook_load[N],hook_load[kN]\n", Options{}, []string{"column 2: got time a second time, first in column 1", "column 4: got hook_load a second time, first in column 3"}},
		{"mapping to nothing", "time[s],hook_load[N]\n", Options{Columns: mustColumns(t, "Hook=hook_load[kN]", "9=block_height[m]", "2=hook_load[kN]", "hook_load[N]=hook_load[kN]")}, []string{
			`column "Hook": got no such heading, want one of "time[s]", "hook_load[N]"`, `column 9: got a file of 2 columns`, `column 2: is mapped twice`}},
		{"no headings and none named", "1,2\n", Options{}, []string{"got no column of time"}},
		{"no headings and a heading named", "1,2\n", Options{Columns: mustColumns(t, "Hook=hook_load[kN]")}, []string{"a file without headings"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := New(strings.NewReader(c.text), c.o)
			if err == nil {
				t.Fatal("got no error")
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("got %v\nwant in it %s", err, w)
				}
			}
		})
	}
}

func TestParseColumn(t *testing.T) {
	for text, want := range map[string]Column{
		"Hook Load=hook_load[klbf]": {Heading: "Hook Load", Meaning: "hook_load[klbf]"},
		" a=b = time ":              {Heading: "a=b", Meaning: "time"},
		"4=drum_counts":             {Heading: "4", Number: 4, Meaning: "drum_counts"},
	} {
		if got, err := ParseColumn(text); err != nil || got != want {
			t.Errorf("%q: got %+v, %v, want %+v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "=", "hook_load[kN]", "=hook_load[kN]", "a=", "a=hook_load", "a=mud[kN]", "a=hook_load[m]", "0=time[s]", "-1=time[s]"} {
		if c, err := ParseColumn(text); err == nil {
			t.Errorf("%q: got %+v, want an error", text, c)
		}
	}
}

func TestNotesAndChannels(t *testing.T) {
	_, r := read(t, "time[s],gas[%],hook_load[N],drum_counts\n", Options{})
	if n := r.Notes(); len(n) != 1 || n[0] != `column 2, "gas[%]", is no channel and is left out` {
		t.Errorf("got notes %q", n)
	}
	if c := r.Channels(); !slices.Equal(c, []ingest.Channel{ingest.HookLoad, ingest.DrumCounts}) {
		t.Errorf("got channels %v", c)
	}
}

func TestCountsOfSecondsAreExact(t *testing.T) {
	for text, want := range map[string]int64{
		"1795521600.1": 1795521600100000000, "1795521600.123456789": 1795521600123456789,
		"-0.000000001": -1, ".5": 500000000, "5.": 5000000000, "+1": 1000000000, "0.0000000004": 0, "0.0000000006": 1,
		"1e3": 1000000000000, "9223372036": 9223372036000000000, "-9223372036.5": -9223372036500000000,
	} {
		if got, err := parseCount(text, SI(units.Time)); err != nil || got != want {
			t.Errorf("%s s: got %d ns, %v, want %d", text, got, err, want)
		}
	}
	for _, text := range []string{"9223372037", "-1e10", "1e999", "nan", "", "1.2.3", "--1", "1 "} {
		if got, err := parseCount(text, SI(units.Time)); err == nil {
			t.Errorf("%s s: got %d ns, want an error", text, got)
		}
	}
}

func TestGzipAndItsTornEnd(t *testing.T) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	fmt.Fprint(z, "time[s],hook_load[N]\n")
	for i := range 5000 {
		fmt.Fprintf(z, "%d,%g\n", i, math.Sin(float64(i)))
	}
	z.Close()
	r, err := New(bytes.NewReader(b.Bytes()), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(drain(t, r)); n != 5000 {
		t.Errorf("got %d samples, want 5000", n)
	}
	r, err = New(bytes.NewReader(b.Bytes()[:b.Len()/2]), Options{})
	if err != nil {
		t.Fatal(err)
	}
	n, fault := 0, error(nil)
	for _, err := range r.All() {
		if fault = err; err == nil {
			n++
		}
	}
	if n < 1000 || !errors.Is(fault, io.ErrUnexpectedEOF) || !strings.Contains(fault.Error(), "after line") {
		t.Errorf("got %d samples and %v, want what is there and an error with the line", n, fault)
	}
}

func TestAFaultOfTheMediumIsAnError(t *testing.T) {
	broken := errors.New("the medium is broken")
	in := io.MultiReader(strings.NewReader("time[s],hook_load[N]\n1,2\n2,"), iotest.ErrReader(broken))
	r, err := New(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var fault error
	n := 0
	for _, err := range r.All() {
		if fault = err; err == nil {
			n++
		}
	}
	if n != 1 || !errors.Is(fault, broken) {
		t.Errorf("got %d samples and %v, want one and that the medium is broken", n, fault)
	}
	if _, err := New(strings.NewReader(strings.Repeat("x", 2*maxLine)), Options{}); err == nil {
		t.Error("a line without end was read")
	}
}

func of(all []ingest.Sample) iter.Seq2[ingest.Sample, error] {
	return func(yield func(ingest.Sample, error) bool) {
		for _, s := range all {
			if !yield(s, nil) {
				return
			}
		}
	}
}

func TestWrittenSamplesComeBackExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all []ingest.Sample
		at := rapid.Int64Range(-9e18, 9e18)
		for range rapid.IntRange(1, 10).Draw(t, "n") {
			s := ingest.Sample{Time: time.Unix(0, at.Draw(t, "time")).UTC()}
			for c := range ingest.NumChannels {
				v := ingest.BadValue(ingest.Null)
				if rapid.Bool().Draw(t, "there") {
					v = ingest.Number(rapid.Float64().Draw(t, "v"))
				}
				s.Set(c, v)
			}
			all = append(all, s)
		}
		var b bytes.Buffer
		if err := Write(&b, of(all), WriteOptions{}); err != nil {
			t.Fatal(err)
		}
		r, err := New(bytes.NewReader(b.Bytes()), Options{})
		if err != nil {
			t.Fatal(err)
		}
		var got []ingest.Sample
		for s, err := range r.All() {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, s)
		}
		if d := cmp.Diff(all, got, exactly); d != "" {
			t.Fatal(d)
		}
		for _, p := range r.Problems() {
			if !strings.HasPrefix(p.Kind, "time ") {
				t.Fatal(p)
			}
		}
	})
}

func TestWriteForm(t *testing.T) {
	s := ingest.Sample{Time: time.Date(2026, 11, 24, 13, 0, 0, 100e6, time.FixedZone("", 3600))}
	s.Set(ingest.HookLoad, ingest.Number(1471e3))
	s.Set(ingest.BlockHeight, ingest.BadValue(ingest.Lost))
	s.Values[ingest.DrumSpeed] = ingest.Number(1) // not named by the message
	kN, _ := units.Lookup("kN")
	var b strings.Builder
	err := Write(&b, of([]ingest.Sample{s}), WriteOptions{
		Channels: []ingest.Channel{ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.DrumCounts},
		Units:    map[ingest.Channel]units.Unit{ingest.HookLoad: kN},
	})
	want := "time,hook_load[kN],block_height[m],drum_speed[rad/s],drum_counts\n2026-11-24T12:00:00.100Z,1471,,,\n"
	if err != nil || b.String() != want {
		t.Errorf("got %v\n%s\nwant\n%s", err, b.String(), want)
	}
	if err := Write(&b, of(nil), WriteOptions{Units: map[ingest.Channel]units.Unit{ingest.BlockHeight: kN}}); err == nil {
		t.Error("a height was written in kN")
	}
	if err := Write(failing{}, of([]ingest.Sample{s}), WriteOptions{}); !errors.Is(err, io.ErrShortWrite) {
		t.Errorf("got %v, want the fault of the medium", err)
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, io.ErrShortWrite }
