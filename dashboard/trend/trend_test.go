package trend_test

import (
	"math"
	"runtime"
	"testing"
	"time"
	"unsafe"

	"hoistward/dashboard/trend"

	"pgregory.net/rapid"
)

var start = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func at(height float64) trend.Values {
	v := trend.Unknown()
	v[trend.Height] = height
	return v
}

// After half a day a log is as large as it gets; a minute of readings takes a
// little of that.
func TestALogIsSmallAndGrowsAsItFills(t *testing.T) {
	held := func(length time.Duration) uint64 {
		logs := make([]trend.Log, 100)
		runtime.GC()
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for i := range logs {
			for at := time.Duration(0); at < length; at += 2 * time.Second {
				logs[i].Add(start.Add(at), trend.Values{1, 2, 3, 4, 5})
			}
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		runtime.KeepAlive(logs)
		return (after.HeapAlloc-before.HeapAlloc)/100 + uint64(unsafe.Sizeof(trend.Log{}))
	}
	if n := held(13 * time.Hour); n >= 26<<10 {
		t.Errorf("a full log takes %d bytes, want under %d", n, 26<<10)
	}
	if n := held(time.Minute); n >= 4<<10 {
		t.Errorf("a minute takes %d bytes, want under %d", n, 4<<10)
	}
}

func TestAnEmptyLogKnowsNothing(t *testing.T) {
	var l trend.Log
	for span := range trend.NumSpans {
		s := l.Series(span, start)
		if s.SinceMs != 0 || s.Steps != int(span.Length()/span.Step()) {
			t.Errorf("span %d: since %d, %d steps", span, s.SinceMs, s.Steps)
		}
		for i := range s.Steps {
			if s.Min["height_m"][i] != nil || s.Max["height_m"][i] != nil {
				t.Fatalf("span %d, step %d: a value of an empty log", span, i)
			}
		}
	}
}

// Two seconds of one peak, then an hour of silence, then a value: worked by hand.
func TestGapsAreGaps(t *testing.T) {
	var l trend.Log
	l.Add(start, at(10))
	l.Add(start.Add(500*time.Millisecond), at(30))
	l.Add(start.Add(900*time.Millisecond), at(math.NaN()))
	l.Add(start.Add(time.Hour), at(12))
	s := l.Series(trend.Long, start.Add(time.Hour+time.Minute))
	if want := start.Add(time.Hour + time.Minute - 719*time.Minute).UnixMilli(); s.FirstMs != want || s.StepMs != 60000 {
		t.Errorf("first %d of steps of %d ms, want %d of 60000", s.FirstMs, s.StepMs, want)
	}
	if s.SinceMs != start.UnixMilli() {
		t.Errorf("since %d, want %d", s.SinceMs, start.UnixMilli())
	}
	// Step 719 is the minute of now, 718 the last value's, 658 the peak's.
	for i := range s.Steps {
		lo, hi := s.Min["height_m"][i], s.Max["height_m"][i]
		switch i {
		case 658:
			if lo == nil || *lo != 10 || *hi != 30 {
				t.Errorf("the peak's minute holds %v to %v, want 10 to 30", lo, hi)
			}
		case 718:
			if lo == nil || *lo != 12 || *hi != 12 {
				t.Errorf("the last value's minute holds %v to %v, want 12 to 12", lo, hi)
			}
		default:
			if lo != nil || hi != nil {
				t.Errorf("step %d holds a value, want a gap", i)
			}
		}
		if s.Min["hook_load_kN"][i] != nil {
			t.Errorf("step %d holds a hook load, none came", i)
		}
	}
	short := l.Series(trend.Short, start.Add(time.Hour+time.Minute))
	for i := range short.Steps {
		if known := short.Max["height_m"][i] != nil; known != (i == short.Steps-1-30) {
			t.Errorf("short step %d: known %v", i, known)
		}
	}
}

// Whatever comes, in whatever order and with whatever gaps: each value that lies within
// a span is between the least and the greatest of its step, each end of a step is a
// value that came in it, rounded outward by a 16-bit number's last place at most, and a
// step in which nothing came is a gap. Found by going through all that came, not by a ring.
func TestNoPeakIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var l trend.Log
		type came struct {
			at time.Time
			x  float64
		}
		var all []came
		now := start
		for range rapid.IntRange(1, 60).Draw(t, "values") {
			step := rapid.OneOf(rapid.Int64Range(0, 3000), rapid.Int64Range(0, 400_000), rapid.Int64Range(0, 50_000_000), rapid.Int64Range(-100_000, 0)).Draw(t, "ms")
			now = now.Add(time.Duration(step) * time.Millisecond)
			x := rapid.OneOf(rapid.Float64Range(-50, 50), rapid.Float64(), rapid.Just(math.NaN()), rapid.Just(math.Inf(1))).Draw(t, "value")
			l.Add(now, at(x))
			all = append(all, came{now, x})
		}
		newest := all[0].at
		for _, c := range all {
			if c.at.After(newest) {
				newest = c.at
			}
		}
		for span := range trend.NumSpans {
			s := l.Series(span, newest)
			lo, hi := s.Min["height_m"], s.Max["height_m"]
			least, most := map[int]float64{}, map[int]float64{}
			reached := int64(0) // newest step when a value came: one far behind it is left out
			for _, c := range all {
				n := c.at.UnixMilli() / s.StepMs
				reached = max(reached, n)
				i := int(n - s.FirstMs/s.StepMs)
				if !(math.Abs(c.x) <= math.MaxFloat32) || i < 0 || n <= reached-int64(s.Steps) {
					continue
				}
				if _, any := least[i]; !any {
					least[i], most[i] = c.x, c.x
				}
				least[i], most[i] = min(least[i], c.x), max(most[i], c.x)
			}
			for i := range s.Steps {
				want, any := least[i]
				if (lo[i] != nil) != any || (hi[i] != nil) != any {
					t.Fatalf("span %d, step %d: known %v, want %v", span, i, lo[i] != nil, any)
				}
				if !any {
					continue
				}
				least, greatest := clip(want), clip(most[i])
				if !(float64(*lo[i]) <= least && float64(*hi[i]) >= greatest) {
					t.Fatalf("span %d, step %d: %g to %g, want %g to %g within", span, i, *lo[i], *hi[i], least, greatest)
				}
				if !(least-float64(*lo[i]) <= place(least) && float64(*hi[i])-greatest <= place(greatest)) {
					t.Fatalf("span %d, step %d: %g to %g, want no wider than %g to %g", span, i, *lo[i], *hi[i], least, greatest)
				}
			}
		}
	})
}

// clip is what a number beyond those of 16 bits stands as (IEEE 754-2019, table 3.5:
// binary16 has p = 11 digits, emax = 15).
func clip(x float64) float64 { return max(-65504, min(65504, x)) }

// place is the distance of two 16-bit numbers at x: 2^(e-10), of which e is -14 at
// least.
func place(x float64) float64 {
	_, e := math.Frexp(x)
	return math.Ldexp(1, max(e-1, -14)-10)
}

func BenchmarkAdd(b *testing.B) {
	var l trend.Log
	v := trend.Values{18.2, -0.84, 1486, 226, 240}
	now := start
	b.ReportAllocs()
	for b.Loop() {
		now = now.Add(100 * time.Millisecond)
		l.Add(now, v)
	}
}
