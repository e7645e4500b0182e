package fieldcsv

import (
	"bytes"
	"testing"

	"hoistward/ingest"

	"github.com/google/go-cmp/cmp"
)

// FuzzReader feeds anything to the reader. Whatever comes out must be finite, and
// come back exactly when it is written and read again.
func FuzzReader(f *testing.F) {
	for _, s := range []string{
		"time[s],hook_load[kN],block_height[m]\n1,2,3\n2,,-999.25\n",
		"time,drum_counts\n2026-11-24T12:00:00.1Z,5\n",
		"1,2,3\n1.5,2\n1,\"2,3\n",
		"\ufefftime[ms],hook_load[klbf]\r\n1e3,NaN\r\n",
		"\x1f\x8b",
	} {
		f.Add([]byte(s), false)
		f.Add([]byte(s), true)
	}
	byNumber := mustColumns(f, "1=time[s]", "2=hook_load[klbf]")
	f.Fuzz(func(t *testing.T, b []byte, mapped bool) {
		o := Options{Nulls: []float64{-999.25}}
		if mapped {
			o.Columns = byNumber
		}
		r, err := New(bytes.NewReader(b), o)
		if err != nil {
			return
		}
		var all []ingest.Sample
		for s, err := range r.All() {
			if err != nil {
				break
			}
			all = append(all, canonical(t, s))
		}
		var out bytes.Buffer
		if err := Write(&out, of(all), WriteOptions{}); err != nil {
			t.Fatal(err)
		}
		again, err := New(&out, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(all, drain(t, again), exactly); d != "" {
			t.Fatal(d)
		}
	})
}

// canonical checks s, and makes of it what is left after writing: every channel
// named, and one reason for no value.
func canonical(t *testing.T, s ingest.Sample) ingest.Sample {
	t.Helper()
	for c := range ingest.NumChannels {
		v := s.Values[c]
		if x, ok := v.Float(); ok && ingest.Number(x) != v {
			t.Fatalf("got %s %+v, want a good finite number or none", c, v)
		}
		if v.Quality == ingest.Bad {
			v = ingest.BadValue(ingest.Null)
		}
		s.Set(c, v)
	}
	return s
}
