package record

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"hoistward/ingest"
)

// writer is the one goroutine that writes.
type writer struct {
	r         *Recorder
	ctx       context.Context
	rigs      map[string]*rigState
	held      int           // rows pending for rigs that fail
	checkLeft time.Duration // time left for checking files found at start
	spaceAt   time.Time
}

// rigState is what waits to be written for one rig.
type rigState struct {
	rig     string
	file    *dayFile
	rows    []item
	lost    *lost
	broken  string // what became of the file before this one, for the next entry
	err     error  // why the last attempt failed, nil when it did not
	retryAt time.Time
	usedAt  time.Time
}

func (w *writer) run() {
	defer close(w.r.done)
	tick := time.NewTicker(w.r.opts.Interval)
	defer tick.Stop()
	for {
		select {
		case it := <-w.r.queue:
			w.take(it)
		case now := <-tick.C:
			w.tick(now)
		case <-w.r.stop:
			w.finish()
			return
		}
	}
}

func (w *writer) take(it item) {
	if it.kind == itemFlush {
		it.flush <- w.commitAll(time.Now(), true)
		return
	}
	if it.gap != nil {
		w.push(item{kind: itemEntry, entry: *it.gap})
		it.gap = nil
	}
	w.push(it)
}

func (w *writer) push(it item) {
	s := w.rigs[it.entry.Rig]
	if s == nil {
		s = &rigState{rig: it.entry.Rig}
		w.rigs[s.rig] = s
	}
	if s.err != nil {
		if w.held >= w.r.opts.Hold {
			w.lose(s, it)
			return
		}
		w.held++
	}
	if it.kind == itemEntry && s.broken != "" {
		s.rows = append(s.rows, s.breakBefore(&it.entry))
	}
	s.rows = append(s.rows, it)
	if s.err == nil && len(s.rows) >= w.r.opts.Batch {
		w.commit(s, time.Now())
	}
}

func (w *writer) lose(s *rigState, it item) {
	if it.kind != itemEntry {
		w.r.missed.Add(1)
		return
	}
	s.lost = s.lost.add(&it.entry, "the recording could not be written: "+s.err.Error())
	if g := it.entry.Gap; it.entry.Kind == ingest.EntryGap && g != nil {
		s.lost.count += g.Lost - 1 // the gap that is lost with its count
		return
	}
	w.r.dropped.Add(1)
}

func (w *writer) tick(now time.Time) {
	w.pushGaps()
	w.commitAll(now, false)
	for _, s := range w.rigs {
		if s.file != nil && len(s.rows) == 0 && now.Sub(s.usedAt) > w.r.opts.IdleClose {
			w.note(s.file.finish())
			s.file = nil
		}
	}
	w.measureSpace(now)
}

// pushGaps makes rows of losses that no later entry has brought along.
func (w *writer) pushGaps() {
	for _, g := range w.r.takeLost() {
		w.push(item{kind: itemEntry, entry: *g})
	}
	for _, s := range w.rigs {
		if s.err == nil {
			w.pushOwnGap(s)
		}
	}
}

func (w *writer) pushOwnGap(s *rigState) {
	if s.lost != nil {
		gap := *s.lost.entry()
		s.lost = nil
		s.rows = append(s.rows, item{kind: itemEntry, entry: gap})
	}
}

// commitAll writes what is pending, for failing rigs only when their time has
// come or now is asked for.
func (w *writer) commitAll(now time.Time, force bool) error {
	var all []error
	for _, rig := range slices.Sorted(maps.Keys(w.rigs)) {
		s := w.rigs[rig]
		if len(s.rows) > 0 && (force || s.err == nil || !now.Before(s.retryAt)) {
			w.commit(s, now)
		}
		all = append(all, s.err)
	}
	return errors.Join(all...)
}

func (w *writer) commit(s *rigState, now time.Time) {
	failedBefore := s.err
	err := w.writeRows(s)
	if s.usedAt = now; err == nil {
		s.err = nil
		w.pushOwnGap(s)
		if err = w.writeRows(s); err == nil && failedBefore == nil {
			return
		}
	}
	if s.err = err; err != nil {
		s.retryAt = now.Add(w.r.opts.Retry)
	}
	w.note(err)
	w.listFailing()
}

// listFailing brings held and Status.Failing up to date.
func (w *writer) listFailing() {
	w.held = 0
	var failing []string
	for _, s := range w.rigs {
		if s.err != nil {
			w.held += len(s.rows)
			failing = append(failing, s.rig)
		}
	}
	slices.Sort(failing)
	held := w.held
	w.r.update(func(st *Status) { st.Failing, st.Queued = failing, held })
}

func (w *writer) note(err error) {
	if err != nil {
		w.r.update(func(st *Status) { st.LastError, st.ErrorAt = err.Error(), time.Now().UTC() })
	}
}

// writeRows writes s.rows, a transaction a batch, each within one day.
func (w *writer) writeRows(s *rigState) error {
	for aside := 0; len(s.rows) > 0; {
		err := w.openFor(s)
		n := sameDay(s.rows, w.r.opts.Batch)
		if err == nil {
			err = w.writeBatch(s, s.rows[:n])
		}
		if err == nil {
			s.rows = slices.Delete(s.rows, 0, n)
			continue
		}
		path := w.path(s)
		if s.file != nil {
			s.file.close()
			s.file = nil
		}
		if aside++; !isDamage(err) || aside > 1 {
			return fmt.Errorf("recording of %s: %w", s.rig, err)
		}
		if err := w.setAside(s, path, err); err != nil {
			return err
		}
	}
	return nil
}

func sameDay(rows []item, most int) int {
	day := dayOf(rows[0].entry.Received)
	n := 1
	for n < min(len(rows), most) && dayOf(rows[n].entry.Received) == day {
		n++
	}
	return n
}

func dayOf(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// path returns the file that the first pending row belongs to.
func (w *writer) path(s *rigState) string {
	return Path(w.r.dir, s.rig, s.rows[0].entry.Received)
}

// Path returns the file in which a recording in dir keeps what was received of
// rig on the UTC day of t.
func Path(dir, rig string, t time.Time) string {
	return filepath.Join(dir, rig, rig+"-"+dayOf(t)+".sqlite")
}

func (w *writer) openFor(s *rigState) error {
	path := w.path(s)
	if s.file != nil && s.file.path == path && s.file.inPlace() {
		return nil
	}
	if s.file != nil && s.file.path == path {
		// SQLite would go on writing into a file without a name.
		w.note(fmt.Errorf("recording of %s: %s was removed or replaced while it was recorded", s.rig, path))
		s.file.close()
		s.file = nil
		s.tellBreak("the recording of the day to here was removed or replaced")
	}
	if s.file != nil {
		w.note(s.file.finish())
		s.file = nil
	}
	f, err := openDay(w.ctx, path, s.rig, dayOf(s.rows[0].entry.Received), w.r.opts, &w.checkLeft)
	s.file = f
	return err
}

// writeBatch writes rows in one transaction. Rows that can never be written are
// counted and left out, so that they do not take the others with them.
func (w *writer) writeBatch(s *rigState, rows []item) error {
	if err := w.ctx.Err(); err != nil {
		return err
	}
	// The driver watches a context that can end with a goroutine a statement.
	ctx := context.WithoutCancel(w.ctx)
	var n [itemFlush]uint64
	var refused uint64
	var last error
	err := s.file.inTransaction(ctx, func() error {
		for i := range rows {
			err := s.file.write(ctx, &rows[i])
			switch {
			case err == nil:
				n[rows[i].kind]++
			case isRefusal(err):
				refused++
				last = fmt.Errorf("recording of %s: seq %d: %w", s.rig, rows[i].entry.Seq, err)
			default:
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	w.r.update(func(st *Status) {
		st.Written += n[itemEntry]
		st.Events += n[itemEvent]
		st.Rejects += n[itemReject]
		st.Estimates += n[itemEstimate]
		st.Refused += refused
	})
	w.note(last)
	return nil
}

// setAside renames a damaged file and says in the new one that there was one.
func (w *writer) setAside(s *rigState, path string, why error) error {
	to, err := renameDamaged(path, time.Now())
	if err != nil {
		return fmt.Errorf("recording of %s: setting aside a damaged file: %w", s.rig, err)
	}
	w.note(fmt.Errorf("recording of %s: %w; the file was set aside as %s", s.rig, why, to))
	w.r.update(func(st *Status) { st.SetAside = append(st.SetAside, to) })
	s.tellBreak("the recording of the day to here was damaged and set aside as " + filepath.Base(to))
	return nil
}

// tellBreak puts a gap entry before the next entry: what was recorded earlier on
// the day is no longer in the folder.
func (s *rigState) tellBreak(reason string) {
	s.broken = reason
	i := slices.IndexFunc(s.rows, func(it item) bool { return it.kind == itemEntry })
	if i >= 0 {
		s.rows = slices.Insert(s.rows, i, s.breakBefore(&s.rows[i].entry))
	}
}

// breakBefore returns the gap in the place of the entry before e, which was in
// the file that is gone. How many entries that was is not known.
func (s *rigState) breakBefore(e *ingest.Entry) item {
	gap := ingest.Entry{Seq: max(e.Seq, 1) - 1, Received: e.Received, Rig: s.rig, Kind: ingest.EntryGap,
		Gap: &ingest.Gap{Reason: s.broken}}
	s.broken = ""
	return item{kind: itemEntry, entry: gap}
}

// finish writes what is left and closes everything.
func (w *writer) finish() {
	for {
		select {
		case it := <-w.r.queue:
			w.take(it)
			continue
		default:
		}
		break
	}
	w.pushGaps()
	err := w.commitAll(time.Now(), true)
	unwritten := 0
	for _, s := range w.rigs {
		unwritten += len(s.rows)
		if s.file != nil {
			err = errors.Join(err, s.file.finish())
		}
	}
	if unwritten > 0 {
		err = fmt.Errorf("recorder: %d rows could not be written: %w", unwritten, err)
	}
	w.r.closeErr = errors.Join(err, w.r.held.Close())
}

func (w *writer) measureSpace(now time.Time) {
	if now.Sub(w.spaceAt) < 10*time.Second {
		return
	}
	w.spaceAt = now
	free, known := freeSpace(w.r.dir)
	w.r.update(func(st *Status) {
		st.Free, st.FreeKnown = free, known
		st.LowSpace = known && free < w.r.opts.LowSpace
	})
}
