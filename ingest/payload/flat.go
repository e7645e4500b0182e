package payload

import (
	"bytes"
	"strconv"

	"hoistward/ingest"
)

// flat reads a message that is one plain object, as nearly every message is: keys that
// are read, each once, in plain letters; numbers, and a time in text. Of such it makes
// what the reader of all JSON makes, in a third of the time. It tells whether the
// message was one; if not, nothing of it has gone out.
func (d *JSON) flat(m *ingest.Message, out ingest.Sink) bool {
	if d.deep || len(d.fields.places) > 0 {
		return false
	}
	d.sample = ingest.Sample{}
	d.at = eventTime{}
	d.rig.clear()
	s := scanner{b: m.Payload}
	if !s.is('{') {
		return false
	}
	for more := true; more; more = s.is(',') {
		key, ok := s.text()
		child := d.fields.keys[string(key)]
		if !ok || child == nil || !child.leaf.is || !s.is(':') || !d.flatValue(&s, &child.leaf) {
			return false
		}
	}
	if !s.is('}') || !s.end() || d.sample.Has == 0 {
		return false
	}
	if d.mapping.Clock == ingest.SourceClock && d.at.times != 1 {
		return false
	}
	if d.mapping.RigField != "" && d.rig.reject() != ingest.Used {
		return false
	}
	rig := d.rigOf(m)
	if d.stamp(m.Received, func(r ingest.Reject, detail string) { out.Reject(rig, r, detail) }) {
		out.Sample(rig, &d.sample)
	}
	return true
}

// flatValue reads a value that is good, and tells whether it was.
func (d *JSON) flatValue(s *scanner, l *leaf) bool {
	if l.time {
		text, ok := s.text()
		if !ok {
			return false
		}
		d.at.times++
		d.at.t, ok = parseTime(text)
		d.at.t = d.at.t.UTC()
		return ok
	}
	if l.rig {
		text, ok := s.text()
		d.rig.take(text)
		return ok
	}
	x, ok := s.onOff()
	if ok && !l.channel.OnOff() || d.sample.Named(l.channel) {
		return false
	}
	if !ok {
		number := s.number()
		if number == nil {
			return false
		}
		var err error
		if x, err = strconv.ParseFloat(string(number), 64); err != nil {
			return false
		}
	}
	v := d.mapping.Convert(l.channel, x)
	d.sample.Set(l.channel, v)
	return v.Quality != ingest.Bad
}

// scanner goes through a text by the grammar of RFC 8259.
type scanner struct {
	b []byte
	i int
}

func (s *scanner) space() {
	for s.i < len(s.b) && (s.b[s.i] == ' ' || s.b[s.i] == '\n' || s.b[s.i] == '\r' || s.b[s.i] == '\t') {
		s.i++
	}
}

// is passes c, where it comes next.
func (s *scanner) is(c byte) bool {
	s.space()
	if s.i < len(s.b) && s.b[s.i] == c {
		s.i++
		return true
	}
	return false
}

func (s *scanner) end() bool {
	s.space()
	return s.i == len(s.b)
}

// text reads a string of plain ASCII without escapes.
func (s *scanner) text() ([]byte, bool) {
	if !s.is('"') {
		return nil, false
	}
	for begin := s.i; s.i < len(s.b); s.i++ {
		switch c := s.b[s.i]; {
		case c == '"':
			s.i++
			return s.b[begin : s.i-1], true
		case c < ' ' || c == '\\' || c >= 0x7f:
			return nil, false
		}
	}
	return nil, false
}

// onOff reads true as 1 and false as 0, where one of them comes.
func (s *scanner) onOff() (x float64, ok bool) {
	s.space()
	switch rest := s.b[s.i:]; {
	case bytes.HasPrefix(rest, []byte("true")):
		s.i += len("true")
		return 1, true
	case bytes.HasPrefix(rest, []byte("false")):
		s.i += len("false")
		return 0, true
	}
	return 0, false
}

// number reads a number, nil where none comes:
//
//	-? (0 | [1-9][0-9]*) (. [0-9]+)? ([eE] [+-]? [0-9]+)?
func (s *scanner) number() []byte {
	s.space()
	begin := s.i
	s.pass('-', '-')
	switch whole := s.i; {
	case s.digits() == 0, s.b[whole] == '0' && s.i-whole > 1:
		return nil
	}
	if s.pass('.', '.') && s.digits() == 0 {
		return nil
	}
	if s.pass('e', 'E') {
		s.pass('+', '-')
		if s.digits() == 0 {
			return nil
		}
	}
	return s.b[begin:s.i]
}

func (s *scanner) pass(a, b byte) bool {
	if s.i < len(s.b) && (s.b[s.i] == a || s.b[s.i] == b) {
		s.i++
		return true
	}
	return false
}

func (s *scanner) digits() int {
	begin := s.i
	for s.i < len(s.b) && s.b[s.i]-'0' <= 9 {
		s.i++
	}
	return s.i - begin
}
