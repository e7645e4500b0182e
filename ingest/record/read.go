package record

import (
	"cmp"
	"container/heap"
	"context"
	"fmt"
	"iter"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"hoistward/ingest"
)

// Event is one journal line as recorded.
type Event struct {
	Rig      string
	Seq      uint64 // of the entry that made it
	Received time.Time
	Line     []byte
}

// Reject is a message, or several alike, that was not understood.
type Reject struct {
	Rig      string
	Received time.Time
	Source   string
	Reason   string
	Detail   string
	Count    uint64
}

// Read returns the entries of all recordings in paths (files, or folders of
// them). The entries of one rig in one folder come in the order of Seq, and
// recordings are merged by Received, Seq and rig. Memory is bounded: a few rows of
// each rig are held, and no transaction stays open, so that a slow reader does
// not keep a recorder's write-ahead log from being folded.
//
// An error (ErrNotRecording, ErrNewer, ErrDamaged, or of the system) names its
// file; what can be read beside it still comes after it, if the caller goes on.
func Read(paths ...string) iter.Seq2[ingest.Entry, error] { return ReadAfter(0, paths...) }

// ReadAfter is Read of what has a greater Seq than seq.
func ReadAfter(seq uint64, paths ...string) iter.Seq2[ingest.Entry, error] {
	return merged(paths, table[ingest.Entry]{
		after: seq,
		name:  "entry", order: "seq", since: 1,
		of: func(i *info) []string {
			columns := slices.Clone(entryColumns)
			for c := range i.channels {
				columns = append(columns, ingest.Channel(c).String())
			}
			return columns
		},
		sum: true,
		decode: func(i *info, row []any) (ingest.Entry, key, int64, error) {
			e, err := decodeEntry(i.rig, row)
			return e, key{int64(e.Seq), 0}, e.Received.UnixNano(), err
		},
		spoiled: spoiledEntry,
	})
}

// Events returns the journal lines in the same way and order.
func Events(paths ...string) iter.Seq2[Event, error] { return EventsAfter(0, paths...) }

// EventsAfter is Events of what has a greater Seq than seq.
func EventsAfter(seq uint64, paths ...string) iter.Seq2[Event, error] {
	return merged(paths, table[Event]{
		after: seq,
		name:  "event", order: "seq, id", since: 1, columns: []string{"seq", "id", "received", "line"}, sum: true,
		decode: func(i *info, row []any) (Event, key, int64, error) {
			k, err := keyOf(row)
			received, _ := row[2].(int64)
			line, _ := row[3].(string)
			return Event{i.rig, uint64(k[0]), instant(received), []byte(line)}, k, received, err
		},
	})
}

// Rejects returns the messages that were not understood, by Received.
func Rejects(paths ...string) iter.Seq2[Reject, error] {
	return merged(paths, table[Reject]{
		name: "reject", order: "received, id", since: 1,
		columns: []string{"received", "id", "source", "reason", "detail", "count"},
		decode: func(i *info, row []any) (Reject, key, int64, error) {
			k, err := keyOf(row)
			r := Reject{Rig: i.rig, Received: instant(k[0])}
			r.Source, _ = row[2].(string)
			r.Reason, _ = row[3].(string)
			r.Detail, _ = row[4].(string)
			count, _ := row[5].(int64)
			r.Count = uint64(count)
			return r, k, k[0], err
		},
	})
}

// key orders the rows of one table: the columns of table.order.
type key [2]int64

func (k key) compare(o key) int { return cmp.Or(cmp.Compare(k[0], o[0]), cmp.Compare(k[1], o[1])) }

func keyOf(row []any) (key, error) {
	a, ok := row[0].(int64)
	b, ok2 := row[1].(int64)
	if !ok || !ok2 {
		return key{}, fmt.Errorf("row %v: got keys that are no numbers: %w", row[:2], ErrDamaged)
	}
	return key{a, b}, nil
}

// table says how rows become values of T.
type table[T any] struct {
	name    string
	order   string               // the key
	after   uint64               // Seq; only what is behind it, where order begins with seq
	since   int                  // format that has it; a file of an older one adds nothing
	columns []string             // the key's first
	of      func(*info) []string // in place of columns, where they are a file's own
	sum     bool                 // rows have a checksum, of the columns but id
	decode  func(*info, []any) (T, key, int64, error)
	spoiled func(at spoiled) T // stands for a row whose checksum fails; nil = an error does
}

// spoiled is a row whose checksum fails, and where it stands.
type spoiled struct {
	rig      string
	seq      int64 // as it stands there
	after    int64 // Seq of the last row that can be trusted, 0 when there is none
	nth      int64 // row after it, from 1
	received int64 // of the row before, else its own
}

// spoiledEntry is a gap in the place of an entry that cannot be trusted: the ones
// around it can, and a replay goes on.
func spoiledEntry(at spoiled) ingest.Entry {
	seq := at.seq
	if at.after > 0 {
		seq = at.after + at.nth
	}
	return ingest.Entry{Rig: at.rig, Seq: uint64(seq), Received: instant(at.received), Kind: ingest.EntryGap,
		Gap: &ingest.Gap{Lost: 1, Reason: fmt.Sprintf("the recording is damaged here: the checksum of row %d fails", at.seq)}}
}

// record is one row with what it is merged by.
type record[T any] struct {
	value    T
	key      key
	received int64 // ns
	err      error // in place of the value
}

func merged[T any](paths []string, t table[T]) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		folded := foldBeside(paths)
		files, err := Files(paths...)
		if err != nil {
			var zero T
			yield(zero, err)
			return
		}
		m := &merger[T]{table: t, failed: func(err error) bool {
			var zero T
			return yield(zero, err)
		}}
		defer m.close()
		if folded != nil && !m.failed(folded) {
			return
		}
		if m.gather(files) {
			m.run(yield)
		}
	}
}

// merger holds one stream for each rig and folder. failed hands an error on, and
// tells whether to go on.
type merger[T any] struct {
	table[T]
	streams []*stream[T] // a heap by the next row
	chunk   int          // rows read at once from a file
	failed  func(error) bool
}

// stream is the recording of one rig in one folder, its files in the order of
// their first rows.
type stream[T any] struct {
	rig     string
	waiting []*source
	active  []*cursor[T]
}

// cursor reads one file, a chunk of rows at a time.
type cursor[T any] struct {
	*source
	rows  []record[T] // read and not yet given, a part of chunk
	chunk []record[T]
	last  key   // of the last row read that can be trusted
	begun bool  // last means something
	at    int64 // Received of that row, ns
	skip  int   // rows behind it that cannot be trusted
	sums  *rowSum
	done  bool  // no more rows behind rows
	err   error // why there are no more
}

func (m *merger[T]) gather(files []string) bool {
	byName := map[string]*stream[T]{}
	for _, path := range files {
		s, err := openSource(path)
		if err == nil && s.version < m.since {
			s.db.Close()
			continue
		}
		if err == nil {
			err = s.firstKey(m.name, m.order)
		}
		if err != nil {
			if !m.failed(err) {
				return false
			}
			continue
		}
		name := s.rig + "\x00" + filepath.Dir(path)
		if byName[name] == nil {
			byName[name] = &stream[T]{rig: s.rig}
			m.streams = append(m.streams, byName[name])
		}
		byName[name].waiting = append(byName[name].waiting, s)
	}
	m.chunk = max(64, 4096/max(1, len(m.streams)))
	kept := m.streams[:0]
	for _, s := range m.streams {
		slices.SortFunc(s.waiting, func(a, b *source) int {
			return cmp.Or(a.first.compare(b.first), cmp.Compare(a.path, b.path))
		})
		ok, goOn := m.advance(s)
		if !goOn {
			return false
		}
		if ok {
			kept = append(kept, s)
		}
	}
	m.streams = kept
	heap.Init(m)
	return true
}

// firstKey finds where the file begins, and closes it until it is its turn.
func (s *source) firstKey(table, order string) error {
	defer s.db.Close()
	columns := order
	if !strings.Contains(order, ",") {
		columns += ", 0"
	}
	rows, err := s.db.Query("SELECT " + columns + " FROM " + table + " ORDER BY " + order + " LIMIT 1")
	if err != nil {
		return s.fault(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := rows.Scan(&s.first[0], &s.first[1]); err != nil {
			return s.fault(err)
		}
	}
	if err := rows.Err(); err != nil {
		return s.fault(err)
	}
	return nil
}

// advance makes the next row of s known: the first of its first active cursor.
// False, true means that the stream has ended.
func (m *merger[T]) advance(s *stream[T]) (ok, goOn bool) {
	for {
		if !m.fill(s) {
			return false, false
		}
		slices.SortStableFunc(s.active, func(a, b *cursor[T]) int { return a.rows[0].key.compare(b.rows[0].key) })
		due := len(s.waiting) > 0 &&
			(len(s.active) == 0 || s.waiting[0].first.compare(s.active[0].rows[0].key) <= 0)
		if !due {
			return len(s.active) > 0, true
		}
		next := s.waiting[0]
		s.waiting = s.waiting[1:]
		if err := next.open("mode=ro"); err != nil {
			again, err := openSource(next.path)
			if err != nil {
				if !m.failed(err) {
					return false, false
				}
				continue
			}
			next = again
		}
		s.active = append(s.active, m.begin(next))
	}
}

// begin returns a cursor that stands before the first row wanted.
func (t table[T]) begin(s *source) *cursor[T] {
	c := &cursor[T]{source: s}
	if t.after > 0 {
		c.last, c.begun = key{int64(t.after), math.MaxInt64}, true
	}
	return c
}

// fill reads on where a cursor has run dry, and drops those that have ended.
func (m *merger[T]) fill(s *stream[T]) bool {
	for i := 0; i < len(s.active); {
		c := s.active[i]
		if len(c.rows) == 0 && !c.done {
			c.err = c.read(m.table, m.chunk)
			c.done = c.done || c.err != nil
			continue
		}
		if len(c.rows) > 0 {
			i++
			continue
		}
		c.db.Close()
		s.active = slices.Delete(s.active, i, i+1)
		if c.err != nil && !m.failed(c.fault(c.err)) {
			return false
		}
	}
	return true
}

// read takes the next rows into memory, in one short transaction. Rows before a
// damaged place are kept.
func (c *cursor[T]) read(t table[T], most int) error {
	columns := t.columns
	if t.of != nil {
		columns = t.of(&c.info)
	}
	query, args := c.query(t, columns, most)
	c.chunk = slices.Grow(c.chunk[:0], most)
	defer func() { c.rows = c.chunk }()
	rows, err := c.db.QueryContext(context.Background(), query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	row, to := make([]any, len(columns)+1), make([]any, len(columns)+1)
	for i := range row {
		to[i] = &row[i]
	}
	n := 0
	for ; rows.Next(); n++ {
		if err := rows.Scan(to...); err != nil {
			return err
		}
		if err := c.take(t, row); err != nil {
			return err
		}
	}
	c.done = n < most
	if len(c.chunk) == 0 {
		c.skip += n // all of them given before
	}
	if err := rows.Err(); err != nil || !c.done {
		return err
	}
	return c.torn()
}

// query asks for the rows behind the last one that can be trusted. The checksum
// comes last.
func (c *cursor[T]) query(t table[T], columns []string, most int) (string, []any) {
	sum := "NULL"
	if t.sum && c.version >= 2 {
		sum = "crc"
		if c.sums == nil {
			c.sums = newRowSum(columns)
			if i := slices.Index(columns, "id"); i >= 0 {
				c.sums.leaveOut(i)
			}
		}
	}
	query := "SELECT " + strings.Join(columns, ",") + "," + sum + " FROM " + t.name
	var args []any
	switch {
	case !c.begun:
	case strings.Contains(t.order, ","):
		query += " WHERE (" + t.order + ") > (?, ?)"
		args = []any{c.last[0], c.last[1]}
	default:
		query += " WHERE " + t.order + " > ?"
		args = []any{c.last[0]}
	}
	return query + fmt.Sprintf(" ORDER BY %s LIMIT %d OFFSET %d", t.order, most, c.skip), args
}

// take makes a record of a row, whose checksum is behind its columns.
func (c *cursor[T]) take(t table[T], row []any) error {
	if want, ok := row[len(row)-1].(int64); ok && c.sums != nil && c.sums.of(row) != want {
		c.takeSpoiled(t, row)
		return nil
	}
	v, k, received, err := t.decode(&c.info, row[:len(row)-1])
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if c.begun && k.compare(c.last) <= 0 {
		return nil // given before: a damaged key has led the search astray
	}
	c.last, c.begun, c.at, c.skip = k, true, received, 0
	c.chunk = append(c.chunk, record[T]{value: v, key: k, received: received})
	return nil
}

// takeSpoiled puts what stands for a row that cannot be trusted in its place.
func (c *cursor[T]) takeSpoiled(t table[T], row []any) {
	c.skip++
	at := spoiled{rig: c.rig, received: c.at, nth: int64(c.skip)}
	at.seq, _ = row[0].(int64)
	if c.begun {
		at.after = c.last[0]
	} else {
		at.received, _ = row[1].(int64)
	}
	r := record[T]{key: key{at.seq, 0}, received: at.received}
	if c.begun {
		r.key = c.last
	}
	if t.spoiled != nil {
		r.value = t.spoiled(at)
	} else {
		r.err = fmt.Errorf("%s: %w: the checksum of row %d of table %s fails", c.path, ErrDamaged, at.seq, t.name)
	}
	c.chunk = append(c.chunk, r)
}

func (m *merger[T]) run(yield func(T, error) bool) {
	for len(m.streams) > 0 {
		s := m.streams[0]
		c := s.active[0]
		if !yield(c.rows[0].value, c.rows[0].err) {
			return
		}
		c.rows = c.rows[1:]
		ok, goOn := m.advance(s)
		switch {
		case !goOn:
			return
		case ok:
			heap.Fix(m, 0)
		default:
			heap.Pop(m)
		}
	}
}

func (m *merger[T]) close() {
	for _, s := range m.streams {
		for _, c := range s.active {
			c.db.Close()
		}
	}
}

// Len, Less, Swap, Push and Pop make the streams a heap.
func (m *merger[T]) Len() int { return len(m.streams) }
func (m *merger[T]) Less(i, j int) bool {
	a, b := m.streams[i], m.streams[j]
	x, y := &a.active[0].rows[0], &b.active[0].rows[0]
	return cmp.Or(cmp.Compare(x.received, y.received), x.key.compare(y.key), cmp.Compare(a.rig, b.rig)) < 0
}
func (m *merger[T]) Swap(i, j int) { m.streams[i], m.streams[j] = m.streams[j], m.streams[i] }
func (m *merger[T]) Push(any)      {}
func (m *merger[T]) Pop() any {
	m.streams = m.streams[:len(m.streams)-1]
	return nil
}
