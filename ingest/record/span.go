package record

import (
	"database/sql"
	"errors"
	"time"

	"hoistward/ingest"
)

// Span is which entries a file has.
type Span struct {
	First, Last uint64    // Seq, gaps included; 0 = the file has none
	Whole       uint64    // Seq of the last entry that is no gap: all that belongs to entries before it is in the file
	Received    time.Time // of that entry
}

// SpanOf looks at a recording, without reading it.
func SpanOf(path string) (Span, error) {
	var p Span
	s, err := openSource(path)
	if err != nil {
		return p, err
	}
	defer s.db.Close()
	for _, q := range []struct {
		sql string
		to  []any
	}{
		{"SELECT seq FROM entry ORDER BY seq LIMIT 1", []any{&p.First}},
		{"SELECT seq FROM entry ORDER BY seq DESC LIMIT 1", []any{&p.Last}},
	} {
		if err := s.db.QueryRow(q.sql).Scan(q.to...); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return Span{}, s.fault(err)
		}
	}
	var received int64
	// A gap is written when it is known, which can be before entries that it stands behind.
	err = s.db.QueryRow("SELECT seq, received FROM entry WHERE kind <> ? ORDER BY seq DESC LIMIT 1", int64(ingest.EntryGap)).
		Scan(&p.Whole, &received)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return Span{}, s.fault(err)
	}
	p.Received = instant(received)
	return p, nil
}
