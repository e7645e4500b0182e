package record

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Column is one column of the table of estimates. The unit belongs to the name,
// as in "height_m".
type Column struct {
	Name string
	Text bool // words; else a number
}

// Answers are the values of one estimate, in the order of Options.Estimates: the
// numbers in the order of the columns of numbers, the texts in that of the others.
// NaN means "not known" and becomes NULL; an infinity is kept.
type Answers struct {
	Numbers []float64
	Texts   []string
}

// Estimate is one row of answers as recorded.
type Estimate struct {
	Rig      string
	Seq      uint64 // of the entry that led to it
	Received time.Time
	Time     time.Time // event time, UTC
	Columns  []Column  // those of its file, shared by its rows
	Values   []any     // by column: float64, string, or nil where nothing is known
}

// Number returns the number in the column of that name, NaN where none is known or
// the file has no such column.
func (e *Estimate) Number(name string) float64 {
	if x, ok := e.value(name).(float64); ok {
		return x
	}
	return math.NaN()
}

// Text returns the words in the column of that name, empty where there are none.
func (e *Estimate) Text(name string) string {
	s, _ := e.value(name).(string)
	return s
}

func (e *Estimate) value(name string) any {
	if i := slices.IndexFunc(e.Columns, func(c Column) bool { return c.Name == name }); i >= 0 {
		return e.Values[i]
	}
	return nil
}

// AddEstimate takes the answers that entry seq of the rig led to; at is their event
// time. It never blocks, and keeps its own copy of nothing: the slices are not to
// be changed afterwards. False means not taken, which is counted.
func (r *Recorder) AddEstimate(rig string, seq uint64, received, at time.Time, a Answers) bool {
	numbers, texts := countColumns(r.opts.Estimates)
	if len(a.Numbers) != numbers || len(a.Texts) != texts || numbers+texts == 0 {
		r.refuse(fmt.Errorf("recording of %s: got an estimate of %d numbers and %d texts, want %d and %d",
			rig, len(a.Numbers), len(a.Texts), numbers, texts))
		return false
	}
	it := item{kind: itemEstimate, estimate: &estimateRow{at: at, Answers: a}}
	it.entry.Rig, it.entry.Seq, it.entry.Received = rig, seq, received
	return r.offer(it)
}

type estimateRow struct {
	Answers
	at time.Time
}

func countColumns(columns []Column) (numbers, texts int) {
	for _, c := range columns {
		if c.Text {
			texts++
		} else {
			numbers++
		}
	}
	return numbers, texts
}

// estimateKeys are the columns of table estimate before the answers.
var estimateKeys = []string{"seq", "received", "time"}

var columnForm = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]{0,62}$`)

// checkColumns refuses names that could not stand in a table.
func checkColumns(columns []Column) error {
	seen := map[string]bool{"seq": true, "received": true, "time": true, "crc": true, "time_utc": true}
	for _, c := range columns {
		name := strings.ToLower(c.Name)
		if !columnForm.MatchString(c.Name) || seen[name] {
			return fmt.Errorf("recorder: got the column %q of estimates, want names of letters, digits and underscores, each once, none of seq, received, time, time_utc, crc", c.Name)
		}
		seen[name] = true
	}
	return nil
}

const estimateSchema = `CREATE TABLE estimate ( -- what the monitor answered, at the rate set; the entries give all of it again
  seq INTEGER PRIMARY KEY,   -- the entry that led to it
  received INTEGER NOT NULL, -- ns since 1970-01-01T00:00:00Z
  time INTEGER,              -- ns since 1970-01-01T00:00:00Z, event time
  crc INTEGER                -- see table meta, checksum
);
CREATE VIEW estimate_utc AS SELECT strftime('%Y-%m-%dT%H:%M:%fZ', time/1000000000.0, 'unixepoch') AS time_utc, * FROM estimate;
`

// addEstimateColumns gives table estimate the columns it does not have yet.
func (f *dayFile) addEstimateColumns(ctx context.Context, columns []Column) error {
	have, err := estimateColumns(ctx, f.conn)
	if err != nil {
		return err
	}
	for _, c := range columns {
		if slices.ContainsFunc(have, func(h Column) bool { return h.Name == c.Name }) {
			continue
		}
		if _, err := f.conn.ExecContext(ctx, fmt.Sprintf("ALTER TABLE estimate ADD COLUMN %q %s", c.Name, c.kind())); err != nil {
			return err
		}
	}
	return nil
}

func (c Column) kind() string {
	if c.Text {
		return "TEXT"
	}
	return "REAL"
}

// estimateColumns returns the columns of answers that a file has.
func estimateColumns(ctx context.Context, q querier) ([]Column, error) {
	rows, err := q.QueryContext(ctx, "SELECT name, type FROM pragma_table_info('estimate')")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []Column
	for rows.Next() {
		var name, kind string
		if err := rows.Scan(&name, &kind); err != nil {
			return nil, err
		}
		if name == "crc" || slices.Contains(estimateKeys, name) {
			continue
		}
		if !columnForm.MatchString(name) {
			return nil, fmt.Errorf("got the column %q of estimates: %w", name, errDamage)
		}
		all = append(all, Column{name, kind == "TEXT"})
	}
	return all, rows.Err()
}

func names(columns []Column) []string {
	var all []string
	for _, c := range columns {
		all = append(all, c.Name)
	}
	return all
}

var errNoEstimates = errors.New("this recorder was opened without columns of estimates")

func (f *dayFile) writeEstimate(ctx context.Context, it *item, received int64) error {
	if len(f.columns) == 0 {
		return fmt.Errorf("%w: %w", errRefused, errNoEstimates)
	}
	if f.estimate == nil {
		columns := append(slices.Clone(estimateKeys), names(f.columns)...)
		f.estimateSum = newRowSum(columns)
		if err := f.prepare(ctx, &f.estimate, "estimate", append(columns, "crc")); err != nil {
			return err
		}
	}
	args := append(f.scratch[:0], int64(it.entry.Seq), received, nil)
	if ns, ok := nanoseconds(it.estimate.at); ok && !it.estimate.at.IsZero() {
		args[2] = ns
	}
	numbers, texts := it.estimate.Numbers, it.estimate.Texts
	for _, c := range f.columns {
		switch {
		case c.Text:
			args = append(args, strings.ToValidUTF8(texts[0], "\uFFFD"))
			texts = texts[1:]
		case math.IsNaN(numbers[0]):
			args, numbers = append(args, nil), numbers[1:]
		default:
			args, numbers = append(args, numbers[0]), numbers[1:]
		}
	}
	return f.exec(ctx, f.estimate, append(args, f.estimateSum.of(args)))
}

// Estimates returns the recorded estimates, in the order of Read. A file without
// any, or begun before they were recorded, adds none.
func Estimates(paths ...string) iter.Seq2[Estimate, error] { return EstimatesAfter(0, paths...) }

// EstimatesAfter is Estimates of what has a greater Seq than seq.
func EstimatesAfter(seq uint64, paths ...string) iter.Seq2[Estimate, error] {
	return merged(paths, table[Estimate]{
		after: seq,
		name:  "estimate", order: "seq", since: 2, sum: true,
		of: func(i *info) []string { return append(slices.Clone(estimateKeys), names(i.estimate)...) },
		decode: func(i *info, row []any) (Estimate, key, int64, error) {
			seq, ok := row[0].(int64)
			received, ok2 := row[1].(int64)
			e := Estimate{Rig: i.rig, Seq: uint64(seq), Received: instant(received), Columns: i.estimate,
				Values: slices.Clone(row[len(estimateKeys):])}
			if at, ok := row[2].(int64); ok {
				e.Time = instant(at)
			}
			if !ok || !ok2 {
				return e, key{}, 0, fmt.Errorf("got the keys %v of an estimate, want numbers", row[:2])
			}
			return e, key{seq, 0}, received, nil
		},
	})
}
