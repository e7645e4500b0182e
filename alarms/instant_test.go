package alarms

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestInstants(t *testing.T) {
	for _, c := range []struct {
		name string
		t    time.Time
		want Instant
	}{
		{"never", time.Time{}, 0},
		{"the first nanosecond of 1970 is not never", time.Unix(0, 0), 1},
		{"before 1678", time.Date(1677, 12, 31, 23, 59, 59, 0, time.UTC), math.MinInt64},
		{"from 1678", time.Date(1678, 1, 1, 0, 0, 0, 0, time.UTC), year1678 * 1e9},
		{"up to 2261", time.Date(2261, 12, 31, 23, 59, 59, 999_999_999, time.UTC), year2262*1e9 - 1},
		{"from 2262", time.Date(2262, 1, 1, 0, 0, 0, 0, time.UTC), math.MaxInt64},
		{"another zone", time.Date(2026, 11, 24, 7, 0, 0, 0, time.FixedZone("", -5*3600)), Instant(start.UnixNano())},
	} {
		if got := At(c.t); got != c.want {
			t.Errorf("%s: At(%v) = %d, want %d", c.name, c.t, got, c.want)
		}
	}
}

func TestInstantsAreReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		i := Instant(rapid.Int64Range(year1678*1e9, year2262*1e9-1).Draw(t, "ns"))
		b, err := i.MarshalText()
		var back Instant
		if err := back.UnmarshalText(b); err != nil || back != i {
			t.Fatalf("%d was written %s and read as %d, %v", i, b, back, err)
		}
		if At(i.Time()) != i || err != nil {
			t.Fatalf("%d is %v, which is %d; %v", i, i.Time(), At(i.Time()), err)
		}
		d := time.Duration(rapid.Int64().Draw(t, "shift"))
		if j := i.shift(d); i != 0 && (j == 0 || d > 0 && j < i || d < 0 && j > i) {
			t.Fatalf("%d shifted by %d is %d", i, d, j)
		}
	})
}
