package replay

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// made is a table of one column, with the rows that went in.
func made(t *rapid.T) (*Table, []int64, []float64) {
	b := newTable(1)
	n := rapid.IntRange(0, 3*chunkRows).Draw(t, "rows")
	seed := rapid.Uint64().Draw(t, "seed")
	known := rapid.Float64Range(0, 1).Draw(t, "share known")
	var times []int64
	var values []float64
	at := int64(1_000_000)
	for range n {
		seed = seed*6364136223846793005 + 1442695040888963407 // Knuth's MMIX
		at += int64(seed >> 33 % 200)
		x := math.NaN()
		if float64(seed>>40)/(1<<24) < known {
			x = float64(int64(seed>>20)%100000) / 7
		}
		times, values = append(times, at), append(values, x)
		b.add(at, rowFrame, []float64{x})
	}
	return b, times, values
}

// least and most of what was put in, of the rows of a window.
func plainly(times []int64, values []float64, from, to int64) extent {
	e := unknown
	for i, at := range times {
		if x := float32(values[i]); at >= from && at <= to && !math.IsNaN(values[i]) {
			e.Min, e.Max = min(e.Min, x), max(e.Max, x)
		}
	}
	return e
}

// At every zoom the least and the most that are drawn are those of the rows: no peak is
// lost and none is made up. Each stretch has its own, too.
func TestNoPeakIsLostAtAnyZoom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, times, values := made(t)
		first, last := int64(1_000_000), int64(1_000_200)
		if n := len(times); n > 0 {
			first, last = times[0], times[n-1]
		}
		from := rapid.Int64Range(first-100, last+100).Draw(t, "from")
		to := rapid.Int64Range(from, last+200).Draw(t, "to")
		points := rapid.IntRange(1, 300).Draw(t, "points")
		w := b.window(from, to, points, []int{0})
		want := plainly(times, values, from, to)
		got := unknown
		for i, at := range w.T {
			lo, hi := w.Min[0][i], w.Min[0][i]
			if !w.Raw {
				hi = w.Max[0][i]
			} else if int64(at) < from || int64(at) > to {
				continue // the row beyond the edge
			}
			if lo == lo {
				got = got.with(extent{lo, hi})
			}
		}
		if got != want {
			t.Fatalf("%d rows, window %d to %d in %d points, raw %v: got %v, want %v", b.rows, from, to, points, w.Raw, got, want)
		}
		if w.Raw {
			return
		}
		if len(w.T) != points {
			t.Fatalf("got %d stretches, want %d", len(w.T), points)
		}
		span := float64(to-from+1) / float64(points)
		for p := range points {
			begin, end := from+int64(float64(p)*span), from+int64(float64(p+1)*span)-1
			if p == points-1 {
				end = to
			}
			want := plainly(times, values, begin, end)
			if got := (extent{w.Min[0][p], w.Max[0][p]}); want.known() && got != want || !want.known() && got.Min == got.Min {
				t.Fatalf("stretch %d of %d: got %v, want %v", p, points, got, want)
			}
		}
	})
}

// A row with a gap in it is null on the page, not the value before it.
func TestRawKeepsWhatIsNotKnown(t *testing.T) {
	b := newTable(1)
	for i, x := range []float64{1, math.NaN(), 3, math.Inf(1)} {
		b.add(int64(i), rowFrame, []float64{x})
	}
	w := b.window(1, 2, 10, []int{0})
	if len(w.T) != 4 || w.Rows != 2 { // one more at each end
		t.Fatalf("got %v, want four rows, two of them inside", w)
	}
	if got := w.Min[0]; got[0] != 1 || got[1] == got[1] || got[2] != 3 || got[3] == got[3] {
		t.Errorf("got %v, want 1, not known, 3, not known", got)
	}
}

// Times that fall (a clock set back between two sessions) do not spoil the search.
func TestTimesNeverFall(t *testing.T) {
	b := newTable(1)
	for _, at := range []int64{10, 20, 15, 30} {
		b.add(at, rowFrame, []float64{float64(at)})
	}
	if got := b.search(16); got != 1 {
		t.Errorf("first row at 16 or later: got %d, want 1, which is at 20", got)
	}
	if b.time(2) != 20 || b.value(0, 2) != 15 {
		t.Errorf("got row 2 at %d with %g, want it at 20 with 15", b.time(2), b.value(0, 2))
	}
}

// What is counted against the bound is what is held: a day of 10 Hz with thirty columns
// stays below the bound of one result.
func TestADayFitsInItsBound(t *testing.T) {
	if testing.Short() {
		t.Skip("holds 130 MB")
	}
	b := newTable(30)
	row := make([]float64, 30)
	for i := range 864000 {
		for k := range row {
			row[k] = float64(i + k)
		}
		b.add(int64(i)*100, rowFrame, row)
	}
	bound := Options{}.withDefaults().RunBytes
	if b.bytes > bound || b.bytes < 864000*30*4 {
		t.Errorf("a day takes %d bytes, want what its numbers take and at most %d", b.bytes, bound)
	}
}
