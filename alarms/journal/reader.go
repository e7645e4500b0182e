package journal

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"

	"hoistward/alarms"
)

// MaxLine is the longest line that is read, 1 MiB; a longer one is damaged.
const MaxLine = 1 << 20

// Damage is a line that is no event. Reading goes on after it.
type Damage struct {
	Line int // from 1
	Err  error
}

// Error gives the line and what is wrong with it.
func (d *Damage) Error() string { return fmt.Sprintf("line %d: %v", d.Line, d.Err) }

// Unwrap gives what is wrong.
func (d *Damage) Unwrap() error { return d.Err }

// Line is an event with its place.
type Line struct {
	Number int // from 1
	Event  alarms.Event
}

// Read streams the events of a journal. A damaged line comes as a *Damage and does
// not stop it; any other error is the reader's own and is the last. Empty lines are
// passed over. Memory does not grow with the journal.
func Read(r io.Reader) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		b := bufio.NewReaderSize(r, 64<<10)
		var buf []byte
		for number := 1; ; number++ {
			line, err := readLine(b, buf[:0])
			buf = line
			if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, errLong) {
				yield(Line{Number: number}, fmt.Errorf("read journal: line %d: %w", number, err))
				return
			}
			if !yieldLine(yield, number, line, errors.Is(err, errLong)) || errors.Is(err, io.EOF) {
				return
			}
		}
	}
}

func yieldLine(yield func(Line, error) bool, number int, line []byte, long bool) bool {
	l := Line{Number: number}
	if long {
		return yield(l, &Damage{number, fmt.Errorf("more than %d bytes", MaxLine)})
	}
	if len(bytes.TrimSpace(line)) == 0 {
		return true
	}
	e, err := alarms.ParseEvent(line)
	if err != nil {
		return yield(l, &Damage{number, err})
	}
	l.Event = e
	return yield(l, nil)
}

var errLong = errors.New("line too long")

// readLine reads to the next newline; what passes MaxLine is read and dropped.
func readLine(b *bufio.Reader, line []byte) ([]byte, error) {
	long := false
	for {
		part, err := b.ReadSlice('\n')
		if long = long || len(line)+len(part) > MaxLine; !long {
			line = append(line, part...)
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case err != nil && !errors.Is(err, io.EOF):
			return line, err
		case long && err == nil:
			return line, errLong
		case long:
			return line, errors.Join(errLong, err)
		}
		return line, err
	}
}
