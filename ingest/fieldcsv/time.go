package fieldcsv

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"hoistward/ingest/units"
)

// parseTime reads a cell of the time column.
func (r *Reader) parseTime(f field, text string) (time.Time, error) {
	if f.kind != clockNumber {
		return r.written(text)
	}
	ns, err := parseCount(text, f.unit)
	if err != nil {
		return time.Time{}, err
	}
	return time.Unix(0, ns).UTC(), nil
}

func parseRFC3339(text string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, text)
	switch {
	case err != nil:
		return t, fmt.Errorf("got the time %q, want one that exists, as RFC 3339 with its offset, such as 2026-11-24T12:00:00.100Z", clip(text))
	case t.Year() < 1678 || t.Year() > 2261:
		return t, fmt.Errorf("got the time %q, want a year from 1678 to 2261", clip(text))
	}
	return t.UTC(), nil
}

// parseCount reads a number of units since 1970 as nanoseconds. A plain decimal
// is read digit by digit: a float64 of seconds since 1970 is only good to 0.2 µs.
func parseCount(text string, u units.Unit) (int64, error) {
	x, err := parseNumber(text)
	if err != nil {
		return 0, fmt.Errorf("got the time %q, want a number", clip(text))
	}
	scale := math.Round(u.Factor * 1e9)
	if !(math.Abs(x)*scale < math.MaxInt64) {
		return 0, fmt.Errorf("got the time %q %s, want one from 1678 to 2261", clip(text), u.Symbol)
	}
	if ns, ok := decimal(text, int64(scale)); ok {
		return ns, nil
	}
	return int64(math.Round(x * scale)), nil
}

// decimal returns text × scale, rounded to the nearest whole number. It knows
// signs, digits and a point, and gives up on anything else or on overflow.
func decimal(text string, scale int64) (int64, bool) {
	if strings.ContainsAny(text, "eE") {
		return 0, false
	}
	digits := strings.TrimLeft(text, "+-")
	whole, fraction, _ := strings.Cut(digits, ".")
	if whole == "" {
		whole = "0"
	}
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil || n > math.MaxInt64/scale {
		return 0, false
	}
	ns := n * scale
	part := scale
	var rest int64 // what is left below one, in units of part/10 of a digit
	for i := 0; i < len(fraction); i++ {
		d := int64(fraction[i] - '0')
		if d < 0 || d > 9 {
			return 0, false
		}
		if part%10 != 0 {
			// Below here a digit is no whole number of ns.
			f, err := strconv.ParseFloat("0."+fraction[i:], 64)
			if err != nil {
				return 0, false
			}
			rest = int64(math.Round(f * float64(part)))
			break
		}
		part /= 10
		ns += d * part
	}
	if ns += rest; ns < 0 {
		return 0, false
	}
	if strings.HasPrefix(text, "-") {
		ns = -ns
	}
	return ns, true
}

// formatTime writes t as RFC 3339 UTC with milliseconds, and with the further
// digits that it takes to be exact.
func formatTime(b []byte, t time.Time) []byte {
	t = t.UTC()
	form := "2006-01-02T15:04:05.000000000Z"
	switch ns := t.Nanosecond(); {
	case ns%1e6 == 0:
		form = "2006-01-02T15:04:05.000Z"
	case ns%1e3 == 0:
		form = "2006-01-02T15:04:05.000000Z"
	}
	return t.AppendFormat(b, form)
}

// parseNumber reads a decimal number: no hexadecimal, no underscores. Not-a-number
// and infinities are numbers here, and become "no value" later.
func parseNumber(text string) (float64, error) {
	if strings.ContainsAny(text, "xX_") {
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseFloat(text, 64)
}

func clip(text string) string {
	const most = 40
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "…"
}
