package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"hoistward/ingest"
)

// TidyOptions say what Tidy works with.
type TidyOptions struct {
	Rules
	Holds    []Hold
	IsAlarm  func(line []byte) bool // tells whether a journal line is the coming of an alarm
	LowSpace uint64                 // bytes; with less free, days are thinned before their time; 0 = no matter
	// Place returns the Seq up to which a rig's entries have been forwarded; nil = nothing is.
	Place func(rig string) uint64
}

// Tidied is what was done to one recording.
type Tidied struct {
	Rig  string
	Text string // what was deleted, what was kept, and why
	// Unsent is how many readings and ticks were deleted that had not been forwarded.
	Unsent uint64
}

// Tidy deletes and thins the recordings in dir by Plan, and returns what it did. A
// recording that cannot be thinned stays as it is; the error names it, and the
// others are gone on with.
func Tidy(ctx context.Context, dir string, o TidyOptions, now time.Time) (done []Tidied, err error) {
	if o.Keep <= 0 {
		return nil, nil
	}
	days, err := survey(dir, o, now)
	var short uint64
	if free, known := freeSpace(dir); known && free < o.LowSpace {
		short = o.LowSpace - free
	}
	for _, d := range Plan(days, o.Holds, o.Rules, now, short) {
		if ctx.Err() != nil {
			return done, errors.Join(err, ctx.Err())
		}
		unsent, e := d.unsent(o.Place)
		if e != nil {
			err = errors.Join(err, e)
			continue
		}
		n, e := d.do(ctx, now)
		if e != nil {
			err = errors.Join(err, fmt.Errorf("thinning %s: %w", d.Path, e))
			continue
		}
		done = append(done, Tidied{d.Rig, d.text(n, unsent), unsent})
	}
	return done, err
}

// survey lists the recordings in dir. One that cannot be read is told and left alone.
func survey(dir string, o TidyOptions, now time.Time) (days []Day, err error) {
	all, err := filesIn(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	for _, path := range all {
		d, e := dayOfFile(path)
		if age := now.Sub(d.Start); e == nil && age > min(o.Keep, leastWhole)-48*time.Hour { // a neighbour's alarm counts too
			e = d.readAlarms(o.IsAlarm)
		}
		if e == nil && o.Place != nil {
			var p Span
			p, e = SpanOf(path)
			d.Unsent = p.Whole > o.Place(d.Rig)
		}
		if e != nil {
			err = errors.Join(err, e)
			continue
		}
		days = append(days, d)
	}
	return days, err
}

func dayOfFile(path string) (Day, error) {
	d := Day{Path: path}
	s, err := openSource(path)
	if err != nil {
		return d, err
	}
	defer s.db.Close()
	st, err := os.Stat(path)
	if err != nil {
		return d, err
	}
	d.Rig, d.Size = s.rig, uint64(st.Size())
	meta := func(name string) (text string, err error) {
		err = s.db.QueryRow("SELECT value FROM meta WHERE name = ?", name).Scan(&text)
		if errors.Is(err, sql.ErrNoRows) {
			return "", nil
		}
		return text, err
	}
	day, err := meta("day")
	if err != nil {
		return d, s.fault(err)
	}
	if d.Start, err = time.Parse(time.DateOnly, day); err != nil || Path(filepath.Dir(filepath.Dir(path)), d.Rig, d.Start) != path {
		return d, fmt.Errorf("%s: got the recording of %s on %q, want the one that its name says; it is left alone", path, d.Rig, day)
	}
	kept, err := meta("kept")
	if err != nil {
		return d, s.fault(err)
	}
	if d.Thinned = kept != ""; d.Thinned {
		if err := json.Unmarshal([]byte(kept), &d.Kept); err != nil {
			return d, fmt.Errorf("%s: %w: what it says of what was kept: %w", path, ErrDamaged, err)
		}
	}
	return d, nil
}

func (d *Day) readAlarms(isAlarm func([]byte) bool) error {
	for e, err := range Events(d.Path) {
		if err != nil {
			return err
		}
		if isAlarm(e.Line) {
			d.Alarms = append(d.Alarms, e.Received)
		}
	}
	return nil
}

func (d *Deed) text(entries int64, unsent uint64) string {
	day, beside := d.Start.Format(time.DateOnly), ""
	if unsent > 0 {
		beside = fmt.Sprintf("; %d of the readings and ticks deleted had not been forwarded", unsent)
	}
	if len(d.Spare) == 0 {
		return fmt.Sprintf("the recording of %s was deleted: %s%s", day, d.Why, beside)
	}
	return fmt.Sprintf("the recording of %s was thinned, %d readings and ticks deleted: %s; kept is what is around alarms or held, %d spans%s", day, entries, d.Why, len(d.Spare), beside)
}

// unsent returns how many of the readings and ticks that go have not been forwarded.
func (d *Deed) unsent(place func(string) uint64) (n uint64, err error) {
	if !d.Unsent {
		return 0, nil
	}
	s, err := openSource(d.Path)
	if err != nil {
		return 0, err
	}
	defer s.db.Close()
	for _, gone := range rest(d.Spare, d.span()) {
		var k uint64
		err := s.db.QueryRow("SELECT count(*) FROM entry WHERE seq > ? AND kind IN (1, 2) AND received >= ? AND received < ?",
			int64(place(d.Rig)), gone.From.UnixNano(), gone.To.UnixNano()).Scan(&k)
		if err != nil {
			return 0, s.fault(err)
		}
		n += k
	}
	return n, nil
}

// do returns how many readings and ticks were deleted out of a file that stays.
func (d *Deed) do(ctx context.Context, now time.Time) (int64, error) {
	if len(d.Spare) > 0 {
		return d.thin(ctx, now)
	}
	if err := os.Remove(d.Path); err != nil {
		return 0, err
	}
	for _, ending := range []string{"-wal", "-shm", "-journal"} {
		if err := os.Remove(d.Path + ending); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return 0, err
		}
	}
	return 0, syncFolder(filepath.Dir(d.Path))
}

// thin puts a copy without what is to go in the place of the recording. Until it is
// there, whole and checked, the recording stays as it was.
func (d *Deed) thin(ctx context.Context, now time.Time) (n int64, err error) {
	if err := fold(ctx, d.Path); err != nil {
		return 0, err
	}
	part := d.Path + ".thin"
	defer os.Remove(part)
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, err
	}
	if err := Copy(ctx, d.Path, part); err != nil {
		return 0, err
	}
	if n, err = d.deleteRows(ctx, part, now); err != nil {
		return 0, err
	}
	if err := errors.Join(checkWhole(ctx, part), syncFile(part)); err != nil {
		return 0, err
	}
	if err := os.Rename(part, d.Path); err != nil {
		return 0, err
	}
	return n, syncFolder(filepath.Dir(d.Path))
}

// fold brings what is in a log beside the file into it, so that no log is left that
// would be taken for one of the file that comes in its place.
func fold(ctx context.Context, path string) error {
	dsn, err := fileURL(path, url.Values{"_pragma": {"busy_timeout(200)", "synchronous(FULL)"}})
	if err != nil {
		return err
	}
	f, err := connect(ctx, dsn, path, Options{})
	if err != nil {
		return err
	}
	var mode string
	err = f.conn.QueryRowContext(ctx, "PRAGMA journal_mode=DELETE").Scan(&mode)
	if err = errors.Join(err, f.close()); err != nil {
		return err
	}
	if mode != "delete" {
		return errors.New("it is in use")
	}
	return nil
}

// deleteRows deletes readings, ticks, rejects and estimates outside what is spared. A
// gap in the place of the last of each stretch says how many they were. Sessions,
// acts, links and the journal stay.
func (d *Deed) deleteRows(ctx context.Context, path string, now time.Time) (n int64, err error) {
	dsn, err := fileURL(path, url.Values{"_pragma": {"synchronous(FULL)"}})
	if err != nil {
		return 0, err
	}
	f, err := connect(ctx, dsn, path, Options{})
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, f.close()) }()
	info, err := readInfo(ctx, f.conn)
	if err != nil {
		return 0, err
	}
	if err := f.extend(ctx, info); err != nil {
		return 0, err
	}
	kept, err := json.Marshal(d.Spare)
	if err != nil {
		return 0, err
	}
	err = f.inTransaction(ctx, func() error {
		for _, s := range rest(d.Spare, d.span()) {
			gone, err := f.deleteSpan(ctx, d, s, now)
			if err != nil {
				return err
			}
			n += gone
		}
		_, err := f.conn.ExecContext(ctx, "INSERT OR REPLACE INTO meta VALUES ('kept', ?), ('thinned', ?)", string(kept), now.UTC().Format(time.RFC3339))
		return err
	})
	if err != nil {
		return 0, err
	}
	_, err = f.conn.ExecContext(ctx, "VACUUM")
	return n, err
}

func (f *dayFile) deleteSpan(ctx context.Context, d *Deed, s Stretch, now time.Time) (n int64, err error) {
	const within = " WHERE received >= ? AND received < ?"
	const bulk = within + " AND kind IN (1, 2)" // samples and ticks
	from, to := s.From.UnixNano(), s.To.UnixNano()
	gap := ingest.Entry{Rig: d.Rig, Kind: ingest.EntryGap}
	var seq, received sql.Null[int64]
	if err := f.conn.QueryRowContext(ctx, "SELECT count(*), max(seq) FROM entry"+bulk, from, to).Scan(&n, &seq); err != nil || n == 0 {
		return 0, err
	}
	if err := f.conn.QueryRowContext(ctx, "SELECT received FROM entry WHERE seq = ?", seq.V).Scan(&received); err != nil {
		return 0, err
	}
	for _, q := range []string{"DELETE FROM entry" + bulk, "DELETE FROM estimate" + within, "DELETE FROM reject" + within} {
		if _, err := f.conn.ExecContext(ctx, q, from, to); err != nil {
			return 0, err
		}
	}
	gap.Seq, gap.Received = uint64(seq.V), instant(received.V)
	gap.Gap = &ingest.Gap{Lost: uint64(n), Reason: "thinned on " + now.UTC().Format(time.DateOnly) + ": " + d.Why}
	body, err := encodeBody(&gap)
	if err != nil {
		return 0, err
	}
	return n, f.write(ctx, &item{kind: itemEntry, entry: gap, body: body})
}

// Free returns how many bytes are free where dir is; known is false where the system
// does not say.
func Free(dir string) (free uint64, known bool) { return freeSpace(dir) }
