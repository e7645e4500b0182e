package replay

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"
)

// truthNear is how far a row of a truth file may be from a frame, of which it is then
// the truth.
const truthNear = 0.5 // s

// truthReader reads a simulator's truth file beside the recording of the same run: its
// first row is of the first sample.
type truthReader struct {
	csv   *csv.Reader
	cols  [numTruth]int
	first time.Time // of the source's clock
	zero  float64   // s, of the first row
	rows  [2]truthRow
	have  int
	over  bool
	err   error
}

type truthRow struct {
	t float64
	x [numTruth]float64
}

func newTruth(r io.Reader) (*truthReader, error) {
	t := &truthReader{csv: csv.NewReader(r)}
	t.csv.ReuseRecord = true
	head, err := t.csv.Read()
	if err != nil {
		return nil, fmt.Errorf("truth file: %w", err)
	}
	if head[0] != "time[s]" {
		return nil, fmt.Errorf("truth file: got a first column %q, want time[s]", head[0])
	}
	for i, n := range truthNames {
		if t.cols[i] = slices.Index(head, n.file); t.cols[i] < 0 {
			return nil, fmt.Errorf("truth file: got no column %s, want one", n.file)
		}
	}
	return t, nil
}

func (t *truthReader) start(at time.Time) {
	if t.first.IsZero() {
		t.first = at
		if t.next() {
			t.zero = t.rows[0].t
		}
	}
}

// next reads a row more behind the one that is the newest.
func (t *truthReader) next() bool {
	fields, err := t.csv.Read()
	if err != nil {
		t.over = true
		if !errors.Is(err, io.EOF) {
			t.err = err
		}
		return false
	}
	var r truthRow
	if r.t, err = strconv.ParseFloat(fields[0], 64); err != nil {
		t.over, t.err = true, fmt.Errorf("time: got %q, want seconds", fields[0])
		return false
	}
	for i, c := range t.cols {
		if r.x[i], err = strconv.ParseFloat(fields[c], 64); err != nil {
			r.x[i] = math.NaN()
		}
	}
	t.rows[0], t.rows[1] = r, t.rows[0]
	t.have++
	return true
}

// at returns the truth nearest to an instant of the source's clock, which rises.
func (t *truthReader) at(when time.Time) ([numTruth]float64, bool) {
	s := when.Sub(t.first).Seconds() + t.zero
	for !t.over && t.have > 0 && t.rows[0].t < s {
		t.next()
	}
	if t.have == 0 {
		return [numTruth]float64{}, false
	}
	best := t.rows[0]
	if t.have > 1 && math.Abs(t.rows[1].t-s) < math.Abs(best.t-s) {
		best = t.rows[1]
	}
	return best.x, math.Abs(best.t-s) <= truthNear
}
