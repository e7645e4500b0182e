// Package journal keeps the alarm journal on disk: one append-only file of JSON
// Lines, one alarms.Event a line, each written by one write.
//
// Nothing is dropped without a word. A line that the disk refuses is held and tried
// again before any later one, so the order stays; what a crash tore is kept, ended
// with a newline and followed by a break entry; what a failed fsync may have lost is
// written again after a break entry. Only when MaxHeld bytes wait for a dead disk are
// newer lines counted instead of held, and the count is the first thing written after.
//
// It may not read a clock or decide what is worth an entry.
package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"hoistward/alarms"
)

const (
	// MaxHeld bounds what is held in memory while the disk refuses it, 16 MiB: some
	// sixty thousand lines. Chosen here.
	MaxHeld = 16 << 20
	// maxUnsynced is how much may be written before Append itself syncs, 1 MiB.
	maxUnsynced = 1 << 20
)

// file is what the Writer needs of an os.File: one seam for each call that can fail.
type file interface {
	io.Writer
	Sync() error
	Stat() (os.FileInfo, error)
	Close() error
}

// system is the file system of a Writer.
type system struct {
	open func(path string) (file, error)        // for appending, made where it is absent
	tail func(path string) (lastLine, error)    // how the file ends
	stat func(path string) (os.FileInfo, error) // what the path names now
}

// Writer appends to one journal. Its methods may be called from any goroutine.
type Writer struct {
	path string
	rig  string
	sys  system

	mu       sync.Mutex
	f        file
	line     []byte // of Append, kept for its room
	held     []byte // to write, oldest first; after a short write it begins within a line
	unsynced []byte // written since the last good Sync; begins a line
	doubt    bool   // a sync failed: unsynced may not be on disk
	lost     uint64 // lines that were not held, not yet said in the file
	lostEver uint64
	err      error // of the last attempt; nil = all is written
	now      time.Time
	length   atomic.Int64 // of the file, as far as it was written
}

// Open opens the journal at path, or makes it. Where its last line is torn or has no
// end, the line is ended and a break entry for rig, dated now, is written.
func Open(path, rig string, now time.Time) (*Writer, error) {
	return open(path, rig, now, system{openFile, tailOf, os.Stat})
}

func open(path, rig string, now time.Time, sys system) (*Writer, error) {
	end, err := sys.tail(path)
	if err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	w := &Writer{path: path, rig: rig, sys: sys, now: now}
	if w.f, err = sys.open(path); err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	w.measure()
	if end.torn {
		w.hold([]byte{'\n'})
		w.hold(w.breakLine(fmt.Sprintf("the line before this one has no end: its %d bytes are as a crash left them", end.length)))
		if err := w.sync(); err != nil {
			return nil, errors.Join(err, w.f.Close())
		}
	}
	return w, nil
}

func openFile(path string) (file, error) {
	_, err := os.Stat(path)
	f, openErr := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o644)
	if openErr != nil {
		return nil, openErr
	}
	if errors.Is(err, os.ErrNotExist) {
		if err := syncDir(filepath.Dir(path)); err != nil {
			return nil, errors.Join(err, f.Close())
		}
	}
	return f, nil
}

// syncDir puts a new file's name on disk.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Append writes e as one line. On an error the line is held and written before any
// later one, by the next Append, Flush or Sync; the caller must not append it again.
func (w *Writer) Append(e *alarms.Event) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.line = alarms.AppendJSON(w.line[:0], e)
	return w.append(e.Time)
}

// AppendLine writes one line of another form, without its newline, in the same way.
func (w *Writer) AppendLine(at time.Time, line []byte) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.line = append(w.line[:0], line...)
	return w.append(at)
}

func (w *Writer) append(at time.Time) error {
	w.now = at
	w.line = append(w.line, '\n')
	if len(w.held)+len(w.line) > MaxHeld {
		w.lost++
		w.lostEver++
		return w.flush()
	}
	w.sayLost()
	w.hold(w.line)
	if err := w.flush(); err != nil {
		return err
	}
	if len(w.unsynced) > maxUnsynced {
		return w.sync()
	}
	return nil
}

// Flush writes what is held. It is what a tick calls, so that a disk that comes back
// is found without waiting for the next event.
func (w *Writer) Flush() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sayLost()
	return w.flush()
}

// Sync returns nil once every line appended so far is on disk, in the file that the
// path names: an act is confirmed only after that. Call it now and then without an
// act as well; it is what notices a file that was moved or removed.
func (w *Writer) Sync() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sayLost()
	return w.sync()
}

// Close writes and syncs what it can, and closes the file.
func (w *Writer) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sayLost()
	err := w.sync()
	if n := bytes.Count(w.held, []byte{'\n'}); n > 0 {
		err = fmt.Errorf("%w; %d lines are lost with it", err, n)
	}
	return errors.Join(err, w.f.Close())
}

// Health is what the recording alarms and the status page ask of a journal.
type Health struct {
	Held int    // lines that wait for the disk
	Lost uint64 // lines that could be neither written nor held, since Open
	Err  error  // of the last attempt; nil = all is written
}

// Health returns the present one.
func (w *Writer) Health() Health {
	w.mu.Lock()
	defer w.mu.Unlock()
	return Health{bytes.Count(w.held, []byte{'\n'}), w.lostEver, w.err}
}

// Length is the file's length in bytes after the newest line that was written. It waits
// for nothing.
func (w *Writer) Length() int64 { return w.length.Load() }

// measure takes the length of a file that was just opened.
func (w *Writer) measure() {
	if st, err := w.f.Stat(); err == nil {
		w.length.Store(st.Size())
	}
}

func (w *Writer) fail(err error) error {
	w.err = fmt.Errorf("journal %s: %w", w.path, err)
	return w.err
}

func (w *Writer) hold(line []byte) { w.held = append(w.held, line...) }

// sayLost holds the entry for lines that could not be held, where there is room.
func (w *Writer) sayLost() {
	if w.lost == 0 || len(w.held) > MaxHeld/2 {
		return
	}
	w.hold(w.breakLine(fmt.Sprintf("%d events before this one could not be written or held, and are lost", w.lost)))
	w.lost = 0
}

func (w *Writer) breakLine(reason string) []byte {
	e := alarms.Event{Time: w.now, Rig: w.rig, Alarm: "journal", Event: alarms.EventJournalBreak,
		Reason: reason, Value: math.NaN(), Limit: math.NaN()}
	return append(alarms.AppendJSON(nil, &e), '\n')
}
