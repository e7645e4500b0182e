package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"hoistward/ingest"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// dayFile is the open recording of one rig and day.
type dayFile struct {
	path     string
	db       *sql.DB
	conn     *sql.Conn
	entry    *sql.Stmt
	event    *sql.Stmt
	reject   *sql.Stmt
	estimate *sql.Stmt // nil where none are recorded
	note     *sql.Stmt
	columns  []Column // of the estimates
	scratch  []any
	made     os.FileInfo // of the file when it was opened
	turn     bool        // opened for one transaction, without a write-ahead log

	entrySum, eventSum, estimateSum *rowSum
}

// inPlace tells whether the open file is still the one of its name.
func (f *dayFile) inPlace() bool {
	now, err := os.Stat(f.path)
	return err == nil && os.SameFile(f.made, now)
}

// errDamage marks what was found wrong with a file by looking at it.
var errDamage = errors.New("the file is damaged")

func isDamage(err error) bool {
	if errors.Is(err, errDamage) {
		return true
	}
	code := sqliteCode(err)
	return code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB
}

// errRefused marks a row that can never be written.
var errRefused = errors.New("cannot be recorded")

func isRefusal(err error) bool {
	code := sqliteCode(err)
	return errors.Is(err, errRefused) || code == sqlite3.SQLITE_CONSTRAINT || code == sqlite3.SQLITE_TOOBIG
}

func sqliteCode(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// openOptions say what file is to be opened for writing.
type openOptions struct {
	Options
	rig, day  string
	checkLeft *time.Duration
	images    *images
	known     bool // this process has left it as it is: it need not be looked at
	turn      bool // it is opened for one transaction
}

func openDay(ctx context.Context, path string, o openOptions) (*dayFile, error) {
	if !o.known {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return nil, err
		}
		if st, err := os.Stat(path); errors.Is(err, os.ErrNotExist) || (err == nil && st.Size() == 0) {
			if err := placeFile(ctx, path, o); err != nil {
				return nil, err
			}
			o.known = true
		} else if err := tooNew(path); err != nil {
			return nil, err
		}
	}
	dsn, settings := writeDSN, wanted
	if o.turn {
		dsn, settings = turnDSN, wantedInTurn
	}
	name, err := dsn(path)
	if err != nil {
		return nil, err
	}
	f, err := connect(ctx, name, path, o.Options)
	if err != nil {
		return nil, err
	}
	if !o.known {
		err = errors.Join(f.assertPragmas(ctx, settings), f.check(ctx, o.rig, o.checkLeft))
	}
	f.turn = o.turn
	if err == nil {
		f.made, err = os.Stat(path)
	}
	if err != nil {
		f.close()
		return nil, err
	}
	return f, nil
}

func connect(ctx context.Context, dsn, path string, o Options) (*dayFile, error) {
	f := &dayFile{path: path, columns: o.Estimates}
	var err error
	if f.db, err = sql.Open("sqlite", dsn); err != nil {
		return nil, err
	}
	f.db.SetMaxOpenConns(1)
	if f.conn, err = f.db.Conn(ctx); err == nil && o.maxPages != nil {
		_, err = f.conn.ExecContext(ctx, fmt.Sprintf("PRAGMA max_page_count=%d", o.maxPages()))
	}
	if err != nil {
		f.close()
		return nil, err
	}
	return f, nil
}

func (f *dayFile) assertPragmas(ctx context.Context, settings []setting) error {
	for _, want := range settings {
		var got string
		if err := f.conn.QueryRowContext(ctx, "PRAGMA "+want.pragma).Scan(&got); err != nil {
			return err
		}
		if got != want.value {
			return fmt.Errorf("%s: got %s %s, want %s", f.path, want.pragma, got, want.value)
		}
	}
	return nil
}

func (f *dayFile) create(ctx context.Context, rig, day, software string) error {
	return f.inTransaction(ctx, func() error {
		if _, err := f.conn.ExecContext(ctx, schema()); err != nil {
			return err
		}
		if err := f.addEstimateColumns(ctx, f.columns); err != nil {
			return err
		}
		for _, m := range [][2]string{
			{"rig", rig}, {"day", day}, {"software", software}, {"quality", qualityNote}, {"checksum", sumNote},
			{"about", "recording of a hoist monitor; all values in SI, units in table channel; times UTC"},
		} {
			if _, err := f.conn.ExecContext(ctx, "INSERT INTO meta VALUES (?, ?)", m[0], m[1]); err != nil {
				return err
			}
		}
		return nil
	})
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// check looks at a file found in place. What cannot be trusted to take more
// rows is damage, also a file that something else has made.
func (f *dayFile) check(ctx context.Context, rig string, left *time.Duration) error {
	info, err := readInfo(ctx, f.conn)
	switch {
	case err != nil && (isDamage(err) || errors.Is(err, ErrNewer) || sqliteCode(err) != sqlite3.SQLITE_ERROR):
		return err
	case err != nil: // a table is missing
		return fmt.Errorf("%w: %w", errDamage, err)
	case info.rig != rig:
		return fmt.Errorf("%w: got the recording of rig %q, want %q", errDamage, info.rig, rig)
	}
	if err := tornFile(ctx, f.conn, f.path); err != nil {
		return err
	}
	if err := f.quickCheck(ctx, left); err != nil {
		return err
	}
	return f.extend(ctx, info)
}

// extend adds what the program which began the file did not have: tables, and the
// columns of channels and estimates.
func (f *dayFile) extend(ctx context.Context, have info) error {
	return f.inTransaction(ctx, func() error {
		if have.version < 2 {
			if _, err := f.conn.ExecContext(ctx, toFormat2); err != nil {
				return err
			}
		}
		if err := f.addEstimateColumns(ctx, f.columns); err != nil {
			return err
		}
		for c := ingest.Channel(have.channels); c < ingest.NumChannels; c++ {
			_, err := f.conn.ExecContext(ctx, fmt.Sprintf(
				"ALTER TABLE entry ADD COLUMN %s REAL; INSERT INTO channel VALUES (%d, '%s', '%s')", c, c, c, siSymbol(c)))
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// quickCheck walks the whole file, as long as there is time left for it: a day
// of a hundred megabytes takes about a second, which a thousand rigs do not have.
func (f *dayFile) quickCheck(ctx context.Context, left *time.Duration) error {
	if *left <= 0 {
		return nil
	}
	start := time.Now()
	limited, cancel := context.WithTimeout(ctx, *left)
	defer cancel()
	var found string
	err := f.conn.QueryRowContext(limited, "PRAGMA quick_check(1)").Scan(&found)
	*left -= time.Since(start)
	switch {
	case limited.Err() != nil:
		return ctx.Err()
	case err != nil:
		return err
	case found != "ok":
		return fmt.Errorf("%w: %s", errDamage, found)
	}
	return nil
}

// entryInsert and the others say what a row's statement puts where.
var (
	entryInsert  = entryTable()
	eventInsert  = slices.Concat(eventColumns, []string{"crc"})
	rejectInsert = []string{"received", "source", "reason", "detail", "count"}
	noteInsert   = []string{"received", "text"}
)

func entryTable() []string {
	columns := slices.Clone(entryColumns)
	for c := range ingest.NumChannels {
		columns = append(columns, c.String())
	}
	return append(columns, "crc")
}

// prepare makes the statement that inserts a row, at its first use.
func (f *dayFile) prepare(ctx context.Context, to **sql.Stmt, table string, columns []string) (err error) {
	if *to != nil {
		return nil
	}
	marks := strings.Repeat(",?", len(columns))[1:]
	*to, err = f.conn.PrepareContext(ctx, "INSERT INTO "+table+" ("+strings.Join(columns, ",")+") VALUES ("+marks+")")
	return err
}

// inTransaction runs do between BEGIN IMMEDIATE and COMMIT. The statements belong
// to the one connection, which database/sql would prepare anew for each sql.Tx.
func (f *dayFile) inTransaction(ctx context.Context, do func() error) error {
	if _, err := f.conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := do()
	if err == nil {
		_, err = f.conn.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		// After some failures SQLite has rolled back by itself, and says so here;
		// the caller closes the file in any case.
		f.conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
	}
	return err
}

func (f *dayFile) write(ctx context.Context, it *item) error {
	e := &it.entry
	received, ok := nanoseconds(e.Received)
	if !ok && it.kind != itemEntry {
		return fmt.Errorf("%w: got the receipt time %s, want 1678 to 2261", errRefused, e.Received)
	}
	switch it.kind {
	case itemEntry:
		return f.writeEntry(ctx, it)
	case itemEvent:
		if f.event == nil {
			if _, err := f.conn.ExecContext(ctx, eventIndex); err != nil {
				return err
			}
			f.eventSum = newRowSum(eventColumns)
			if err := f.prepare(ctx, &f.event, "event", eventInsert); err != nil {
				return err
			}
		}
		args := append(f.scratch[:0], int64(e.Seq), received, it.text)
		args = append(args, f.eventSum.of(args))
		return f.exec(ctx, f.event, args)
	case itemEstimate:
		return f.writeEstimate(ctx, it, received)
	case itemNote:
		if err := f.prepare(ctx, &f.note, "note", noteInsert); err != nil {
			return err
		}
		return f.exec(ctx, f.note, append(f.scratch[:0], received, it.text))
	}
	if err := f.prepare(ctx, &f.reject, "reject", rejectInsert); err != nil {
		return err
	}
	return f.exec(ctx, f.reject, append(f.scratch[:0], received, it.source, it.reason, it.text, int64(it.count)))
}

func (f *dayFile) exec(ctx context.Context, s *sql.Stmt, args []any) error {
	f.scratch = args
	_, err := s.ExecContext(ctx, args...)
	return err
}

func (f *dayFile) writeEntry(ctx context.Context, it *item) error {
	args, err := encodeEntry(f.scratch, it)
	if err != nil {
		return fmt.Errorf("%w: %w", errRefused, err)
	}
	if f.entry == nil {
		f.entrySum = newRowSum(entryInsert[:len(entryInsert)-1])
		if err := f.prepare(ctx, &f.entry, "entry", entryInsert); err != nil {
			return err
		}
	}
	return f.exec(ctx, f.entry, append(args, f.entrySum.of(args)))
}

// finish folds the write-ahead log into the file and leaves it as one plain file
// that can be read from a medium that cannot be written. A reader that has the
// file open prevents this; then the log stays beside it and nothing is lost.
func (f *dayFile) finish() error {
	if f.turn {
		return f.close()
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	_, err := f.conn.ExecContext(ctx, "PRAGMA busy_timeout=200")
	if err == nil {
		_, err = f.conn.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	}
	if err == nil {
		_, err = f.conn.ExecContext(ctx, "PRAGMA journal_mode=DELETE")
	}
	if sqliteCode(err) == sqlite3.SQLITE_BUSY || sqliteCode(err) == sqlite3.SQLITE_LOCKED {
		err = nil
	}
	if err = errors.Join(err, f.close()); err != nil {
		return fmt.Errorf("closing %s: %w", f.path, err)
	}
	return nil
}

func (f *dayFile) close() error {
	for _, s := range []*sql.Stmt{f.entry, f.event, f.reject, f.estimate, f.note} {
		if s != nil {
			s.Close()
		}
	}
	if f.conn != nil {
		f.conn.Close()
	}
	return f.db.Close()
}

// renameAside moves a file and its write-ahead log aside and returns the name.
func renameAside(path, ending string, now time.Time) (string, error) {
	to := path + ending + now.UTC().Format("20060102T150405.000000000Z")
	if err := os.Rename(path, to); err != nil {
		return "", err
	}
	if err := os.Rename(path+"-wal", to+"-wal"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	if err := os.Remove(path + "-shm"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	return to, syncFolder(filepath.Dir(path))
}
