package record

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"
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
	spool     *spool      // nil: what waits is nowhere else
}

// rigState is what waits to be written for one rig.
type rigState struct {
	number  uint32
	rig     string
	file    *dayFile
	longLog bool        // the file's write-ahead log is longer than it should be
	stays   bool        // the file stays open: one of writer.open
	left    os.FileInfo // of the file as this writer closed it last
	leftAt  string      // its path
	rows    rows
	parts   []part    // of rows, from its beginning: where they are in the spool
	spooled int       // bytes of rows that parts are of
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
		case q := <-w.r.flush:
			q.done <- w.settle(q.rig, time.Now())
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
	w.measureLogs()
	w.measureSpace(now)
}

// measureLogs looks for write-ahead logs that grow: a reader that keeps a transaction
// open keeps the log behind it from being folded in and begun anew.
func (w *writer) measureLogs() {
	for _, s := range w.rigs {
		if s.file == nil || !s.stays {
			continue
		}
		st, err := os.Stat(s.file.path + "-wal")
		long := err == nil && st.Size() > int64(w.r.opts.LogMost)
		if long && !s.longLog {
			w.note(fmt.Errorf("recording of %s: the write-ahead log has grown to %d KiB, want at most %d: another program keeps the recording open in a transaction; all is recorded, and the log grows until it lets go",
				s.rig, st.Size()>>10, w.r.opts.LogMost>>10))
		}
		if long != s.longLog {
			s.longLog = long
			w.listLongLogs()
		}
	}
}

func (w *writer) listLongLogs() {
	var long []string
	for _, s := range w.byName() {
		if s.longLog {
			long = append(long, s.rig)
		}
	}
	w.r.update(func(st *Status) { st.LongLogs = long })
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
	if s.longLog {
		s.longLog = false
		w.listLongLogs()
	}
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
// their time has come, and for those whose file does not stay open in their turn. What
// then still waits is in the spool.
func (w *writer) commitAll(now time.Time, force bool) error {
	turn, all := w.commitOpen(now, force)
	most := max(1, int(filesPerSecond*w.r.opts.Interval.Seconds()))
	if force {
		most = len(turn)
	}
	if len(turn) > most || force || len(all) > 0 {
		all = append(all, w.keep())
	}
	for i, s := range turn {
		if i >= most && w.bytes <= w.r.opts.Pending {
			break
		}
		w.commit(s, now)
		all = append(all, s.err)
	}
	w.sweep(false)
	w.r.pending.Store(int64(w.pending))
	return errors.Join(all...)
}

// commitOpen writes into the files that stay open, and for failing rigs with force or
// when their time has come. It returns the others that have rows, the one that has
// waited longest first, and why rigs fail.
func (w *writer) commitOpen(now time.Time, force bool) (turn []*rigState, failed []error) {
	for _, s := range w.byName() {
		switch {
		case s.rows.n == 0:
		case s.err != nil && (force || !now.Before(s.retryAt)),
			s.err == nil && (s.stays || w.open < w.r.opts.OpenFiles):
			w.commit(s, now)
		case s.err == nil:
			turn = append(turn, s)
		}
		if s.err != nil {
			failed = append(failed, s.err)
		}
	}
	slices.SortStableFunc(turn, func(a, b *rigState) int { return a.since.Compare(b.since) })
	return turn, failed
}

// settle returns when all that was taken is on disk: in its file, where that stays open,
// or in the spool. What there is of rig is in its file then.
func (w *writer) settle(rig string, now time.Time) error {
	w.drain(now)
	turn, all := w.commitOpen(now, true)
	if len(turn) > 0 || len(all) > 0 {
		if err := w.keep(); err != nil {
			w.note(err)
			return errors.Join(append(all, err, w.commitAll(now, true))...)
		}
	}
	for _, s := range turn {
		if s.rig == rig {
			w.commit(s, now)
			all = append(all, s.err)
		}
	}
	w.r.pending.Store(int64(w.pending))
	return errors.Join(all...)
}

// keep puts what waits into the spool.
func (w *writer) keep() error {
	if w.spool == nil {
		return nil
	}
	err := w.spool.keep(w.byName(), w.bytes)
	w.note(err)
	return err
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
			err = w.writeBatch(s, s.rows.b[:size], s.mark(n))
		}
		if err == nil {
			w.written(s, n, size)
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

// writeBatch writes rows in one transaction. Rows that can never be written are
// counted and left out, so that they do not take the others with them.
func (w *writer) writeBatch(s *rigState, rows []byte, m mark) error {
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
		return m.write(ctx, s.file)
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
	w.sweep(true)
	if unwritten > 0 {
		err = fmt.Errorf("recorder: %d rows could not be written: %w", unwritten, err)
	}
	w.r.closeErr = errors.Join(err, w.r.held.Close())
}

func (w *writer) measureSpace(now time.Time) {
	if now.Sub(w.spaceAt) < time.Second {
		return
	}
	w.spaceAt = now
	free, known := freeSpace(w.r.dir)
	w.r.update(func(st *Status) {
		st.Free, st.FreeKnown = free, known
		st.LowSpace = known && free < w.r.opts.LowSpace
	})
}
