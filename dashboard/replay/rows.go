package replay

import (
	"bufio"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Bounds of what one request takes. Chosen here.
const (
	mostPoints = 4000 // of a window
	mostRows   = 4000 // of frames
	writeFor   = 60 * time.Second
)

// number reads a query's whole number, or returns standard where there is none.
func number(r *http.Request, name string, standard int64) (int64, error) {
	text := r.URL.Query().Get(name)
	if text == "" {
		return standard, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 0 || n > math.MaxInt64/1_000_000 {
		return 0, fmt.Errorf("%s: got %q, want a whole number", name, text)
	}
	return n, nil
}

// numbers reads several, each with its standard, in order.
func numbers(r *http.Request, names []string, standards ...int64) ([]int64, error) {
	out := make([]int64, len(names))
	for i, name := range names {
		var err error
		if out[i], err = number(r, name, standards[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// chosen returns the columns that a query names; none = all of the track.
func (t *Track) chosen(r *http.Request) (names []string, cols []int, err error) {
	if text := r.URL.Query().Get("columns"); text != "" {
		names = strings.Split(text, ",")
	} else {
		for _, q := range t.Columns {
			names = append(names, q.Name)
		}
	}
	if len(names) > numColumns {
		return nil, nil, fmt.Errorf("columns: got %d, want at most %d", len(names), numColumns)
	}
	for _, n := range names {
		i, ok := t.cols[n]
		if !ok {
			return nil, nil, fmt.Errorf("columns: got %q, want columns of this run", n)
		}
		cols = append(cols, i)
	}
	return names, cols, nil
}

func (d *Desk) series(w http.ResponseWriter, r *http.Request, run *Run) {
	t := track(w, run)
	if t == nil {
		return
	}
	n, err := numbers(r, []string{"from_ms", "to_ms", "points"}, t.From, t.To, 1000)
	if err == nil && (n[0] > n[1] || n[2] < 1 || n[2] > mostPoints) {
		err = fmt.Errorf("from_ms, to_ms, points: got %d, %d and %d, want a window and 1 to %d points", n[0], n[1], n[2], mostPoints)
	}
	var names []string
	var cols []int
	if err == nil {
		names, cols, err = t.chosen(r)
	}
	if err != nil {
		fail(w, http.StatusBadRequest, "%v", err)
		return
	}
	win := t.table.window(n[0], n[1], int(n[2]), cols)
	b := fmt.Appendf(nil, `{"from_ms":%d,"to_ms":%d,"rows":%d,"raw":%t,"t":[`, n[0], n[1], win.Rows, win.Raw)
	for i, x := range win.T {
		b = comma(b, i)
		b = strconv.AppendFloat(b, x, 'f', -1, 64)
	}
	b = append(b, `],"columns":{`...)
	for k, name := range names {
		b = comma(b, k)
		b = append(strconv.AppendQuote(b, name), `:{"min":`...)
		b = appendList(b, win.Min[k])
		if !win.Raw {
			b = append(b, `,"max":`...)
			b = appendList(b, win.Max[k])
		}
		b = append(b, '}')
	}
	b = append(b, "}}"...)
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(b) // the peer is gone: nobody to tell
}

func comma(b []byte, i int) []byte {
	if i > 0 {
		return append(b, ',')
	}
	return b
}

func appendList(b []byte, list []float32) []byte {
	b = append(b, '[')
	for i, x := range list {
		b = comma(b, i)
		if x != x {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendFloat(b, float64(x), 'g', -1, 32)
	}
	return append(b, ']')
}

// frames answers rows as they are: from row, or around at_ms with before rows ahead.
func (d *Desk) frames(w http.ResponseWriter, r *http.Request, run *Run) {
	t := track(w, run)
	if t == nil {
		return
	}
	n, err := numbers(r, []string{"row", "at_ms", "before", "count"}, 0, -1, 0, 100)
	var names []string
	var cols []int
	if err == nil {
		names, cols, err = t.chosen(r)
	}
	if err == nil && (n[3] < 1 || n[3] > mostRows) {
		err = fmt.Errorf("count: got %d, want 1 to %d", n[3], mostRows)
	}
	if err != nil {
		fail(w, http.StatusBadRequest, "%v", err)
		return
	}
	first := int(min(n[0], int64(t.Rows)))
	if n[1] >= 0 {
		first = t.table.search(n[1]+1) - 1
	}
	first = max(0, first-int(min(n[2], int64(t.Rows))))
	writeJSON(w, http.StatusOK, t.rowsFrom(first, int(n[3]), names, cols))
}

// rows is a run of rows as they are.
type rows struct {
	First   int             `json:"first"`
	T       []int64         `json:"t"` // ms since 1970
	Columns map[string]list `json:"columns"`
	Words   []words         `json:"words"`
}

type list []float32

// MarshalJSON writes null for what is not known.
func (l list) MarshalJSON() ([]byte, error) { return appendList(nil, l), nil }

// words are a row's state.
type words struct {
	Frame        bool   `json:"frame"` // readings came
	Break        bool   `json:"break,omitempty"`
	Activity     string `json:"activity"`
	Blind        string `json:"blind,omitempty"`
	HeightSource string `json:"height_source"`
	CannotStop   bool   `json:"cannot_stop,omitempty"`
	NothingAhead bool   `json:"nothing_ahead,omitempty"`
}

func (t *Track) rowsFrom(first, count int, names []string, cols []int) rows {
	last := min(t.Rows, first+count)
	out := rows{First: first, T: []int64{}, Columns: map[string]list{}, Words: []words{}}
	for row := first; row < last; row++ {
		s := t.table.state(row)
		out.T = append(out.T, t.table.time(row))
		out.Words = append(out.Words, words{s&rowFrame != 0, s&rowBreak != 0, s.activity(), s.blind(), s.heightSource(), s&rowCannotStop != 0, s&rowNothingAhead != 0})
	}
	for k, name := range names {
		l := make(list, 0, max(0, last-first))
		for row := first; row < last; row++ {
			l = append(l, t.table.value(cols[k], row))
		}
		out.Columns[name] = l
	}
	return out
}

// csv answers the frames of a window as a table.
func (d *Desk) csv(w http.ResponseWriter, r *http.Request, run *Run) {
	t := track(w, run)
	if t == nil {
		return
	}
	n, err := numbers(r, []string{"from_ms", "to_ms"}, t.From, t.To)
	var cols []int
	if err == nil {
		_, cols, err = t.chosen(r)
	}
	if err != nil {
		fail(w, http.StatusBadRequest, "%v", err)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+fileName(t.Rig, n[0], "table.csv")+`"`)
	out := bufio.NewWriterSize(w, 1<<16)
	defer out.Flush()
	control := http.NewResponseController(w)
	line := []byte("received,activity,blind,height_source")
	for _, c := range cols {
		line = append(line, ',')
		line = append(line, heading(quantities[c])...)
	}
	for row, last := t.table.search(n[0]), t.table.search(n[1]+1); row < last; row++ {
		if row%chunkRows == 0 {
			_ = control.SetWriteDeadline(time.Now().Add(writeFor)) // not of decisions: how long a peer may take
		}
		if t.table.state(row)&rowFrame == 0 {
			continue
		}
		if _, err := out.Write(append(line, '\n')); err != nil {
			return // the peer is gone
		}
		line = t.appendRow(line[:0], row, cols)
	}
	_, _ = out.Write(append(line, '\n'))
}

// heading writes a column's name with its unit in brackets where the name has none.
func heading(q Quantity) string {
	if q.From == "estimate" || q.Unit == "" {
		return q.Name
	}
	return q.Name + "[" + q.Unit + "]"
}

func (t *Track) appendRow(b []byte, row int, cols []int) []byte {
	s := t.table.state(row)
	b = time.UnixMilli(t.table.time(row)).UTC().AppendFormat(b, "2006-01-02T15:04:05.000Z")
	for _, word := range []string{s.activity(), s.blind(), s.heightSource()} {
		b = append(append(b, ','), word...)
	}
	for _, c := range cols {
		b = append(b, ',')
		if x := t.table.value(c, row); x == x {
			b = strconv.AppendFloat(b, float64(x), 'g', -1, 32)
		}
	}
	return b
}
