package item

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// MeansZone tells whether the number of item 33 can mean the zone. The tables say
// neither its unit nor its form: senders write hours, hours and minutes as HHMM or
// HHMMSS, or minutes (common practice), so any of these will do.
func MeansZone(text string, zone time.Duration) bool {
	n, err := strconv.ParseFloat(strings.TrimPrefix(text, "+"), 64)
	if err != nil {
		return false
	}
	h, m := math.Trunc(zone.Hours()), math.Mod(zone.Minutes(), 60)
	for _, form := range []float64{zone.Hours(), zone.Minutes(), 100*h + m, 10000*h + 100*m} {
		if math.Abs(n-form) < 1e-9 {
			return true
		}
	}
	return false
}

// FormatZone returns an offset from UTC as "+05:30".
func FormatZone(zone time.Duration) string {
	sign := '+'
	if zone < 0 {
		sign, zone = '-', -zone
	}
	return fmt.Sprintf("%c%02d:%02d", sign, int(zone.Hours()), int(zone.Minutes())%60)
}

// ParseZone reads an offset from UTC of that form, or "Z".
func ParseZone(text string) (time.Duration, bool) {
	if text == "Z" {
		return 0, true
	}
	if len(text) != len("+05:30") || text[3] != ':' || text[0] != '+' && text[0] != '-' {
		return 0, false
	}
	h, okH := number(text[1:3])
	m, okM := number(text[4:])
	if !okH || !okM || h > 14 || m > 59 {
		return 0, false
	}
	zone := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
	if text[0] == '-' {
		zone = -zone
	}
	return zone, true
}

// number reads two digits.
func number(text string) (int, bool) {
	if text[0] < '0' || text[0] > '9' || text[1] < '0' || text[1] > '9' {
		return 0, false
	}
	return 10*int(text[0]-'0') + int(text[1]-'0'), true
}
