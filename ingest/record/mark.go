package record

import (
	"context"
	"fmt"
	"slices"
	"strconv"
)

// part are rows of a rig that follow each other in its queue.
type part struct {
	seg   *segment // nil: they are in none
	first uint64   // number of the first
	n     int
}

// inSpool is how many of the first rows are accounted for by parts.
func (s *rigState) inSpool() (n int) {
	for _, p := range s.parts {
		n += p.n
	}
	return n
}

// mark is what a file is told of the rows that come into it. Of none: last is 0.
type mark struct{ run, last uint64 }

// mark returns the number of the last of the first n rows that is in the spool.
func (s *rigState) mark(n int) (m mark) {
	for _, p := range s.parts {
		k := min(n, p.n)
		if n -= k; p.seg != nil && k > 0 {
			m = mark{p.seg.run, p.first + uint64(k) - 1}
		}
	}
	return m
}

// write writes m into a file, in the transaction that brings the rows.
func (m mark) write(ctx context.Context, f *dayFile) error {
	if m.last == 0 {
		return nil
	}
	_, err := f.conn.ExecContext(ctx, "INSERT OR REPLACE INTO meta VALUES (?, ?)", markName(m.run), strconv.FormatUint(m.last, 10))
	return err
}

// written takes note that the first n rows of s, size bytes, are in its file.
func (w *writer) written(s *rigState, n, size int) {
	s.rows.drop(n, size)
	w.pending -= n
	w.bytes -= size
	s.spooled = max(0, s.spooled-size)
	for n > 0 && len(s.parts) > 0 {
		p := &s.parts[0]
		k := min(n, p.n)
		n -= k
		p.n -= k
		p.first += uint64(k)
		if p.seg != nil {
			p.seg.rows -= k
		}
		if p.n == 0 {
			s.parts = slices.Delete(s.parts, 0, 1)
		}
	}
}

// addFirst puts a row before the others, which keep their places in the spool.
func (w *writer) addFirst(s *rigState, row []byte) {
	s.rows.insert(0, row)
	w.pending++
	w.bytes += len(row)
	if len(s.parts) > 0 {
		s.parts = slices.Insert(s.parts, 0, part{n: 1})
		s.spooled += len(row)
	}
}

// sweep removes what of the spool is no longer needed; all of it at the end.
func (w *writer) sweep(end bool) {
	if w.spool == nil {
		return
	}
	if err := w.spool.sweep(end); err != nil {
		w.note(fmt.Errorf("recorder: spool: %w", err))
	}
	size := uint64(w.spool.size())
	w.r.update(func(st *Status) { st.Spool = size })
}
