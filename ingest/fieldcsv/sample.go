package fieldcsv

import (
	"math"
	"slices"
	"strconv"
	"time"

	"hoistward/ingest"
)

var errRange = strconv.ErrRange

// sample makes a sample of a row, and tells whether the row has a time.
func (r *Reader) sample(cells []string) (ingest.Sample, bool) {
	var s ingest.Sample
	fields := r.layout.fields
	long := r.checkWidth(cells)
	if r.layout.time >= len(cells) || cells[r.layout.time] == "" {
		r.problem("no time", "got no time, the row is left out")
		return s, false
	}
	text := cells[r.layout.time]
	if d := r.layout.date; d >= 0 {
		if d >= len(cells) || cells[d] == "" {
			r.problem("no time", "got no date, the row is left out")
			return s, false
		}
		text = cells[d] + " " + text
	}
	at, err := r.parseTime(fields[r.layout.time], text)
	if err != nil {
		r.problem("impossible time", "%s; the row is left out", err)
		return s, false
	}
	r.checkOrder(at)
	s.Time = at
	for i, f := range fields {
		if f.kind != measured {
			continue
		}
		switch {
		case i >= len(cells):
			s.Set(f.channel, ingest.BadValue(ingest.Absent))
		case long:
			s.Set(f.channel, ingest.BadValue(ingest.WrongType))
		case r.torn && len(cells) < len(fields) && i == len(cells)-1:
			s.Set(f.channel, ingest.BadValue(ingest.Absent)) // its end may be missing
		default:
			s.Set(f.channel, r.value(f, cells[i]))
		}
	}
	return s, true
}

// checkWidth notes a row that is too short, and tells whether it is too long: then
// nobody can say which cell belongs to which column.
func (r *Reader) checkWidth(cells []string) (long bool) {
	want := len(r.layout.fields)
	switch {
	case len(cells) < want && r.torn:
		r.problem("torn row", "got %d cells at the end of the file, want %d; the file was cut off here, the last cell and those missing are no value", len(cells), want)
	case len(cells) < want:
		r.problem("short row", "got %d cells, want %d; those missing are no value", len(cells), want)
	case len(cells) > want && slices.ContainsFunc(cells[want:], func(c string) bool { return c != "" }):
		r.problem("long row", "got %d cells, want %d; none of the row's values is taken", len(cells), want)
		return true
	}
	return false
}

func (r *Reader) checkOrder(at time.Time) {
	switch {
	case !r.begun:
	case at.Equal(r.last):
		r.problem("time repeated", "got the time %s again, as in the row before", formatTime(nil, at))
	case at.Before(r.last):
		r.problem("time backward", "got the time %s after %s", formatTime(nil, at), formatTime(nil, r.last))
	}
	r.last, r.begun = at, true
}

func (r *Reader) value(f field, cell string) ingest.Value {
	if cell == "" {
		return ingest.BadValue(ingest.Null)
	}
	x, err := parseNumber(cell)
	switch {
	case err != nil:
		r.problem("no number in "+f.channel.String(), "got %q in column %q, want a number; it is no value", clip(cell), f.name())
		return ingest.BadValue(ingest.NotANumber)
	case slices.Contains(r.o.Nulls, x):
		return ingest.BadValue(ingest.Null)
	}
	if v := f.toSI(x); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return ingest.Number(v)
	}
	r.problem("no finite number in "+f.channel.String(), "got %q in column %q, want a finite number; it is no value", clip(cell), f.name())
	return ingest.BadValue(ingest.NotANumber)
}

// toSI keeps the sign of zero, which adding an offset of 0 would take away.
func (f field) toSI(x float64) float64 {
	if f.unit.Offset == 0 {
		return x * f.unit.Factor
	}
	return f.unit.ToSI(x)
}

// name is what messages call the column.
func (f field) name() string {
	if f.heading != "" {
		return f.heading
	}
	return f.channel.String()
}
