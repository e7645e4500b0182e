package wits

import "bytes"

// Limits of a Framer. The longest item of the predefined records is a text of 256
// letters, and the largest record has some 70 items.
const (
	MaxLine  = 2 << 10  // bytes of one line
	MaxFrame = 32 << 10 // bytes of one frame
)

// A delimiter is a whole line.
var (
	begin = []byte("&&")
	end   = []byte("!!")
)

// Framer cuts a stream into frames, however it is split into reads. A line ends
// with CR, LF or both; NUL and 0xFF before a line, and blanks and NUL after it, are
// not part of it; an empty line is none.
//
// A frame that misses an end, or is too long, is broken: it is dropped as a whole,
// told once, and the next line of "&&" begins a new one. So is what stands outside
// of frames. Nothing of one frame ever gets into another.
type Framer struct {
	good   func(frame []byte)
	broken func(why string, head []byte)
	line   []byte
	long   bool // the line at hand is too long: wait for its end
	frame  []byte
	inside bool
	stray  bool // the text outside of frames at hand has been told
}

// NewFramer returns a framer that hands whole frames to good, as lines ended by CR
// and LF with their delimiters, and tells broken of each that is none, with its
// first bytes. What they get is valid during the call alone.
func NewFramer(good func(frame []byte), broken func(why string, head []byte)) *Framer {
	return &Framer{good: good, broken: broken}
}

// Write takes the next bytes of the stream.
func (f *Framer) Write(data []byte) (int, error) {
	n := len(data)
	for len(data) > 0 {
		i := bytes.IndexAny(data, "\r\n")
		if i < 0 {
			f.part(data)
			break
		}
		f.part(data[:i])
		f.endLine()
		data = data[i+1:]
	}
	return n, nil
}

// Close ends the stream: what was begun dies with it.
func (f *Framer) Close() {
	if f.inside {
		f.drop("the stream ended inside a frame", f.frame)
	}
	f.line, f.long, f.stray = f.line[:0], false, false
}

func (f *Framer) part(data []byte) {
	if len(f.line) == 0 {
		data = trimLeft(data)
	}
	switch {
	case f.long:
	case len(f.line)+len(data) > MaxLine:
		f.long = true
		f.line = append(f.line, data[:min(len(data), MaxLine-len(f.line))]...)
		f.outside("a line without an end", f.line)
	default:
		f.line = append(f.line, data...)
	}
}

func (f *Framer) endLine() {
	line := trimRight(f.line)
	long := f.long
	f.line, f.long = f.line[:0], false
	switch {
	case long || len(line) == 0:
	case bytes.Equal(line, begin):
		if f.inside {
			f.drop("no end before the next beginning", f.frame)
		}
		f.inside, f.stray = true, false
		f.frame = append(append(f.frame[:0], begin...), "\r\n"...)
	case bytes.Equal(line, end):
		if !f.inside {
			f.outside("an end without a beginning", line)
			f.stray = false
			return
		}
		f.inside = false
		f.good(append(append(f.frame, end...), "\r\n"...))
	case !f.inside:
		f.outside("text outside of a frame", line)
	case len(f.frame)+len(line) > MaxFrame-len("!!\r\n\r\n"):
		f.outside("a frame too long", f.frame)
	default:
		f.frame = append(append(f.frame, line...), "\r\n"...)
	}
}

// outside tells, once, of text that belongs to no frame, and of the frame that it
// broke. It lasts to the next delimiter.
func (f *Framer) outside(why string, head []byte) {
	if f.inside {
		f.drop(why, f.frame)
	} else if !f.stray {
		f.broken(why, head)
	}
	f.stray = true
}

func (f *Framer) drop(why string, head []byte) {
	f.inside = false
	f.broken(why, head)
}

func trimRight(line []byte) []byte { return bytes.TrimRight(line, " \t\x00") }

// trimLeft takes padding and line noise off. (As a cutset, "\xff" would mean the
// letter of a broken encoding.)
func trimLeft(line []byte) []byte {
	for len(line) > 0 && (line[0] == 0 || line[0] == 0xff) {
		line = line[1:]
	}
	return line
}
