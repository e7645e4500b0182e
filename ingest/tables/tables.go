// Package tables writes rows of numbers and words for other programs: CSV, Parquet
// and line protocol.
//
// A row is of one rig and one instant. Headings carry the unit, "hook_load[kN]" or
// "height_m". What is not known is an empty cell, a null, or no field. Times are UTC:
// RFC 3339 in CSV, a timestamp in nanoseconds in the others.
//
// The package may not know what a column means.
package tables

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
)

// Column is one column behind time.
type Column struct {
	Heading string // with the unit; letters, digits and _ [ ] . / % - alone
	Text    bool   // words; else a number
}

// Row is what is known of one rig at one instant.
type Row struct {
	Rig    string
	Time   time.Time
	Values []any // by column: float64, string, or nil where nothing is known
}

// Writer writes rows. Close ends the table, not what it is written to.
type Writer interface {
	Write(r *Row) error
	Close() error
}

func checkColumns(columns []Column) error {
	seen := map[string]bool{"time": true, "rig": true}
	for _, c := range columns {
		if c.Heading == "" || strings.ContainsFunc(c.Heading, notInHeading) || seen[c.Heading] {
			return fmt.Errorf("table: got the heading %q, want letters, digits and _ [ ] . / %% -, each heading once, none time or rig", c.Heading)
		}
		seen[c.Heading] = true
	}
	return nil
}

func notInHeading(r rune) bool {
	letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
	return !letter && !strings.ContainsRune("_[]./%-", r)
}

// check tells what is wrong with the shape of a row.
func (r *Row) check(columns []Column) error {
	if len(r.Values) != len(columns) {
		return fmt.Errorf("table: got a row of %d values, want %d", len(r.Values), len(columns))
	}
	for i, v := range r.Values {
		switch v.(type) {
		case nil:
			continue
		case float64:
			if !columns[i].Text {
				continue
			}
		case string:
			if columns[i].Text {
				continue
			}
		}
		return fmt.Errorf("table: got %v (%T) in column %s, want a number or a text as the column is", v, v, columns[i].Heading)
	}
	return nil
}

// known tells whether v is there: NaN is not.
func known(v any) bool {
	x, number := v.(float64)
	return v != nil && !(number && math.IsNaN(x))
}

type csvWriter struct {
	columns []Column
	w       *bufio.Writer
	line    []byte
}

// NewCSV writes the headings and returns a writer of rows. The rig does not stand in
// a row: a file is of one.
func NewCSV(w io.Writer, columns []Column) (Writer, error) {
	if err := checkColumns(columns); err != nil {
		return nil, err
	}
	c := &csvWriter{columns: columns, w: bufio.NewWriterSize(w, 1<<16)}
	c.line = append(c.line, "time"...)
	for _, col := range columns {
		c.line = append(append(c.line, ','), col.Heading...)
	}
	_, err := c.w.Write(append(c.line, '\n'))
	return c, err
}

func (c *csvWriter) Write(r *Row) error {
	if err := r.check(c.columns); err != nil {
		return err
	}
	c.line = appendTime(c.line[:0], r.Time)
	for _, v := range r.Values {
		c.line = append(c.line, ',')
		switch x := v.(type) {
		case float64:
			c.line = appendNumber(c.line, x)
		case string:
			c.line = appendWords(c.line, x)
		}
	}
	_, err := c.w.Write(append(c.line, '\n'))
	return err
}

func (c *csvWriter) Close() error { return c.w.Flush() }

// appendTime writes milliseconds, and as many more digits as it takes to be exact.
func appendTime(b []byte, t time.Time) []byte {
	form := "2006-01-02T15:04:05.000000000Z"
	switch ns := t.Nanosecond(); {
	case ns%1e6 == 0:
		form = "2006-01-02T15:04:05.000Z"
	case ns%1e3 == 0:
		form = "2006-01-02T15:04:05.000000Z"
	}
	return t.UTC().AppendFormat(b, form)
}

func appendNumber(b []byte, x float64) []byte {
	switch {
	case math.IsNaN(x):
		return b
	case math.IsInf(x, 1):
		return append(b, "inf"...)
	case math.IsInf(x, -1):
		return append(b, "-inf"...)
	}
	return strconv.AppendFloat(b, x, 'g', -1, 64)
}

// appendWords quotes where RFC 4180 asks for it.
func appendWords(b []byte, s string) []byte {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return append(b, s...)
	}
	return append(append(append(b, '"'), strings.ReplaceAll(s, `"`, `""`)...), '"')
}

type lineWriter struct {
	columns     []Column
	measurement string
	w           io.Writer
	enc         lineprotocol.Encoder
}

// NewLines returns a writer of line protocol: a line a row, its tag rig, its fields
// floats and strings, its time in nanoseconds. Numbers without end are no field
// there, and a row without any field is no line.
func NewLines(w io.Writer, measurement string, columns []Column) (Writer, error) {
	if err := checkColumns(columns); err != nil {
		return nil, err
	}
	l := &lineWriter{columns: columns, measurement: measurement, w: w}
	l.enc.SetPrecision(lineprotocol.Nanosecond)
	return l, nil
}

func (l *lineWriter) Write(r *Row) error {
	if err := r.check(l.columns); err != nil {
		return err
	}
	started := false
	for i, v := range r.Values {
		if !known(v) {
			continue
		}
		x, ok := lineprotocol.NewValue(v)
		if !ok {
			continue // infinite, or text that is not UTF-8
		}
		if !started {
			started = true
			l.enc.StartLine(l.measurement)
			l.enc.AddTag("rig", r.Rig)
		}
		l.enc.AddField(l.columns[i].Heading, x)
	}
	if !started {
		return nil
	}
	l.enc.EndLine(r.Time)
	if len(l.enc.Bytes()) > 1<<16 {
		return l.flush()
	}
	return nil
}

func (l *lineWriter) flush() error {
	if err := l.enc.Err(); err != nil {
		return fmt.Errorf("line protocol: %w", err)
	}
	_, err := l.w.Write(l.enc.Bytes())
	l.enc.Reset()
	return err
}

func (l *lineWriter) Close() error { return l.flush() }
