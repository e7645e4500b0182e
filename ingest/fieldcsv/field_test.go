package fieldcsv

import (
	"path/filepath"
	"testing"
	"time"

	"hoistward/ingest"
)

// The field recording; its README says where it comes from and what is in it.
const field1Hz = "../../testdata/field/field-1hz/readings.csv.gz"

func mustColumns(t testing.TB, texts ...string) []Column {
	t.Helper()
	var all []Column
	for _, s := range texts {
		c, err := ParseColumn(s)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, c)
	}
	return all
}

func openField(t testing.TB) *Reader {
	t.Helper()
	r, err := Open(filepath.FromSlash(field1Hz), Options{
		Columns: mustColumns(t, "1=time[s]", "2=block_height[ft]", "4=hook_load[klbf]"),
		Nulls:   []float64{-999.25},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func TestFieldRecording(t *testing.T) {
	r := openField(t)
	rows, spells, run := 0, []int{}, 0
	var first, last time.Time
	low, high := 1e9, 0.0
	lightest, heaviest := 1e9, 0.0
	for s, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if rows++; rows == 1 {
			first = s.Time
		}
		last = s.Time
		height, ok := s.Values[ingest.BlockHeight].Float()
		load, ok2 := s.Values[ingest.HookLoad].Float()
		if ok != ok2 {
			t.Fatalf("row %d: got height %v and load %v, want both or none", rows, ok, ok2)
		}
		if !ok {
			if why := s.Values[ingest.HookLoad].Reason; why != ingest.Null {
				t.Fatalf("row %d: got reason %s, want null", rows, why)
			}
			run++
			continue
		}
		if run > 0 {
			spells, run = append(spells, run), 0
		}
		low, high = min(low, height), max(high, height)
		lightest, heaviest = min(lightest, load), max(heaviest, load)
	}
	if rows != 50000 {
		t.Errorf("got %d rows, want 50000", rows)
	}
	if len(spells) != 2 || spells[0] != 129 || spells[1] != 1329 {
		t.Errorf("got spells without values of %v rows, want 129 and 1329", spells)
	}
	if want := time.Unix(0, 970_000_000).UTC(); first != want {
		t.Errorf("got first time %s, want %s", first, want)
	}
	if d := last.Sub(first).Hours(); !(d > 13.8 && d < 14.0) {
		t.Errorf("got %.3f h, want 13.9", d)
	}
	// README: block 5.6 to 108.8 ft, hook load 16.0 to 101.2 klbf. 1 ft = 0.3048 m
	// exactly; 1 klbf = 4448.2216152605 N exactly.
	const foot, klbf = 0.3048, 4448.2216152605
	for _, c := range []struct {
		name            string
		got, want, half float64
	}{
		{"lowest block", low / foot, 5.6, 0.05}, {"highest block", high / foot, 108.8, 0.05},
		{"lightest hook", lightest / klbf, 16.0, 0.05}, {"heaviest hook", heaviest / klbf, 101.2, 0.05},
	} {
		if !(c.got-c.want <= c.half && c.want-c.got <= c.half) {
			t.Errorf("%s: got %v, want %v ± %v", c.name, c.got, c.want, c.half)
		}
	}
	p := r.Problems()
	if len(p) != 1 || p[0].Kind != "time repeated" || p[0].Count != 2 {
		t.Errorf("got problems %v, want two repeated stamps and nothing else", p)
	}
	if n := r.Notes(); len(n) != 1 {
		t.Errorf("got notes %q, want one on the columns left out", n)
	}
}
