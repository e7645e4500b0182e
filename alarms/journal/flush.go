package journal

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
)

// flush writes all that is held with one write.
func (w *Writer) flush() error {
	if err := w.settleDoubt(); err != nil {
		return err
	}
	if len(w.held) > 0 {
		n, err := w.f.Write(w.held)
		w.length.Add(int64(n))
		w.unsynced = append(w.unsynced, w.held[:n]...)
		w.held = slices.Delete(w.held, 0, n)
		if err == nil && len(w.held) > 0 {
			err = io.ErrShortWrite
		}
		if err != nil {
			return w.fail(fmt.Errorf("write: %w", err))
		}
	}
	w.err = nil
	return nil
}

// sync writes all that is held and puts it on disk under the journal's name.
func (w *Writer) sync() error {
	if err := w.follow(); err != nil {
		return err
	}
	if err := w.flush(); err != nil {
		return err
	}
	if err := w.f.Sync(); err != nil {
		w.doubt = true
		return w.fail(fmt.Errorf("sync: %w", err))
	}
	w.unsynced = w.unsynced[:0]
	return nil
}

// settleDoubt writes again what a failed sync may have lost. A system may report
// such a failure once and then forget the pages, so that the next sync succeeds with
// nothing written: what was in doubt goes into the file a second time, once a sync
// shows that the disk answers at all. Until then nothing is written.
func (w *Writer) settleDoubt() error {
	if !w.doubt {
		return nil
	}
	if err := w.f.Sync(); err != nil {
		return w.fail(fmt.Errorf("sync: %w", err))
	}
	w.again("the disk failed to keep what was written: the lines that follow may stand before this one too", false)
	return nil
}

// again puts what is not known to be on disk before what is held, after a break entry.
// Both together are whole lines: a line that a short write cut begins in the one and
// ends in the other. endFirst ends a torn line that the file already has.
func (w *Writer) again(reason string, endFirst bool) {
	var b []byte
	if endFirst {
		b = append(b, '\n')
	}
	b = append(b, w.breakLine(reason)...)
	b = append(b, w.unsynced...)
	w.held = append(b, w.held...)
	w.unsynced = nil
	w.doubt = false
}

// follow takes up the journal's name again where the file was moved or removed under
// the writer: lines that nobody finds are not on disk.
func (w *Writer) follow() error {
	ours, err := w.f.Stat()
	if err != nil {
		return w.fail(err)
	}
	named, err := w.sys.stat(w.path)
	if err == nil && os.SameFile(ours, named) {
		return nil
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return w.fail(err)
	}
	end, err := w.sys.tail(w.path)
	if err != nil {
		return w.fail(err)
	}
	f, err := w.sys.open(w.path)
	if err != nil {
		return w.fail(err)
	}
	_ = w.f.Close() // the old file; what it may not hold is written again
	w.f = f
	w.measure()
	w.again("the file was moved or removed under the monitor: the lines that follow may stand in the old file too", end.torn)
	return nil
}
