package record

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"hoistward/ingest"
)

// writer is the one goroutine that writes.
type writer struct {
	r         *Recorder
	ctx       context.Context
	rigs      []*rigState // by number
	names     []string    // of rigs, by number
	open      int         // files that stay open
	held      int         // rows pending for rigs that fail
	bytes     int         // of all pending rows
	pending   int         // rows
	checkLeft time.Duration
	spaceAt   time.Time
	spare     []byte
	row       []byte // scratch
	unpacker  unpacker
	images    images
	sorted    []*rigState // by name; not of all rigs where its length is another
}

// rigState is what waits to be written for one rig.
type rigState struct {
	number  uint32
	rig     string
	file    *dayFile
	stays   bool        // the file stays open: one of writer.open
	left    os.FileInfo // of the file as this writer closed it last
	leftAt  string      // its path
	rows    rows
	since   time.Time // the first of rows has been here
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
		case <-w.r.intake.wake:
			w.drain(time.Now())
		case now := <-tick.C:
			w.tick(now)
		case reply := <-w.r.flush:
			now := time.Now()
			w.drain(now)
			reply <- w.commitAll(now, true)
		case <-w.r.stop:
			w.finish()
			return
		}
	}
}

// drain takes what waits in the intake.
func (w *writer) drain(now time.Time) {
	w.r.mu.Lock()
	taken, names := w.r.intake.take(w.spare)
	w.r.mu.Unlock()
	w.names = names
	for b := taken.b; len(b) > 0; {
		n := packedSize(b)
		w.push(b[:n], now)
		b = b[n:]
	}
	w.spare = taken.b
	w.r.pending.Store(int64(w.pending))
}

func (w *writer) state(rig uint32) *rigState {
	for n := len(w.rigs); n <= int(rig); n++ {
		w.rigs = append(w.rigs, &rigState{number: uint32(n), rig: w.names[n]})
	}
	return w.rigs[rig]
}

func (w *writer) push(row []byte, now time.Time) {
	s := w.state(packedRig(row))
	if s.err != nil {
		if w.held >= w.r.opts.Hold {
			w.lose(s, w.unpacker.row(s.rig, row))
			return
		}
		w.held++
	}
	if s.rows.n == 0 {
		s.since = now
	}
	if packedEntry(row) && s.broken != "" {
		it := w.unpacker.row(s.rig, row)
		w.add(s, w.pack(s, s.breakBefore(&it.entry)))
	}
	w.add(s, row)
	if s.err == nil && s.rows.n >= w.r.opts.Batch {
		w.commit(s, time.Now())
	}
}

func (w *writer) add(s *rigState, row []byte) {
	s.rows.add(row)
	w.pending++
	w.bytes += len(row)
}

// pack returns a row that the writer makes itself, valid until the next call.
func (w *writer) pack(s *rigState, it item) []byte {
	w.row = pack(w.row[:0], s.number, &it)
	return w.row
}

func (w *writer) lose(s *rigState, it *item) {
	if it.kind != itemEntry {
		w.r.missed.Add(1)
		return
	}
	s.lost = s.lost.add(&it.entry, "the recording could not be written: "+s.err.Error())
	if g := gapOf(it); g != nil {
		s.lost.count += g.Lost - 1 // the gap that is lost with its count
		return
	}
	w.r.dropped.Add(1)
}

func (w *writer) tick(now time.Time) {
	w.drain(now)
	w.pushGaps(now)
	_ = w.commitAll(now, false)
	for _, s := range w.rigs {
		if s.file != nil && s.rows.n == 0 && now.Sub(s.usedAt) > w.r.opts.IdleClose {
			w.closeFile(s)
		}
	}
	w.measureSpace(now)
}

// closeFile ends the use of a rig's file, which is not broken.
func (w *writer) closeFile(s *rigState) {
	path := s.file.path
	w.note(s.file.finish())
	w.forget(s)
	s.left, _ = os.Stat(path)
	s.leftAt = path
}

// forget takes note that a rig has no open file.
func (w *writer) forget(s *rigState) {
	s.file, s.left = nil, nil
	if s.stays {
		s.stays = false
		w.open--
	}
}

// pushGaps makes rows of losses that no later entry has brought along.
func (w *writer) pushGaps(now time.Time) {
	for _, g := range w.r.takeLost() {
		w.r.mu.Lock()
		n := w.r.intake.number[g.entry.Rig]
		w.names = w.r.intake.names
		w.r.mu.Unlock()
		w.push(w.pack(w.state(n), *g), now)
	}
	for _, s := range w.rigs {
		if s.err == nil {
			w.pushOwnGap(s)
		}
	}
}

func (w *writer) pushOwnGap(s *rigState) {
	if s.lost != nil {
		gap := *s.lost.item()
		s.lost = nil
		w.add(s, w.pack(s, gap))
	}
}

// filesPerSecond is how many files of those that do not stay open are opened, written
// and closed: some 2 ms of the processor each.
const filesPerSecond = 50

// commitAll writes what is pending: all of it with force; else for failing rigs when
// their time has come, and for those whose file does not stay open in their turn.
func (w *writer) commitAll(now time.Time, force bool) error {
	var all []error
	var turn []*rigState
	for _, s := range w.byName() {
		switch {
		case s.rows.n == 0:
		case force || s.err == nil && (s.stays || w.open < w.r.opts.OpenFiles):
			w.commit(s, now)
		case s.err != nil && !now.Before(s.retryAt):
			w.commit(s, now)
		case s.err == nil:
			turn = append(turn, s)
		}
		all = append(all, s.err)
	}
	slices.SortStableFunc(turn, func(a, b *rigState) int { return a.since.Compare(b.since) })
	most := max(1, int(filesPerSecond*w.r.opts.Interval.Seconds()))
	for i, s := range turn {
		if i >= most && w.bytes <= w.r.opts.Pending {
			break
		}
		w.commit(s, now)
		all = append(all, s.err)
	}
	w.r.pending.Store(int64(w.pending))
	return errors.Join(all...)
}

// byName returns the rigs in the order of their names.
func (w *writer) byName() []*rigState {
	if len(w.sorted) != len(w.rigs) {
		w.sorted = slices.Clone(w.rigs)
		slices.SortFunc(w.sorted, func(a, b *rigState) int { return cmp.Compare(a.rig, b.rig) })
	}
	return w.sorted
}

func (w *writer) commit(s *rigState, now time.Time) {
	failedBefore := s.err
	err := w.writeRows(s)
	if s.usedAt = now; err == nil {
		s.err = nil
		w.pushOwnGap(s)
		err = w.writeRows(s)
	}
	if err == nil && s.file != nil && !s.stays {
		w.closeFile(s)
	}
	if err == nil && failedBefore == nil {
		return
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
			w.held += s.rows.n
			failing = append(failing, s.rig)
		}
	}
	slices.Sort(failing)
	w.r.update(func(st *Status) { st.Failing = failing })
}

func (w *writer) note(err error) {
	if err != nil {
		w.r.update(func(st *Status) { st.LastError, st.ErrorAt = err.Error(), time.Now().UTC() })
	}
}

// writeRows writes s.rows, a transaction a batch, each within one day.
func (w *writer) writeRows(s *rigState) error {
	for aside := 0; s.rows.n > 0; {
		err := w.openFor(s)
		n, size := sameDay(s.rows.b, w.r.opts.Batch)
		if err == nil {
			err = w.writeBatch(s, s.rows.b[:size])
		}
		if err == nil {
			s.rows.drop(n, size)
			w.pending -= n
			w.bytes -= size
			continue
		}
		path := w.path(s)
		if s.file != nil {
			s.file.close()
			w.forget(s)
		}
		if aside++; !isDamage(err) && !errors.Is(err, ErrNewer) || aside > 1 {
			return fmt.Errorf("recording of %s: %w", s.rig, err)
		}
		if err := w.setAside(s, path, err); err != nil {
			return err
		}
	}
	return nil
}

// sameDay returns how many of the first rows, and of how many bytes, are of one day.
func sameDay(b []byte, most int) (n, size int) {
	const dayLength = 24 * 60 * 60
	day := packedReceived(b).Unix() / dayLength
	for n < most && size < len(b) && packedReceived(b[size:]).Unix()/dayLength == day {
		size += packedSize(b[size:])
		n++
	}
	return n, size
}

func dayOf(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// path returns the file that the first pending row belongs to.
func (w *writer) path(s *rigState) string {
	return Path(w.r.dir, s.rig, packedReceived(s.rows.b))
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
		s.file.close()
		w.forget(s)
		w.gone(s, path)
	}
	if s.file != nil {
		w.closeFile(s)
	}
	stays := w.open < w.r.opts.OpenFiles
	o := openOptions{Options: w.r.opts, turn: !stays, rig: s.rig, day: dayOf(packedReceived(s.rows.b)), checkLeft: &w.checkLeft, images: &w.images}
	if s.left != nil && s.leftAt == path {
		now, err := os.Stat(path)
		switch same := err == nil && os.SameFile(now, s.left); {
		case !same:
			w.gone(s, path)
		case now.Size() == s.left.Size() && now.ModTime().Equal(s.left.ModTime()):
			o.known = true
		}
	}
	f, err := openDay(w.ctx, path, o)
	if s.file = f; f != nil && stays {
		s.stays = true
		w.open++
	}
	return err
}

// gone says that the file that was recorded into is no longer there.
func (w *writer) gone(s *rigState, path string) {
	w.note(fmt.Errorf("recording of %s: %s was removed or replaced while it was recorded", s.rig, path))
	w.tellBreak(s, "the recording of the day to here was removed or replaced")
}

// writeBatch writes rows in one transaction. Rows that can never be written are
// counted and left out, so that they do not take the others with them.
func (w *writer) writeBatch(s *rigState, rows []byte) error {
	if err := w.ctx.Err(); err != nil {
		return err
	}
	// The driver watches a context that can end with a goroutine a statement.
	ctx := context.WithoutCancel(w.ctx)
	var n [numItems]uint64
	var refused uint64
	var last error
	err := s.file.inTransaction(ctx, func() error {
		for len(rows) > 0 {
			it := w.unpacker.row(s.rig, rows)
			rows = rows[packedSize(rows):]
			err := s.file.write(ctx, it)
			switch {
			case err == nil:
				n[it.kind]++
			case isRefusal(err):
				refused++
				last = fmt.Errorf("recording of %s: seq %d: %w", s.rig, it.entry.Seq, err)
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

// setAside renames a file that cannot be gone on with, and says in the new one that
// there was one.
func (w *writer) setAside(s *rigState, path string, why error) error {
	ending, was := ".damaged-", "was damaged"
	if errors.Is(why, ErrNewer) {
		ending, was = ".newer-", "was of a newer version of the program"
	}
	to, err := renameAside(path, ending, time.Now())
	if err != nil {
		return fmt.Errorf("recording of %s: setting aside a file: %w", s.rig, err)
	}
	w.note(fmt.Errorf("recording of %s: %s: %w; the file was set aside as %s", s.rig, path, why, to))
	w.r.update(func(st *Status) { st.SetAside = append(st.SetAside, to) })
	w.tellBreak(s, "the recording of the day to here "+was+" and set aside as "+filepath.Base(to))
	return nil
}

// tellBreak puts a gap entry before the next entry: what was recorded earlier on
// the day is no longer in the folder.
func (w *writer) tellBreak(s *rigState, reason string) {
	s.broken = reason
	for at := 0; at < len(s.rows.b); at += packedSize(s.rows.b[at:]) {
		if b := s.rows.b[at:]; packedEntry(b) {
			row := w.pack(s, s.breakBefore(&w.unpacker.row(s.rig, b).entry))
			s.rows.insert(at, row)
			w.pending++
			w.bytes += len(row)
			return
		}
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
	now := time.Now()
	w.drain(now)
	w.pushGaps(now)
	err := w.commitAll(now, true)
	unwritten := 0
	for _, s := range w.byName() {
		unwritten += s.rows.n
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
