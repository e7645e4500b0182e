package record

import (
	"database/sql"
	"errors"
	"time"
)

// Summary is what a list of recordings says of one.
type Summary struct {
	Rig         string
	First, Last time.Time // receipt, of the first and the last entry; zero = it has none
	Raised      int       // alarms
}

// SummaryOf looks at a recording, which may be being written, without reading its
// entries.
func SummaryOf(path string) (Summary, error) {
	s, err := openSource(path)
	if err != nil {
		return Summary{}, err
	}
	defer s.db.Close()
	sum := Summary{Rig: s.rig}
	for _, q := range []struct {
		sql string
		to  *time.Time
	}{
		{"SELECT received FROM entry ORDER BY seq LIMIT 1", &sum.First},
		{"SELECT received FROM entry ORDER BY seq DESC LIMIT 1", &sum.Last},
	} {
		var ns int64
		switch err := s.db.QueryRow(q.sql).Scan(&ns); {
		case errors.Is(err, sql.ErrNoRows):
		case err != nil:
			return sum, s.fault(err)
		default:
			*q.to = instant(ns)
		}
	}
	err = s.db.QueryRow(`SELECT count(*) FROM event WHERE line LIKE '%"event":"raised"%'`).Scan(&sum.Raised)
	if err != nil {
		return sum, s.fault(err)
	}
	return sum, nil
}
