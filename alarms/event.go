package alarms

import (
	"math"
	"strconv"
	"time"
	"unicode/utf8"
)

// Event is one line of the journal.
type Event struct {
	Time       time.Time // written in UTC, cut to ms
	Rig        string
	Alarm      string // name in the catalogue
	Channel    string // for alarms of one channel; else empty and not written
	Event      EventKind
	State      State // Alarm.Shown after the event
	Priority   Priority
	Reason     string  // in words
	Value      float64 // in Unit; not finite = not known, written null
	Limit      float64 // in Unit; likewise
	Unit       string
	Occurrence uint64
	Person     string // who acted; empty = nobody, and not written
	Version    uint64
}

// timeLayout is RFC 3339 in UTC with three digits of a second, always.
const timeLayout = "2006-01-02T15:04:05.000Z"

// AppendJSON appends e as one JSON object, without a newline, and returns the
// longer slice. The bytes depend on e alone: keys in the order of Event, numbers as
// the shortest text that reads back as the same number, text that is not UTF-8 with
// U+FFFD in its place. It allocates only where dst is too short.
func AppendJSON(dst []byte, e *Event) []byte {
	dst = append(dst, `{"time":"`...)
	dst = e.Time.UTC().AppendFormat(dst, timeLayout)
	dst = append(dst, `","rig":`...)
	dst = appendString(dst, e.Rig)
	dst = append(dst, `,"alarm":`...)
	dst = appendString(dst, e.Alarm)
	if e.Channel != "" {
		dst = append(dst, `,"channel":`...)
		dst = appendString(dst, e.Channel)
	}
	dst = append(dst, `,"event":`...)
	dst = appendString(dst, e.Event.String())
	dst = append(dst, `,"state":`...)
	dst = appendString(dst, e.State.String())
	dst = append(dst, `,"priority":`...)
	dst = appendString(dst, e.Priority.String())
	dst = append(dst, `,"reason":`...)
	dst = appendString(dst, e.Reason)
	dst = append(dst, `,"value":`...)
	dst = appendNumber(dst, e.Value)
	dst = append(dst, `,"limit":`...)
	dst = appendNumber(dst, e.Limit)
	dst = append(dst, `,"unit":`...)
	dst = appendString(dst, e.Unit)
	dst = append(dst, `,"occurrence":`...)
	dst = strconv.AppendUint(dst, e.Occurrence, 10)
	if e.Person != "" {
		dst = append(dst, `,"person":`...)
		dst = appendString(dst, e.Person)
	}
	dst = append(dst, `,"version":`...)
	dst = strconv.AppendUint(dst, e.Version, 10)
	return append(dst, '}')
}

// appendNumber writes v as RFC 8259 allows: no leading plus, no bare point, null
// for what is not finite.
func appendNumber(dst []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(dst, "null"...)
	}
	format := byte('f')
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e21) {
		format = 'e'
	}
	dst = strconv.AppendFloat(dst, v, format, -1, 64)
	if n := len(dst); format == 'e' && dst[n-4] == 'e' && dst[n-2] == '0' { // e-07: e-7 is the shorter
		dst[n-2] = dst[n-1]
		dst = dst[:n-1]
	}
	return dst
}

const hex = "0123456789abcdef"

// appendString writes s as a JSON string. Control characters and the two line
// separators that are line ends to some readers are escaped: one event, one line.
func appendString(dst []byte, s string) []byte {
	dst = append(dst, '"')
	for i := 0; i < len(s); {
		switch c := s[i]; {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
			i++
		case c == '\n':
			dst = append(dst, `\n`...)
			i++
		case c < ' ' || c == 0x7f:
			dst = append(dst, `\u00`...)
			dst = append(dst, hex[c>>4], hex[c&15])
			i++
		case c < utf8.RuneSelf:
			dst = append(dst, c)
			i++
		default:
			r, n := utf8.DecodeRuneInString(s[i:])
			switch {
			case r == utf8.RuneError && n == 1:
				dst = append(dst, "\ufffd"...)
			case r == 0x2028 || r == 0x2029:
				dst = append(dst, `\u202`...)
				dst = append(dst, hex[r&15])
			default:
				dst = append(dst, s[i:i+n]...)
			}
			i += n
		}
	}
	return append(dst, '"')
}
