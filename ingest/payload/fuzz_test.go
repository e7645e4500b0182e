package payload

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"hoistward/ingest"
)

// checkSamples holds what must be true of any payload whatever.
func checkSamples(t interface{ Errorf(string, ...any) }, m *ingest.Mapping, got decoded) {
	for _, s := range got.samples {
		if s.Has == 0 || s.Has>>ingest.NumChannels != 0 {
			t.Errorf("a sample names channels %b", s.Has)
		}
		if ahead, behind := s.Time.Sub(noon), noon.Sub(s.Time); ahead > m.MaxAhead || behind > m.MaxBehind {
			t.Errorf("a sample at %v passed", s.Time)
		}
		for c := range ingest.NumChannels {
			v := s.Values[c]
			switch finite := !math.IsNaN(v.V) && !math.IsInf(v.V, 0); {
			case v.Quality == ingest.Bad && v.V != 0:
				t.Errorf("%s is bad and has the number %v", c, v.V)
			case v.Quality != ingest.Bad && (!finite || !s.Named(c)):
				t.Errorf("%s is %v, named %v, and not bad", c, v.V, s.Named(c))
			case v.Quality != ingest.Bad && !(v.V >= m.Channels[c].Low && v.V <= m.Channels[c].High):
				t.Errorf("%s is out of range, %v, and not bad", c, v.V)
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, s := range []string{
		typical, "", "[]", "null", `{"t":1795521600000,"hook_load":1e999}`, `[{"t":"2026-11-24T12:00:00Z","hook_load":-999.25},{}]`,
		`{"t":"2026-11-24T12:00:00Z","hook_load":1,"hook_load":2,"crown_saver":true}`, `{"t":"\ud800","hook\u005fload":[]}`,
		`{"t":"2099-01-01T00:00:00Z","block_height":-0.0}`, "\xef\xbb\xbf{}", `{"t":"2026-11-24T12:00:00Z","hook_load":NaN}`,
	} {
		f.Add([]byte(s))
	}
	m := fieldUnits(f)
	d, err := NewJSON(m)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		before := string(data)
		got := run(d, data)
		checkSamples(t, m, got)
		// A second opinion on what is JSON at all; the other decoder takes bad UTF-8.
		if !json.Valid(data) && len(got.samples) > 0 {
			t.Errorf("samples from what encoding/json calls no JSON: %q", data)
		}
		if len(got.samples) == 0 && len(got.rejects) == 0 {
			t.Errorf("%q vanished", data)
		}
		if string(data) != before {
			t.Errorf("the payload was changed")
		}
		if again := run(d, data); again.words() != got.words() {
			t.Errorf("twice the same gives %q and %q", got.words(), again.words())
		}
	})
}

// Any mix of good and spoilt channels, in any order: the spoilt are bad, the
// others keep their exact number.
func TestOneBadChannelLeavesTheOthers(t *testing.T) {
	m := ingest.OwnForm()
	d, err := NewJSON(&m)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		channels := rapid.Permutation(indices()).Draw(t, "order")[:rapid.IntRange(1, int(ingest.NumChannels)).Draw(t, "n")]
		parts := []string{`"t":"2026-11-24T12:00:00Z"`}
		want := map[ingest.Channel]float64{}
		for _, c := range channels {
			if rapid.Bool().Draw(t, "spoilt") {
				bad := rapid.SampledFrom([]string{`null`, `"7"`, `{"v":7}`, `[7]`, `1e400`, `-1e400`, `7,"` + c.String() + `":7`}).Draw(t, "bad")
				parts = append(parts, fmt.Sprintf("%q:%s", c, bad))
				continue
			}
			x := rapid.Float64().Draw(t, "x")
			if c.OnOff() {
				x = float64(rapid.IntRange(0, 1).Draw(t, "on"))
			}
			text, err := json.Marshal(x)
			if err != nil {
				t.Fatal(err)
			}
			want[c] = x
			parts = append(parts, fmt.Sprintf("%q:%s", c, text))
		}
		got := run(d, []byte("{"+strings.Join(parts, ",")+"}"))
		checkSamples(t, &m, got)
		if len(got.samples) != 1 {
			t.Fatalf("got %v, want one sample", got)
		}
		for _, c := range channels {
			v := got.samples[0].Values[c]
			x, good := want[c]
			if n, ok := v.Float(); ok != good || (good && n != x) {
				t.Errorf("%s: got %v, want %v, good %v", c, v, x, good)
			}
		}
	})
}

func indices() []ingest.Channel {
	all := make([]ingest.Channel, ingest.NumChannels)
	for i := range all {
		all[i] = ingest.Channel(i)
	}
	return all
}

// Whatever the bytes: the short way through plain messages makes what the reader of all
// JSON makes.
func FuzzFlat(f *testing.F) {
	var both []*JSON // without a field of the rig's name, and with one
	for _, s := range []string{
		typical, ` { "t" : "2026-11-24T12:00:00Z" , "hook_load" : -1.5e+2 } `, `{"t":"2026-11-24T12:00:00Z","hook_load":01}`,
		`{"t":"2026-11-24T12:00:00Z","hook_load":1,"hook_load":2}`, `{"t":"2026-11-24T12:00:00Z","hook_load":1}x`, `{"hook_load":1}`,
		`{"t":"2026-11-24T12:00:00Z","hook_load":1e999}`, `{"t":"2099-11-24T12:00:00Z","hook_load":1}`, `{"t":"2026-11-24T12:00:00Z","hook_load":-}`,
		`{"t":"2026-11-24T12:00:00Z","hook_load":1.}`, `{"t":"2026-11-24T12:00:00Z","drive_engaged":1}`, `{,}`, `{"t":"2026-11-24T12:00:00Z",}`,
	} {
		f.Add([]byte(s))
	}
	f.Add([]byte(`{"unit":"A7","t":"2026-11-24T12:00:00Z","hook_load":1}`))
	f.Add([]byte(`{"unit":"","t":"2026-11-24T12:00:00Z","hook_load":1}`))
	f.Add([]byte(`{"unit":"A7","t":"2026-11-24T12:00:00Z","hook_load":1,"unit":"B2"}`))
	for _, field := range []string{"", "unit"} {
		m := fieldUnits(f)
		m.RigField = field
		d, err := NewJSON(m)
		if err != nil {
			f.Fatal(err)
		}
		both = append(both, d)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, d := range both {
			short := run(d, data)
			long := run(wholeOnly{d}, data)
			if diff := cmp.Diff(long, short, cmp.AllowUnexported(decoded{})); diff != "" {
				t.Errorf("%q: the short way gives (-whole +short)\n%s", data, diff)
			}
		}
	})
}

// wholeOnly is the reader of all JSON.
type wholeOnly struct{ *JSON }

func (w wholeOnly) Decode(m *ingest.Message, out ingest.Sink) {
	if len(m.Payload) > MaxSize {
		w.JSON.Decode(m, out)
		return
	}
	w.whole(m, out)
}
