package record

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"hoistward/ingest"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// What can be wrong with a file that is to be read.
var (
	ErrNotRecording = errors.New("not a recording")
	ErrNewer        = errors.New("the recording was made by a newer version of this program")
	ErrDamaged      = errors.New("the recording is damaged")
)

// info is what a file says about itself.
type info struct {
	rig      string
	version  int
	channels int
	estimate []Column
}

type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// readInfo fails with ErrNotRecording or ErrNewer where the file says so.
func readInfo(ctx context.Context, q querier) (info, error) {
	var i info
	var id int
	if err := q.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return i, err
	}
	if err := q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&i.version); err != nil {
		return i, err
	}
	switch {
	case id != applicationID:
		return i, fmt.Errorf("%w: a SQLite database of something else: %w", ErrNotRecording, errDamage)
	case i.version > Format:
		return i, fmt.Errorf("%w: got format %d, want at most %d", ErrNewer, i.version, Format)
	}
	if err := q.QueryRowContext(ctx, "SELECT value FROM meta WHERE name='rig'").Scan(&i.rig); err != nil {
		return i, err
	}
	rows, err := q.QueryContext(ctx, "SELECT number, name FROM channel ORDER BY number")
	if err != nil {
		return i, err
	}
	defer rows.Close()
	for rows.Next() {
		var number int
		var name string
		if err := rows.Scan(&number, &name); err != nil {
			return i, err
		}
		if number != i.channels || name != ingest.Channel(i.channels).String() {
			return i, fmt.Errorf("%w: got channel %d named %q, which this version does not know", ErrNewer, number, name)
		}
		i.channels++
	}
	if err := rows.Err(); err != nil || i.version < 2 {
		return i, err
	}
	i.estimate, err = estimateColumns(ctx, q)
	return i, err
}

// source is one file to read.
type source struct {
	path string
	info
	first key
	db    *sql.DB // open while it is being read
}

// openSource opens a file for reading and looks at what it is.
func openSource(path string) (*source, error) {
	if err := checkHeader(path); err != nil {
		return nil, err
	}
	s := &source{path: path}
	err := s.open("mode=ro")
	if err != nil && sqliteCode(err) == sqlite3.SQLITE_CANTOPEN && !walBeside(path) {
		// A file in WAL mode on a medium that cannot be written, complete without
		// its log.
		err = s.open("mode=ro&immutable=1")
	}
	if err != nil && halfWritten(err) {
		// A process that was killed has left a journal to be rolled back, which only
		// a connection that may write does.
		if err = s.open("mode=rw"); err == nil {
			err = s.db.Close()
		}
		if err == nil {
			err = s.open("mode=ro")
		}
	}
	if err != nil {
		return nil, s.fault(err)
	}
	return s, nil
}

// halfWritten tells whether a file waits for its last transaction to be undone.
func halfWritten(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code() == sqlite3.SQLITE_READONLY_ROLLBACK
}

func walBeside(path string) bool {
	st, err := os.Stat(path + "-wal")
	return err == nil && st.Size() > 0
}

func (s *source) open(how string) error {
	q, err := url.ParseQuery(how)
	if err != nil {
		return err
	}
	q.Set("_pragma", fmt.Sprintf("busy_timeout(%d)", busyTimeout))
	dsn, err := fileURL(s.path, q)
	if err != nil {
		return err
	}
	if s.db, err = sql.Open("sqlite", dsn); err != nil {
		return err
	}
	s.db.SetMaxOpenConns(1)
	if s.info, err = readInfo(context.Background(), s.db); err != nil {
		s.db.Close()
		return err
	}
	return nil
}

// torn tells whether the end of the file is missing. SQLite reads a cut last page
// as if zeros stood there.
func (s *source) torn() error { return tornFile(context.Background(), s.db, s.path) }

func tornFile(ctx context.Context, q querier, path string) error {
	var page int64
	if err := q.QueryRowContext(ctx, "PRAGMA page_size").Scan(&page); err != nil {
		return err
	}
	st, err := os.Stat(path)
	if err != nil {
		return err
	}
	if page > 0 && st.Size()%page != 0 && !walBeside(path) {
		return fmt.Errorf("%w: got a length of %d bytes, want a multiple of %d: its end is missing", errDamage, st.Size(), page)
	}
	return nil
}

// fault puts what SQLite says into the words of this package.
func (s *source) fault(err error) error {
	switch {
	case errors.Is(err, ErrNotRecording), errors.Is(err, ErrNewer), errors.Is(err, ErrDamaged):
		return fmt.Errorf("%s: %w", s.path, err)
	case isDamage(err):
		return fmt.Errorf("%s: %w: %w", s.path, ErrDamaged, err)
	case sqliteCode(err) == sqlite3.SQLITE_ERROR, errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("%s: %w: a table or row is missing: %w", s.path, ErrDamaged, err)
	}
	return fmt.Errorf("%s: %w", s.path, err)
}

func checkHeader(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	const magic = "SQLite format 3\x00"
	head := make([]byte, len(magic))
	n, err := f.Read(head)
	switch {
	case n == 0:
		return fmt.Errorf("%s: %w: the file is empty", path, ErrNotRecording)
	case err != nil:
		return fmt.Errorf("%s: %w", path, err)
	case string(head[:n]) != magic:
		return fmt.Errorf("%s: %w: it does not begin as a SQLite file", path, ErrNotRecording)
	}
	return nil
}

// Files returns the recordings in paths: files as they are given, folders with
// the *.sqlite files in them and in the folders one below. Files set aside as
// damaged have another ending and must be named to be read. What a recorder that died
// has left in its spool is brought into them; where that fails, who reads is told.
func Files(paths ...string) ([]string, error) {
	_ = foldBeside(paths)
	var all []string
	for _, p := range paths {
		st, err := os.Stat(p)
		if err != nil {
			return nil, err
		}
		if !st.IsDir() {
			all = append(all, p)
			continue
		}
		found, err := filesIn(p)
		if err != nil {
			return nil, err
		}
		if len(found) == 0 {
			return nil, fmt.Errorf("%s: %w: no .sqlite file in the folder", p, ErrNotRecording)
		}
		all = append(all, found...)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%w: no file named", ErrNotRecording)
	}
	slices.Sort(all)
	return slices.Compact(all), nil
}

// ByRig returns the recordings in paths, as Files finds them, by the rig they are
// of. A file that cannot be read fails it.
func ByRig(paths ...string) (map[string][]string, error) {
	all, err := Files(paths...)
	if err != nil {
		return nil, err
	}
	rigs := map[string][]string{}
	for _, path := range all {
		s, err := openSource(path)
		if err != nil {
			return nil, err
		}
		s.db.Close()
		rigs[s.rig] = append(rigs[s.rig], path)
	}
	return rigs, nil
}

func filesIn(dir string) ([]string, error) {
	var found []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(dir, path)
		if d.IsDir() {
			if rel != "." && strings.ContainsRune(rel, filepath.Separator) {
				return fs.SkipDir
			}
			return nil
		}
		if filepath.Ext(path) == ".sqlite" {
			found = append(found, path)
		}
		return nil
	})
	return found, err
}

// LastSeq returns the greatest Seq in the recordings under dir, 0 when there are
// none, so that Seq goes on rising over a restart. Of each rig the newest file by
// name that can be read and the one written last are looked at, as the clock may
// have stepped back.
func LastSeq(dir string) (uint64, error) {
	all, err := filesIn(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	last, err := lastSpooled(dir)
	if err != nil {
		return 0, err
	}
	byRig := map[string][]string{}
	for _, p := range all {
		byRig[rigPart(p)] = append(byRig[rigPart(p)], p)
	}
	for _, files := range byRig {
		slices.Sort(files)
		latest := slices.MaxFunc(files, func(a, b string) int { return cmp.Compare(writtenAt(a), writtenAt(b)) })
		last = max(last, lastSeqOf(latest))
		for _, p := range slices.Backward(files) {
			if n := lastSeqOf(p); n > 0 {
				last = max(last, n)
				break
			}
		}
	}
	return last, nil
}

// rigPart is the file's name without day and ending.
func rigPart(path string) string {
	const tail = len("-2026-11-24.sqlite")
	return path[:max(0, len(path)-tail)]
}

func writtenAt(path string) int64 {
	var at int64
	for _, p := range []string{path, path + "-wal"} {
		if st, err := os.Stat(p); err == nil {
			at = max(at, st.ModTime().UnixNano())
		}
	}
	return at
}

func lastSeqOf(path string) uint64 {
	s, err := openSource(path)
	if err != nil {
		return 0
	}
	defer s.db.Close()
	var last sql.Null[int64]
	err = s.db.QueryRow("SELECT max(seq) FROM (SELECT max(seq) AS seq FROM entry UNION ALL SELECT max(seq) FROM event)").Scan(&last)
	if err != nil || last.V < 0 || last.V > 1<<62 { // beyond: damage, not a count
		return 0
	}
	return uint64(last.V)
}
