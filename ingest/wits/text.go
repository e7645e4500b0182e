package wits

import (
	"bytes"
	"strconv"
	"time"
)

// noValue tells whether the text of an item says that there is no value: nothing,
// a field filled with * or -, or a word for it. Numbers that mean "no value" are
// the mapping's.
func noValue(text []byte) bool {
	switch {
	case len(bytes.Trim(text, "*")) == 0, len(bytes.Trim(text, "-")) == 0:
		return true
	}
	return bytes.EqualFold(text, []byte("null")) || bytes.EqualFold(text, []byte("(null)"))
}

// parseNumber reads a decimal number with a point and perhaps an exponent, and
// nothing else of what Go takes for a number: no hexadecimal, no underscores, no
// infinities. A decimal comma is refused, since it may as well part thousands. One
// that is past any float is not read.
func parseNumber(text []byte) (float64, bool) {
	for _, b := range text {
		if (b < '0' || b > '9') && b != '.' && b != '-' && b != '+' && b != 'e' && b != 'E' {
			return 0, false
		}
	}
	x, err := strconv.ParseFloat(string(text), 64)
	return x, err == nil
}

// parseTime reads a date as YYMMDD and a time as HHMMSS, both whole numbers, whose
// leading zeros may be missing: 93000 is 09:30:00, and 0 is midnight. The century is
// the 21st.
func parseTime(date, clock []byte) (time.Time, bool) {
	d, okDate := digits(date)
	c, okTime := digits(clock)
	if !okDate || !okTime {
		return time.Time{}, false
	}
	t := time.Date(2000+d/10000, time.Month(d/100%100), d%100, c/10000, c/100%100, c%100, 0, time.UTC)
	year, month, day := t.Date()
	hour, minute, second := t.Clock()
	same := year == 2000+d/10000 && int(month) == d/100%100 && day == d%100 &&
		hour == c/10000 && minute == c/100%100 && second == c%100
	return t, same
}

// digits reads a whole number of at most six digits.
func digits(text []byte) (int, bool) {
	if len(text) == 0 || len(text) > 6 {
		return 0, false
	}
	n := 0
	for _, b := range text {
		if b < '0' || b > '9' {
			return 0, false
		}
		n = 10*n + int(b-'0')
	}
	return n, true
}
