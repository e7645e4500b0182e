package fieldcsv

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// form is how a written time is read: the parts of strftime, and text between them.
type form []formPart

type formPart struct {
	verb byte   // Y m d H I M S p z b, 0 for text
	text string // of verb 0
}

// months are the names that %b knows, in English.
var months = []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// parseForm reads a form such as "%d.%m.%Y %H:%M:%S". A second may have a fraction.
func parseForm(text string) (form, error) {
	var f form
	seen := ""
	for i := 0; i < len(text); i++ {
		if text[i] != '%' {
			f = append(f, formPart{text: text[i : i+1]})
			continue
		}
		if i++; i >= len(text) || !strings.ContainsRune("YymdHIMSpzb", rune(text[i])) {
			return nil, fmt.Errorf("time form: got %q, want parts %%Y %%y %%m %%b %%d %%H %%I %%p %%M %%S %%z", text)
		}
		seen += text[i : i+1]
		f = append(f, formPart{verb: text[i]})
	}
	has := func(any string) bool { return strings.ContainsAny(seen, any) }
	if !has("Yy") || !has("mb") || !has("d") || !has("HI") || !has("M") || has("I") != has("p") {
		return nil, fmt.Errorf("time form: got %q, want year, month, day, hour and minute in it, and %%p with %%I", text)
	}
	return f, nil
}

// standardForms are read without being named: the year first, so that day and month
// cannot be taken for each other.
var standardForms = mustForms("%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%Y/%m/%d %H:%M:%S", "%Y-%m-%d %H:%M:%S%z", "%Y-%m-%d %H:%M:%S %z", "%Y-%m-%d %H:%M")

func mustForms(texts ...string) []form {
	var all []form
	for _, t := range texts {
		f, err := parseForm(t)
		if err != nil {
			panic(err)
		}
		all = append(all, f)
	}
	return all
}

// civil is a time as written on a clock, with its offset where that is written too.
type civil struct {
	year, month, day, hour, minute, second, ns int
	offset                                     *time.Location
}

// read takes text apart, all of it.
func (f form) read(text string) (civil, bool) {
	c := civil{}
	afternoon, twelve := false, false
	for _, p := range f {
		var ok bool
		switch p.verb {
		case 0:
			text, ok = strings.CutPrefix(text, p.text)
		case 'Y':
			c.year, text, ok = digits(text, 4, 4)
		case 'y':
			c.year, text, ok = digits(text, 2, 2)
			if c.year += 1900; c.year < 1969 { // as POSIX has it
				c.year += 100
			}
		case 'm':
			c.month, text, ok = digits(text, 1, 2)
		case 'b':
			if ok = len(text) >= 3; ok {
				c.month, text = slices.Index(months, strings.ToLower(text[:3]))+1, text[3:]
			}
		case 'd':
			c.day, text, ok = digits(text, 1, 2)
		case 'H', 'I':
			c.hour, text, ok = digits(text, 1, 2)
			if twelve = p.verb == 'I'; twelve {
				ok = ok && c.hour >= 1 && c.hour <= 12
			}
		case 'M':
			c.minute, text, ok = digits(text, 2, 2)
		case 'S':
			c.second, text, ok = digits(text, 2, 2)
			if ok {
				c.ns, text, ok = fraction(text)
			}
		case 'p':
			half := strings.ToUpper(text[:min(2, len(text))])
			ok, afternoon = half == "AM" || half == "PM", half == "PM"
			text = text[min(2, len(text)):]
		case 'z':
			c.offset, text, ok = offset(text)
		}
		if !ok {
			return c, false
		}
	}
	if f.halves() {
		c.hour %= 12
		if afternoon {
			c.hour += 12
		}
	}
	return c, text == "" && c.exists()
}

func (f form) halves() bool {
	return slices.ContainsFunc(f, func(p formPart) bool { return p.verb == 'I' })
}

// exists tells whether there is such a day and such a time of it. The end of a day
// may be written 24:00, as ISO 8601 had it until 2019.
func (c civil) exists() bool {
	day := time.Date(c.year, time.Month(c.month), c.day, 0, 0, 0, 0, time.UTC)
	end := c.hour == 24 && c.minute == 0 && c.second == 0 && c.ns == 0
	return c.year >= 1678 && c.year <= 2261 && c.month >= 1 && c.month <= 12 && day.Day() == c.day && c.day > 0 &&
		(c.hour <= 23 || end) && c.minute <= 59 && c.second <= 59
}

func digits(text string, least, most int) (int, string, bool) {
	n := 0
	for n < len(text) && n < most && text[n] >= '0' && text[n] <= '9' {
		n++
	}
	if n < least {
		return 0, text, false
	}
	x, err := strconv.Atoi(text[:n])
	return x, text[n:], err == nil
}

// fraction reads a point or comma and up to nine digits of a second.
func fraction(text string) (ns int, rest string, ok bool) {
	if text == "" || text[0] != '.' && text[0] != ',' {
		return 0, text, true
	}
	n := 1
	for n < len(text) && text[n] >= '0' && text[n] <= '9' {
		n++
	}
	if n == 1 || n > 10 {
		return 0, text, false
	}
	ns, err := strconv.Atoi((text[1:n] + "000000000")[:9])
	return ns, text[n:], err == nil
}

// offset reads Z, +02:00 or +0200.
func offset(text string) (*time.Location, string, bool) {
	if rest, ok := strings.CutPrefix(text, "Z"); ok {
		return time.UTC, rest, true
	}
	if text == "" || text[0] != '+' && text[0] != '-' {
		return nil, text, false
	}
	hours, rest, ok := digits(text[1:], 2, 2)
	minutes, rest, ok2 := digits(strings.TrimPrefix(rest, ":"), 2, 2)
	if !ok || !ok2 || hours > 23 || minutes > 59 {
		return nil, text, false
	}
	seconds := hours*3600 + minutes*60
	if text[0] == '-' {
		seconds = -seconds
	}
	return time.FixedZone("", seconds), rest, true
}

// instants returns the instants at which the clocks of zone show c, in order: one;
// none in the hour that is left out when they go forward; two in the hour that comes
// again when they go back.
func (c civil) instants(zone *time.Location) []time.Time {
	if c.offset != nil {
		zone = c.offset
	}
	u := time.Date(c.year, time.Month(c.month), c.day, c.hour, c.minute, c.second, c.ns, time.UTC)
	var all []time.Time
	for _, near := range []time.Duration{-26 * time.Hour, 26 * time.Hour} { // offsets before and after any change
		_, seconds := u.Add(near).In(zone).Zone()
		at := u.Add(-time.Duration(seconds) * time.Second)
		if _, there := at.In(zone).Zone(); there == seconds && !slices.ContainsFunc(all, at.Equal) {
			all = append(all, at)
		}
	}
	slices.SortFunc(all, time.Time.Compare)
	return all
}

// written reads a time in words. Of two instants the earlier is taken, unless the
// file has come past it: then it is the second time round.
func (r *Reader) written(text string) (time.Time, error) {
	forms := standardForms
	if r.form != nil {
		forms = []form{r.form}
	} else if _, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return parseRFC3339(text)
	}
	for _, f := range forms {
		c, ok := f.read(text)
		if !ok {
			continue
		}
		if c.offset == nil && r.o.Zone == nil {
			return time.Time{}, fmt.Errorf("got the time %q without an offset, want to be told the zone of the clock that wrote it", clip(text))
		}
		all := c.instants(r.o.Zone)
		switch {
		case len(all) == 0:
			return time.Time{}, fmt.Errorf("got the time %q, which the clocks of %s leave out", clip(text), r.o.Zone)
		case len(all) == 1:
			return all[0], nil
		}
		first := !r.begun || !r.last.After(all[0])
		r.problem("time comes twice", "got the time %q, which the clocks of %s show twice; it is taken for the first time round, until the times fall back, and then for the second", clip(text), r.o.Zone)
		if first {
			return all[0], nil
		}
		return all[1], nil
	}
	want := "RFC 3339 with its offset, such as 2026-11-24T12:00:00.100Z, or the year first, 2026-11-24 12:00:00.1; any other form has to be said"
	if r.form != nil {
		want = "the form " + r.o.TimeForm
	}
	return time.Time{}, fmt.Errorf("got the time %q, want one that exists, as %s", clip(text), want)
}
