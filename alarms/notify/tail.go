package notify

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync/atomic"

	"hoistward/alarms"
	"hoistward/alarms/journal"
)

// record is one event of the journal with its number.
type record struct {
	journal string
	seq     int64  // where its line ends, bytes from the journal's start
	line    []byte // as it stands there, without the newline
	event   alarms.Event
	old     bool   // older than is sent
	skip    bool   // not to be sent: the pair's other member told it
	id      string // another than our own
	whole   bool   // the pair's other member told it: line is what it sent
	after   int64  // with whole: the destination has what comes before
}

// tail reads a journal from a place on, while it grows.
type tail struct {
	path    string
	f       *os.File
	id      string        // of the journal; empty = no whole line was seen yet
	pos     int64         // of buf
	buf     []byte        // read, not yet taken
	long    bool          // in a line that is too long to be one
	damaged atomic.Uint64 // lines that are no events
}

const readBytes = 64 << 10

// identity returns a name for the journal in f by its first line; empty where there
// is no whole one. The first 64 KiB stand for a longer line.
func identity(f *os.File) (string, error) {
	b := make([]byte, readBytes)
	n, err := f.ReadAt(b, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return "", err
	}
	b = b[:n]
	end := bytes.IndexByte(b, '\n')
	if end < 0 && n < readBytes {
		return "", nil
	}
	if end >= 0 {
		b = b[:end]
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:4]), nil
}

// open takes up the journal from pos on.
func (t *tail) open(pos int64) error {
	f, err := os.Open(t.path)
	if err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	t.close()
	t.f = f
	t.seek(pos)
	t.id, err = identity(f)
	return err
}

func (t *tail) close() {
	if t.f != nil {
		_ = t.f.Close() // only read from
		t.f = nil
	}
}

// seek goes on from pos, the end of a line.
func (t *tail) seek(pos int64) { t.pos, t.buf, t.long = pos, t.buf[:0], false }

// next returns the next event; false = there is none yet.
func (t *tail) next() (record, bool, error) {
	for {
		if i := bytes.IndexByte(t.buf, '\n'); i >= 0 {
			line := bytes.Clone(t.buf[:i])
			t.buf = t.buf[i+1:]
			t.pos += int64(i) + 1
			if t.long {
				t.long = false
				t.damaged.Add(1)
				continue
			}
			if r, ok := t.parse(line); ok {
				return r, true, nil
			}
			continue
		}
		if len(t.buf) > journal.MaxLine {
			t.pos += int64(len(t.buf))
			t.buf, t.long = t.buf[:0], true
		}
		more, err := t.read()
		if err != nil || !more {
			return record{}, false, err
		}
	}
}

func (t *tail) parse(line []byte) (record, bool) {
	if line = bytes.TrimSpace(line); len(line) == 0 {
		return record{}, false
	}
	e, err := alarms.ParseEvent(line)
	if err != nil {
		t.damaged.Add(1)
		return record{}, false
	}
	if t.id == "" {
		t.id, err = identity(t.f)
		if err != nil || t.id == "" {
			t.id = "unknown"
		}
	}
	return record{journal: t.id, seq: t.pos, line: line, event: e}, true
}

// read takes more of the journal into the buffer; false = there is no more.
func (t *tail) read() (bool, error) {
	n := len(t.buf)
	b := append(make([]byte, 0, n+readBytes), t.buf...)[:n+readBytes]
	got, err := t.f.ReadAt(b[n:], t.pos+int64(n))
	t.buf = b[:n+got]
	switch {
	case got > 0:
		return true, nil
	case err != nil && !errors.Is(err, io.EOF):
		return false, fmt.Errorf("outbox: read journal: %w", err)
	}
	return false, nil
}

// follow looks whether the path names another journal now, or the file was cut, and
// begins that one; true = it did.
func (t *tail) follow() (bool, error) {
	named, err := os.Stat(t.path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil // moved away, and the new one not made yet
	}
	if err != nil {
		return false, fmt.Errorf("outbox: %w", err)
	}
	ours, err := t.f.Stat()
	if err != nil {
		return false, fmt.Errorf("outbox: %w", err)
	}
	if os.SameFile(ours, named) && named.Size() >= t.pos {
		return false, nil
	}
	return true, t.open(0)
}

// length returns the journal's length now.
func (t *tail) length() int64 {
	st, err := t.f.Stat()
	if err != nil {
		return t.pos
	}
	return st.Size()
}
