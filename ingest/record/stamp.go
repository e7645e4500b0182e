package record

import (
	"os"
	"time"
)

// Stamp tells, without opening it, whether a recording or the log beside it has changed.
type Stamp struct {
	Size, LogSize       int64
	Written, LogWritten time.Time
}

// StampOf looks at a recording.
func StampOf(path string) (Stamp, error) {
	st, err := os.Stat(path)
	if err != nil {
		return Stamp{}, err
	}
	s := Stamp{Size: st.Size(), Written: st.ModTime()}
	if log, err := os.Stat(path + "-wal"); err == nil {
		s.LogSize, s.LogWritten = log.Size(), log.ModTime()
	}
	return s, nil
}

// Settled tells whether a later change must show in the stamp: file systems give times in
// steps, of 2 s at most.
func (s Stamp) Settled() bool {
	const step = 3 * time.Second
	return time.Since(s.Written).Abs() > step && time.Since(s.LogWritten).Abs() > step
}
