package record

import (
	"database/sql"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// A reader that keeps a transaction open holds the write-ahead log: recording goes on,
// and it is said. Once the reader lets go, the log is folded in and short again.
func TestAReaderThatDoesNotLetGo(t *testing.T) {
	dir := t.TempDir()
	r := open(t, dir, Options{Interval: time.Millisecond, LogMost: 5 << 20})
	seq := uint64(0)
	more := func() {
		for range 20 {
			seq++
			r.Add(sampleAt("R1", seq))
		}
		flush(t, r)
	}
	more()
	path := Path(dir, "R1", noon)
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if err := tx.QueryRow("SELECT count(*) FROM entry").Scan(&n); err != nil || n != 20 {
		t.Fatalf("got %d rows, %v", n, err)
	}
	eventually(t, "the log said to grow", func() bool { more(); return len(r.Status().LongLogs) > 0 })
	if s := r.Status(); !slices.Equal(s.LongLogs, []string{"R1"}) || !strings.Contains(s.LastError, "another program keeps the recording open") ||
		len(s.Failing) > 0 || s.Dropped > 0 {
		t.Errorf("got status %+v, want the long log told, and recording going on", s)
	}
	if err := tx.QueryRow("SELECT count(*) FROM entry").Scan(&n); err != nil || n != 20 {
		t.Errorf("the reader got %d rows, %v, want the 20 of its beginning", n, err)
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "a short log", func() bool {
		more()
		st, err := os.Stat(path + "-wal")
		return err == nil && st.Size() <= journalLimit && len(r.Status().LongLogs) == 0
	})
	closeNow(t, r)
	account(t, readAll(t, dir), seq)
}
