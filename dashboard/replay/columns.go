package replay

import (
	"math"
	"sort"
	"unsafe"
)

// Rows of a chunk, and of the stretches whose least and most are kept. Each is
// fanOut of the one below.
const (
	fanOut    = 16
	levels    = 3
	chunkRows = fanOut * fanOut * fanOut
)

// extent is the least and the most of a stretch; Min > Max = nothing known in it.
type extent struct{ Min, Max float32 }

var unknown = extent{float32(math.Inf(1)), float32(math.Inf(-1))}

func (e extent) known() bool { return e.Min <= e.Max }

// with widens e by o.
func (e extent) with(o extent) extent { return extent{min(e.Min, o.Min), max(e.Max, o.Max)} }

// column is one quantity over a chunk: the numbers, NaN = not known, and the extents
// of each 16, 256 and 4096 of them.
type column struct {
	x   []float32
	sum [levels][]extent
}

func newColumn() *column {
	c := &column{x: make([]float32, chunkRows)}
	nan := float32(math.NaN())
	for i := range c.x {
		c.x[i] = nan
	}
	for l, n := 0, chunkRows/fanOut; l < levels; l, n = l+1, n/fanOut {
		c.sum[l] = make([]extent, n)
		for i := range c.sum[l] {
			c.sum[l][i] = unknown
		}
	}
	return c
}

func (c *column) set(i int, x float32) {
	c.x[i] = x
	e := extent{x, x}
	for l := range c.sum {
		i /= fanOut
		c.sum[l][i] = c.sum[l][i].with(e)
	}
}

// extent returns that of rows i up to j.
func (c *column) extent(i, j int) extent {
	e := unknown
	for i < j {
		l, size := 0, 1
		for l < levels && i%(size*fanOut) == 0 && i+size*fanOut <= j {
			l, size = l+1, size*fanOut
		}
		if l > 0 {
			e = e.with(c.sum[l-1][i/size])
		} else if x := c.x[i]; x == x {
			e = e.with(extent{x, x})
		}
		i += size
	}
	return e
}

// chunk holds chunkRows rows. A column without a number in it is nil.
type chunk struct {
	n     int
	t     []int64 // ms since 1970
	state []state
	cols  []*column
}

// Table is rows in order of time with columns of numbers, in memory of 32 bits each:
// seven digits.
type Table struct {
	columns int
	rows    int
	bytes   int64
	chunks  []*chunk
}

func newTable(columns int) *Table { return &Table{columns: columns} }

// add appends a row at t, ms, not before the last one's: an earlier time is taken as
// the last one's.
func (b *Table) add(t int64, s state, row []float64) {
	if b.rows == len(b.chunks)*chunkRows {
		c := &chunk{t: make([]int64, chunkRows), state: make([]state, chunkRows), cols: make([]*column, b.columns)}
		b.bytes += chunkRows * int64(unsafe.Sizeof(int64(0))+unsafe.Sizeof(state(0)))
		b.chunks = append(b.chunks, c)
	}
	c := b.chunks[len(b.chunks)-1]
	if b.rows > 0 {
		t = max(t, b.time(b.rows-1))
	}
	i := c.n
	c.t[i], c.state[i] = t, s
	for k, x := range row {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			continue
		}
		if c.cols[k] == nil {
			c.cols[k] = newColumn()
			b.bytes += columnBytes
		}
		c.cols[k].set(i, float32(x))
	}
	c.n++
	b.rows++
}

const columnBytes = chunkRows*4 + (chunkRows/fanOut+chunkRows/fanOut/fanOut+1)*8

func (b *Table) time(row int) int64 { return b.chunks[row/chunkRows].t[row%chunkRows] }

func (b *Table) state(row int) state { return b.chunks[row/chunkRows].state[row%chunkRows] }

// value returns a number; NaN = not known.
func (b *Table) value(col, row int) float32 {
	c := b.chunks[row/chunkRows].cols[col]
	if c == nil {
		return float32(math.NaN())
	}
	return c.x[row%chunkRows]
}

// search returns the first row at t or later.
func (b *Table) search(t int64) int {
	return sort.Search(b.rows, func(i int) bool { return b.time(i) >= t })
}

// extent returns the least and the most of a column over rows i up to j.
func (b *Table) extent(col, i, j int) extent {
	e := unknown
	for i < j {
		end := min(j, (i/chunkRows+1)*chunkRows)
		if c := b.chunks[i/chunkRows].cols[col]; c != nil {
			e = e.with(c.extent(i%chunkRows, (end-1)%chunkRows+1))
		}
		i = end
	}
	return e
}

// has tells whether a column has any number.
func (b *Table) has(col int) bool {
	for _, c := range b.chunks {
		if c.cols[col] != nil {
			return true
		}
	}
	return false
}
