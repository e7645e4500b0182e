package alarms

import (
	"fmt"
	"math"
	"time"
)

// Instant is a point in time in ns since 1970-01-01T00:00:00Z; 0 is "never". It
// holds no pointer and no monotonic reading, so that two alarms compare with ==
// before and after a restart.
type Instant int64

// At returns the Instant of t. The zero time is never; the first nanosecond of 1970
// is taken for the second one; what lies outside the years 1678 to 2261 becomes the
// nearer end.
func At(t time.Time) Instant {
	switch s := t.Unix(); {
	case s < year1678 && t.IsZero():
		return 0
	case s < year1678:
		return math.MinInt64
	case s >= year2262:
		return math.MaxInt64
	}
	if n := t.UnixNano(); n != 0 {
		return Instant(n)
	}
	return 1
}

const (
	year1678 = -9214560000 // s from 1970 to 1678-01-01T00:00:00Z, exact
	year2262 = 9214646400  // s from 1970 to 2262-01-01T00:00:00Z, exact
)

// Time returns the instant in UTC; never is the zero time.
func (i Instant) Time() time.Time {
	if i == 0 {
		return time.Time{}
	}
	return time.Unix(0, int64(i)).UTC()
}

// since returns the time from j to i, both set, without overflow; never negative.
func (i Instant) since(j Instant) time.Duration {
	if i <= j {
		return 0
	}
	if d := i - j; d > 0 {
		return time.Duration(d)
	}
	return math.MaxInt64
}

// shift returns i moved by d; never stays never, and no other becomes it.
func (i Instant) shift(d time.Duration) Instant {
	if i == 0 {
		return 0
	}
	j := i + Instant(d)
	switch {
	case d > 0 && j < i:
		return math.MaxInt64
	case d < 0 && j > i:
		return math.MinInt64
	case j == 0:
		return 1
	}
	return j
}

// MarshalText writes RFC 3339 in UTC with as many digits as it takes, or nothing
// for never.
func (i Instant) MarshalText() ([]byte, error) {
	if i == 0 {
		return nil, nil
	}
	return i.Time().AppendFormat(nil, time.RFC3339Nano), nil
}

// UnmarshalText reads what MarshalText writes.
func (i *Instant) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*i = 0
		return nil
	}
	t, err := time.Parse(time.RFC3339Nano, string(b))
	if err != nil {
		return fmt.Errorf("instant: %w", err)
	}
	*i = At(t)
	return nil
}
