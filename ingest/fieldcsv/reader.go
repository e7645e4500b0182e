// Package fieldcsv reads readings from CSV files and writes them.
//
// The first row names channels with their units in brackets,
//
//	time[s],hook_load[kN],block_height[m],drum_speed[rpm],brake_pressure[MPa]
//
// and each further row is one instant. Time is RFC 3339 (time), a number counted
// from 1970-01-01T00:00:00Z (time[s], time[ms]), or in another form that the options
// name, in one column or in two (date, time_of_day). Which comes first, day or month,
// and what zone a clock is in, is never guessed. An empty cell is "no value". Counts
// and on/off channels carry no unit. Other headings, and files without any, are
// read by saying what a column means (Column). Files may be gzipped.
//
// What is wrong in a row is counted and told once a kind, with the number of the
// first line, and takes nothing else with it. The package may not guess a unit.
package fieldcsv

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"strings"
	"time"

	"hoistward/ingest"
)

// Header says whether the first row holds headings.
type Header uint8

// The kinds of first row.
const (
	HeaderAuto    Header = iota // headings, unless every cell is a number, a time or empty
	HeaderPresent               // headings
	HeaderAbsent                // readings; Columns must name theirs by number
)

// Options say what a file does not say itself.
type Options struct {
	Columns []Column
	Nulls   []float64 // numbers that mean "no value", in the unit of the file
	Header  Header
	Comma   byte // between cells, ',' when 0

	// TimeForm is how times are written, in the parts of strftime, "%d.%m.%Y %H:%M:%S";
	// where dates have a column of their own, with a space between it and the time of
	// day. Empty = RFC 3339, or the year first.
	TimeForm string
	Zone     *time.Location // of the clock that wrote times without an offset; nil = not known, they are refused
}

// Problem is one kind of thing wrong in a file.
type Problem struct {
	Kind  string // "short row", "time repeated", ...
	Line  int    // of the first one, from 1
	Count int    // how many
	Text  string // the first one in words: got, want, what was done
}

// String returns the problem on one line.
func (p Problem) String() string {
	if p.Count == 1 {
		return fmt.Sprintf("line %d: %s", p.Line, p.Text)
	}
	return fmt.Sprintf("line %d: %s (and %d more of this kind: %s)", p.Line, p.Text, p.Count-1, p.Kind)
}

// Reader reads samples. It is for one goroutine.
type Reader struct {
	o        Options
	lines    *bufio.Reader
	closer   io.Closer
	name     string
	line     int
	torn     bool // the line just read has no end
	layout   layout
	form     form     // nil = the standard ones
	first    []string // a first row that holds readings
	last     time.Time
	begun    bool
	problems []Problem
	byKind   map[string]int
}

// maxLine is the longest line that is read, in bytes.
const maxLine = 1 << 20

// Open opens a file, gzipped or not. The caller closes the Reader.
func Open(path string, o Options) (*Reader, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	r, err := newReader(path, f, o)
	if err != nil {
		f.Close()
		return nil, err
	}
	r.closer = f
	return r, nil
}

// New reads from r, gzipped or not. The mistakes of the first row and of the
// options come all at once.
func New(r io.Reader, o Options) (*Reader, error) { return newReader("CSV", r, o) }

func newReader(name string, in io.Reader, o Options) (*Reader, error) {
	if o.Comma == 0 {
		o.Comma = ','
	}
	r := &Reader{o: o, name: name, byKind: map[string]int{}}
	var err error
	if o.TimeForm != "" {
		if r.form, err = parseForm(o.TimeForm); err != nil {
			return nil, err
		}
	}
	if r.lines, err = plain(in); err == nil {
		err = r.readHead()
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return r, nil
}

// plain takes a gzip wrapping and a byte order mark off.
func plain(in io.Reader) (*bufio.Reader, error) {
	b := bufio.NewReaderSize(in, 1<<16)
	if head, _ := b.Peek(2); bytes.Equal(head, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(b)
		if err != nil {
			return nil, err
		}
		b = bufio.NewReaderSize(z, 1<<16)
	}
	if head, _ := b.Peek(3); bytes.Equal(head, []byte{0xef, 0xbb, 0xbf}) {
		b.Discard(3)
	}
	return b, nil
}

// Close closes the file that Open has opened.
func (r *Reader) Close() error {
	if r.closer == nil {
		return nil
	}
	return r.closer.Close()
}

// Notes say what was left out of the file as a whole.
func (r *Reader) Notes() []string { return append([]string(nil), r.layout.notes...) }

// Problems returns what was wrong in the rows read so far, one of each kind, in
// the order of their first lines.
func (r *Reader) Problems() []Problem { return append([]Problem(nil), r.problems...) }

// Channels returns the channels that the file has columns of.
func (r *Reader) Channels() []ingest.Channel {
	var all []ingest.Channel
	for _, f := range r.layout.fields {
		if f.kind == measured {
			all = append(all, f.channel)
		}
	}
	return all
}

func (r *Reader) readHead() error {
	cells, err := r.row()
	if errors.Is(err, io.EOF) {
		return errors.New("got no row, want a row of headings and readings")
	}
	if err != nil {
		return err
	}
	headed := r.o.Header == HeaderPresent
	if r.o.Header == HeaderAuto {
		headed = hasText(cells)
	}
	if headed {
		r.layout, err = newLayout(cells, len(cells), r.o.Columns)
	} else {
		r.first = cells
		r.layout, err = newLayout(nil, len(cells), r.o.Columns)
	}
	return err
}

func hasText(cells []string) bool {
	for _, c := range cells {
		if c == "" {
			continue
		}
		_, err := parseNumber(c)
		_, notTime := time.Parse(time.RFC3339Nano, c)
		if err != nil && !errors.Is(err, errRange) && notTime != nil && !likeTime(c) {
			return true
		}
	}
	return false
}

// likeTime tells a written time, or a part of one, from a heading: digits first, and
// then what stands between digits.
func likeTime(cell string) bool {
	return cell[0] >= '0' && cell[0] <= '9' && strings.Trim(cell, "0123456789-/.,: TZ+AaPpMm") == ""
}

// row returns the cells of the next line that is not empty. A quotation that is
// not closed ends with its line.
func (r *Reader) row() ([]string, error) {
	for {
		line, err := r.readLine()
		if err != nil {
			return nil, err
		}
		if strings.TrimSpace(line) == "" {
			continue
		}
		return split(line, r.o.Comma), nil
	}
}

func split(line string, comma byte) []string {
	cells := strings.Split(line, string(comma))
	if strings.IndexByte(line, '"') >= 0 {
		c := csv.NewReader(strings.NewReader(line))
		c.Comma, c.LazyQuotes, c.FieldsPerRecord = rune(comma), true, -1
		if quoted, err := c.Read(); err == nil {
			cells = quoted
		}
	}
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	return cells
}

// readLine returns the next line without its end; torn tells that it has none.
func (r *Reader) readLine() (string, error) {
	var long []byte
	for {
		part, err := r.lines.ReadSlice('\n')
		long = append(long, part...)
		switch {
		case len(long) > maxLine:
			return "", fmt.Errorf("line %d: got more than %d bytes without an end of line, want rows of readings", r.line+1, maxLine)
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case err != nil && !errors.Is(err, io.EOF):
			return "", fmt.Errorf("after line %d: %w", r.line, err)
		case err != nil && len(long) == 0:
			return "", io.EOF
		}
		r.line++
		r.torn = err != nil
		return strings.TrimRight(string(long), "\r\n"), nil
	}
}

// All returns the samples to the end of the file. After an error, which is one of
// reading the file, nothing more comes.
func (r *Reader) All() iter.Seq2[ingest.Sample, error] {
	return func(yield func(ingest.Sample, error) bool) {
		for {
			s, err := r.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			if !yield(s, err) || err != nil {
				return
			}
		}
	}
}

// Next returns the next sample, in SI, or io.EOF. A row whose time cannot be read
// is a problem and is passed over.
func (r *Reader) Next() (ingest.Sample, error) {
	for {
		cells := r.first
		r.first = nil
		if cells == nil {
			var err error
			if cells, err = r.row(); err != nil {
				if !errors.Is(err, io.EOF) {
					err = fmt.Errorf("%s: %w", r.name, err)
				}
				return ingest.Sample{}, err
			}
		}
		if s, ok := r.sample(cells); ok {
			return s, nil
		}
	}
}

func (r *Reader) problem(kind, format string, args ...any) {
	if i, ok := r.byKind[kind]; ok {
		r.problems[i].Count++
		return
	}
	r.byKind[kind] = len(r.problems)
	r.problems = append(r.problems, Problem{Kind: kind, Line: r.line, Count: 1, Text: fmt.Sprintf(format, args...)})
}
