package record

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"
)

// markName is where a file keeps the number of the last row that it has of a run.
func markName(run uint64) string { return "spool " + strconv.FormatUint(run, 16) }

// foldSpool writes what a run that died has left in the spool of r's folder into the
// rigs' files. Rows that cannot be written now stay in their segments, for the next
// time.
func (r *Recorder) foldSpool(ctx context.Context) {
	all, err := readSpool(r.dir)
	if err != nil {
		r.trouble(fmt.Errorf("recorder: spool: %w", err))
	}
	for len(all) > 0 {
		n := 1 // those of one run's columns go together
		for n < len(all) && slices.Equal(all[n].head.Columns, all[0].head.Columns) {
			n++
		}
		r.foldSegments(ctx, all[:n])
		all = all[n:]
	}
}

func (r *Recorder) trouble(err error) {
	r.update(func(s *Status) { s.LastError, s.ErrorAt = err.Error(), time.Now().UTC() })
}

// foldSegments uses a writer of its own, which leaves no file open.
func (r *Recorder) foldSegments(ctx context.Context, all []*leftover) {
	o := r.opts
	o.Estimates, o.OpenFiles = all[0].head.Columns, 1
	own := &Recorder{dir: r.dir, opts: o, lost: map[string]*lost{}}
	own.intake = newIntake(o)
	w := &writer{r: own, ctx: ctx, checkLeft: o.CheckTime}
	marks := marks{}
	for _, l := range all {
		if l.damage != nil {
			w.note(fmt.Errorf("recorder: spool: %w", l.damage))
		}
		for _, k := range l.blocks {
			w.foldBlock(&l.segment, k, marks)
		}
	}
	now := time.Now()
	w.note(w.commitAll(now, true))
	for _, s := range w.rigs {
		if s.file != nil {
			w.closeFile(s)
		}
	}
	for _, l := range all {
		w.note(l.remove(now))
	}
	r.takeOver(own.Status())
}

// takeOver adds what another recorder has done to the status.
func (r *Recorder) takeOver(o Status) {
	r.update(func(s *Status) {
		s.Written += o.Written
		s.Events += o.Events
		s.Rejects += o.Rejects
		s.Estimates += o.Estimates
		s.Refused += o.Refused
		s.SetAside = append(s.SetAside, o.SetAside...)
		if o.LastError != "" {
			s.LastError, s.ErrorAt = o.LastError, o.ErrorAt
		}
	})
}

// foldBlock puts those rows of k that are not in their files into the rig's queue.
func (w *writer) foldBlock(seg *segment, k block, m marks) {
	number, err := w.r.intake.rig(k.rig)
	if err != nil {
		w.note(fmt.Errorf("recorder: spool: %w", err))
		seg.rows -= k.n
		return
	}
	w.names = w.r.intake.names
	s := w.state(number)
	for i, b := 0, k.rows; len(b) > 0; i++ {
		row := b[:packedSize(b)]
		b = b[len(row):]
		at := k.first + uint64(i)
		mark, err := m.of(Path(w.r.dir, k.rig, packedReceived(row)), seg.run)
		if err != nil { // what is behind it waits too, as the mark is of all rows to it
			w.note(fmt.Errorf("recorder: spool: %w", err))
			return
		}
		if at <= mark {
			seg.rows--
			continue
		}
		binary.LittleEndian.PutUint32(row[4:], number)
		w.add(s, row)
		s.inSegment(seg, at, len(row))
	}
}

// inSegment takes note that the row added last stands in a segment.
func (s *rigState) inSegment(seg *segment, number uint64, size int) {
	s.spooled += size
	if n := len(s.parts); n > 0 && s.parts[n-1].seg == seg && s.parts[n-1].first+uint64(s.parts[n-1].n) == number {
		s.parts[n-1].n++
		return
	}
	s.parts = append(s.parts, part{seg, number, 1})
}

// remove removes a segment whose rows are all in their files; one that is damaged is
// kept, under another name.
func (l *leftover) remove(now time.Time) error {
	switch {
	case l.damage != nil && l.rows == 0:
		ending := ".damaged-"
		if errors.Is(l.damage, ErrNewer) {
			ending = ".newer-"
		}
		return os.Rename(l.path, l.path+ending+now.UTC().Format("20060102T150405.000000000Z"))
	case l.rows == 0:
		return os.Remove(l.path)
	}
	return fmt.Errorf("recorder: spool: %d rows of %s could not be written into their recordings; they stay there for the next start", l.rows, l.path)
}

// marks are the numbers that files have of runs, as they were found.
type marks map[markKey]uint64

type markKey struct {
	path string
	run  uint64
}

// of returns the number of the last row of a run that is in a file, 0 where none is.
func (m marks) of(path string, run uint64) (uint64, error) {
	key := markKey{path, run}
	if n, known := m[key]; known {
		return n, nil
	}
	n, err := readMark(path, run)
	if err == nil {
		m[key] = n
	}
	return n, err
}

func readMark(path string, run uint64) (uint64, error) {
	s, err := openSource(path)
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, ErrDamaged), errors.Is(err, ErrNotRecording), errors.Is(err, ErrNewer):
		return 0, nil // it will be begun, or set aside
	case err != nil:
		return 0, err
	}
	defer s.db.Close()
	var text string
	err = s.db.QueryRow("SELECT value FROM meta WHERE name = ?", markName(run)).Scan(&text)
	switch {
	case errors.Is(err, sql.ErrNoRows), isDamage(err):
		return 0, nil
	case err != nil:
		return 0, s.fault(err)
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, nil // damage: what is there already is refused, row by row
	}
	return n, nil
}

// Fold brings what a recorder that died has left in the spool of the folder dir into
// the recordings there. It does nothing where somebody records in it: a recorder has
// done it at its start.
func Fold(ctx context.Context, dir string) error {
	if serials, err := segmentsIn(filepath.Join(dir, spoolFolder)); err != nil || len(serials) == 0 {
		return err
	}
	r, err := Open(dir, Options{Software: "a reader that folds a spool"})
	if errors.Is(err, ErrInUse) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := r.Close(ctx); err != nil {
		return err
	}
	if s := r.Status(); s.LastError != "" {
		return errors.New(s.LastError)
	}
	return nil
}

// foldBeside folds the spools that rows of the recordings in paths may be in.
func foldBeside(paths []string) error {
	var errs []error
	seen := map[string]bool{}
	for _, p := range paths {
		dirs := []string{filepath.Join(filepath.Dir(p), "..")}
		if st, err := os.Stat(p); err == nil && st.IsDir() {
			dirs = []string{p, filepath.Join(p, "..")}
		}
		for _, dir := range dirs {
			if !seen[dir] {
				seen[dir] = true
				errs = append(errs, Fold(context.Background(), dir))
			}
		}
	}
	return errors.Join(errs...)
}
