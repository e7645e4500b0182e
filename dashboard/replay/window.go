package replay

// Window is a stretch of a table as a plot wants it: the rows themselves where they are
// few, else the least and the most of as many equal stretches of time as were asked for.
type Window struct {
	Rows int       // in the window
	Raw  bool      // T are the rows' times, Max is nil
	T    []float64 // ms since 1970; of a stretch its middle
	Min  [][]float32
	Max  [][]float32 // by column; NaN = nothing known
}

// window looks at the rows received from from up to and with to. A raw window has one
// row more at each end, so that a line goes on to the edge of a plot.
func (b *Table) window(from, to int64, points int, cols []int) Window {
	first, last := b.search(from), b.search(to+1)
	if last-first <= 2*points {
		return b.raw(first, last, cols)
	}
	w := Window{Rows: last - first, T: make([]float64, points), Min: make([][]float32, len(cols)), Max: make([][]float32, len(cols))}
	for k := range cols {
		w.Min[k], w.Max[k] = make([]float32, points), make([]float32, points)
	}
	span := float64(to-from+1) / float64(points)
	at := first
	for p := range points {
		end := last
		if p < points-1 {
			end = max(at, min(last, b.search(from+int64(float64(p+1)*span))))
		}
		w.T[p] = float64(from) + (float64(p)+0.5)*span
		for k, col := range cols {
			e := b.extent(col, at, end)
			if !e.known() {
				e = extent{nan32, nan32}
			}
			w.Min[k][p], w.Max[k][p] = e.Min, e.Max
		}
		at = end
	}
	return w
}

func (b *Table) raw(first, last int, cols []int) Window {
	w := Window{Rows: last - first, Raw: true, Min: make([][]float32, len(cols))}
	first, last = max(0, first-1), min(b.rows, last+1)
	for row := first; row < last; row++ {
		w.T = append(w.T, float64(b.time(row)))
		for k, col := range cols {
			w.Min[k] = append(w.Min[k], b.value(col, row))
		}
	}
	return w
}
