package fieldcsv

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

// Column says what one column of a file means, where its own heading does not.
type Column struct {
	Heading string // as written in the file, without spaces around it
	Number  int    // from 1, for a file without headings; 0 when Heading counts
	Meaning string // "hook_load[klbf]", "drum_counts", "time[s]", "time", "date", "time_of_day"
}

// ParseColumn reads the form of the command line, "Hook Load=hook_load[klbf]" or
// "4=hook_load[klbf]" with the number of the column, counted from 1.
func ParseColumn(text string) (Column, error) {
	i := strings.LastIndexByte(text, '=')
	if i <= 0 {
		return Column{}, fmt.Errorf(`column: got %q, want a heading or number, "=" and a channel with its unit, such as "Hook Load=hook_load[klbf]"`, text)
	}
	c := Column{Heading: strings.TrimSpace(text[:i]), Meaning: strings.TrimSpace(text[i+1:])}
	if n, err := strconv.Atoi(c.Heading); err == nil {
		if n < 1 {
			return Column{}, fmt.Errorf("column: got number %d in %q, want 1 or more", n, text)
		}
		c.Number = n
	}
	if _, err := parseMeaning(c.Meaning); err != nil {
		return Column{}, fmt.Errorf("column: in %q: %w", text, err)
	}
	return c, nil
}

// field is what to do with one column.
type field struct {
	kind    fieldKind
	channel ingest.Channel
	unit    units.Unit
	heading string
}

type fieldKind uint8

const (
	leftOut fieldKind = iota
	measured
	clockText   // RFC 3339, or another form
	clockNumber // counts of unit from 1970-01-01T00:00:00Z
	clockDate   // the date of clockOfDay, which is the time
	clockOfDay
)

func (f field) isTime() bool {
	return f.kind == clockText || f.kind == clockNumber || f.kind == clockOfDay
}

// errNoChannel marks a heading that names no channel.
var errNoChannel = errors.New("is no channel")

// parseMeaning reads "hook_load[kN]", "drum_counts", "time" or "time[ms]".
func parseMeaning(text string) (field, error) {
	name, symbol, bracket := text, "", false
	if i := strings.IndexByte(text, '['); i >= 0 {
		if !strings.HasSuffix(text, "]") {
			return field{}, fmt.Errorf(`got %q, want the unit closed by "]"`, text)
		}
		name, symbol, bracket = strings.TrimSpace(text[:i]), strings.TrimSpace(text[i+1:len(text)-1]), true
	}
	f := field{kind: measured, heading: text}
	switch text {
	case "date":
		f.kind = clockDate
		return f, nil
	case "time_of_day":
		f.kind = clockOfDay
		return f, nil
	}
	dimension := units.Time
	if name == "time" {
		if f.kind = clockNumber; !bracket {
			f.kind = clockText
			return f, nil
		}
	} else {
		c, ok := ingest.ParseChannel(name)
		if !ok {
			return field{}, fmt.Errorf("got %q, which %w", text, errNoChannel)
		}
		f.channel, dimension = c, c.Dimension()
	}
	if symbol == "" && dimension != units.Dimensionless {
		return field{}, fmt.Errorf("got %q without a unit, want a unit of %s in brackets, such as %s[%s]",
			text, dimension, name, SI(dimension).Symbol)
	}
	u, ok := units.Lookup(symbol)
	switch {
	case !ok:
		return field{}, fmt.Errorf("got the unit %q in %q, which is not known, want a unit of %s", symbol, text, dimension)
	case u.Dimension != dimension:
		return field{}, fmt.Errorf("got the unit %q in %q, a unit of %s, want one of %s", symbol, text, u.Dimension, dimension)
	}
	f.unit = u
	return f, nil
}

// SI returns the SI unit of the dimensions that channels and time have.
func SI(d units.Dimension) units.Unit {
	for _, symbol := range []string{"", "N", "m", "rad/s", "Pa", "N.m", "A", "K", "s"} {
		if u, _ := units.Lookup(symbol); u.Dimension == d {
			return u
		}
	}
	return units.Unit{Dimension: d, Factor: 1}
}

// layout is the meaning of all columns of one file.
type layout struct {
	fields []field
	time   int // index of the time column
	date   int // of the column of dates beside it, -1 when there is none
	notes  []string
}

// newLayout works out the columns. Headings is nil for a file without them,
// which has width columns. All mistakes are returned together.
func newLayout(headings []string, width int, columns []Column) (layout, error) {
	l := layout{fields: make([]field, width), time: -1, date: -1}
	var all []error
	fail := func(format string, args ...any) { all = append(all, fmt.Errorf(format, args...)) }
	given := make([]*Column, width)
	for i := range columns {
		c := &columns[i]
		at := place(headings, width, c)
		switch {
		case at < 0 && headings == nil && c.Number == 0:
			fail("column %q: got a file without headings, want the number of the column in its place", c.Heading)
		case at < 0 && c.Number != 0:
			fail("column %d: got a file of %d columns", c.Number, width)
		case at < 0:
			fail("column %q: got no such heading, want one of %s", c.Heading, quoted(headings))
		case given[at] != nil:
			fail("column %d: is mapped twice, to %q and %q", at+1, given[at].Meaning, c.Meaning)
		default:
			given[at] = c
		}
	}
	for i := range l.fields {
		text, mapped := "", given[i] != nil
		if mapped {
			text = given[i].Meaning
		} else if headings != nil {
			text = headings[i]
		}
		f, err := parseMeaning(text)
		if headings != nil {
			f.heading = headings[i]
		}
		switch {
		case err == nil:
			l.fields[i] = f
		case errors.Is(err, errNoChannel) && !mapped:
			if headings != nil {
				l.notes = append(l.notes, fmt.Sprintf("column %d, %q, is no channel and is left out", i+1, text))
			}
		default:
			fail("column %d: %w", i+1, err)
		}
	}
	all = append(all, l.checkOnce()...)
	if headings == nil {
		l.noteUnnamed()
	}
	return l, errors.Join(all...)
}

// place finds the column that c speaks of, -1 if there is none.
func place(headings []string, width int, c *Column) int {
	for i, h := range headings {
		if h == c.Heading && c.Heading != "" {
			return i
		}
	}
	if c.Number >= 1 && c.Number <= width {
		return c.Number - 1
	}
	return -1
}

// checkOnce finds the time column and refuses a channel that comes twice.
func (l *layout) checkOnce() []error {
	var all []error
	seen := map[ingest.Channel]int{}
	for i, f := range l.fields {
		switch {
		case f.isTime() && l.time >= 0:
			all = append(all, fmt.Errorf("column %d: got time a second time, first in column %d", i+1, l.time+1))
		case f.isTime():
			l.time = i
		case f.kind == clockDate && l.date >= 0:
			all = append(all, fmt.Errorf("column %d: got the date a second time, first in column %d", i+1, l.date+1))
		case f.kind == clockDate:
			l.date = i
		case f.kind == measured:
			if first, ok := seen[f.channel]; ok {
				all = append(all, fmt.Errorf("column %d: got %s a second time, first in column %d", i+1, f.channel, first+1))
			}
			seen[f.channel] = i
		}
	}
	if l.time < 0 {
		all = append(all, errors.New(`got no column of time, want one headed time (RFC 3339), time[s] or time[ms], or one mapped to it, such as "1=time[s]"`))
	}
	if l.time >= 0 && (l.date >= 0) != (l.fields[l.time].kind == clockOfDay) {
		all = append(all, errors.New("got a column of date without one of time_of_day, or the other way round, want both, or one of time"))
	}
	if len(seen) == 0 {
		all = append(all, errors.New(`got no column of a channel, want at least one, such as hook_load[kN], or one mapped to it, such as "4=hook_load[klbf]"`))
	}
	return all
}

func (l *layout) noteUnnamed() {
	var numbers []string
	for i, f := range l.fields {
		if f.kind == leftOut {
			numbers = append(numbers, strconv.Itoa(i+1))
		}
	}
	if numbers != nil {
		l.notes = append(l.notes, "no channel was named for the columns "+strings.Join(numbers, ", ")+"; they are left out")
	}
}

func quoted(list []string) string {
	q := make([]string, len(list))
	for i, s := range list {
		q[i] = strconv.Quote(s)
	}
	return strings.Join(q, ", ")
}
