// Package lines turns messages of line protocol into samples, by the mapping of
// their source. A line is a measurement with its tags, fields and a time:
//
//	hoist,rig=R1 hook_load=85.2,block_height=31.24,drive_engaged=t 1795521600000000000
//
// Source: github.com/influxdata/line-protocol/v2, by whose decoder lines are read.
//
// One bad line takes nothing else of the message along. The package may not guess:
// a number that it cannot read, or a time that it does not believe, never becomes a
// number downstream. It has no clock and does no I/O.
package lines

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"hoistward/ingest"
)

// Limits.
const (
	// MaxSize is the largest payload that is read, in bytes: some 3,000 lines.
	MaxSize = 256 << 10
	// joinLines is how many lines a text in quotation marks may run over.
	joinLines = 16
	// exampleBytes is how much of a line stands in an example.
	exampleBytes = 120
)

// Options say what a mapping cannot.
type Options struct {
	Precision string // of the times: "ns", "us", "ms" or "s"; empty = ns, as the format has it
	RigTag    string // the tag that names the rig, where the way that a message comes does not
}

// Precisions are those that times may have, with what Options call them.
var Precisions = []string{"ns", "us", "ms", "s"}

// precision returns the one of that name.
func precision(name string) (lineprotocol.Precision, bool) {
	switch name {
	case "", "ns":
		return lineprotocol.Nanosecond, true
	case "us":
		return lineprotocol.Microsecond, true
	case "ms":
		return lineprotocol.Millisecond, true
	case "s":
		return lineprotocol.Second, true
	}
	return 0, false
}

// Decoder reads messages of line protocol. A channel's field is a key, or measurement
// and key with a point between, where several measurements have one key. Tags but
// that of the rig, and fields that no channel is read from, are passed over. It is not
// safe for concurrent use.
type Decoder struct {
	mapping   *ingest.Mapping
	precision lineprotocol.Precision
	rigTag    string
	fields    map[string]ingest.Channel

	name []byte // measurement and key of a field
	one  line
	open line // the sample that is being gathered
}

// line is what one line said.
type line struct {
	rig     string
	sample  ingest.Sample
	at      time.Time
	timed   bool
	rejects []reject
}

type reject struct {
	reason ingest.Reject
	detail string
}

// New returns a decoder for mapping m, or every mistake in m and o.
func New(m *ingest.Mapping, o Options) (*Decoder, error) {
	own := *m
	own.TimeField = "the time of a line" // has no key that a field could have too
	errs := own.Check()
	p, ok := precision(o.Precision)
	if !ok {
		errs = append(errs, fmt.Errorf("precision: got %q, want one of %q", o.Precision, Precisions))
	}
	if len(errs) > 0 {
		return nil, fmt.Errorf("mapping: %w", errors.Join(errs...))
	}
	d := &Decoder{mapping: &own, precision: p, rigTag: o.RigTag, fields: map[string]ingest.Channel{}}
	for c := range ingest.NumChannels {
		if m.Channels[c].Mapped {
			d.fields[m.Channels[c].Field] = c
		}
	}
	return d, nil
}

// Decode reads one message. Neighbouring lines of one rig and one time make one
// sample. A line that cannot be read is told, and the lines about it are used; so is
// one without a believable time, or without any mapped field. A value that is not a
// number is in the sample as bad.
func (d *Decoder) Decode(m *ingest.Message, out ingest.Sink) {
	switch data := bytes.TrimSpace(m.Payload); {
	case len(m.Payload) > MaxSize:
		out.Reject(m.Rig, ingest.RejectTooLarge, strconv.Itoa(len(m.Payload))+" bytes")
		return
	case len(data) == 0:
		out.Reject(m.Rig, ingest.RejectEmpty, "")
		return
	default:
		d.open = line{}
		for len(data) > 0 {
			data = d.next(data, m, out)
		}
		d.give(m, out)
	}
}

// next reads the first line of data and returns what is left.
func (d *Decoder) next(data []byte, m *ingest.Message, out ingest.Sink) []byte {
	text, rest := cutLine(data)
	if len(bytes.TrimLeft(text, " \t\r")) == 0 || text[0] == '#' {
		return rest
	}
	err := d.read(text, m.Rig)
	// A text in quotation marks may hold line ends; a lost mark must not swallow the
	// message. So a line of an odd number of marks is tried with those after it.
	for n, longer := 1, text; err != nil && n < joinLines && len(rest) > 0 && odd(longer); n++ {
		var more []byte
		more, rest2 := cutLine(data[min(len(longer)+1, len(data)):])
		longer = data[:min(len(longer)+1+len(more), len(data))]
		if d.read(longer, m.Rig) == nil {
			err, rest = nil, rest2
			break
		}
		if len(rest2) == 0 {
			break
		}
	}
	if err != nil {
		why := ingest.RejectBrokenLine
		if errors.Is(err, errTime) {
			why = ingest.RejectBadTime
		}
		out.Reject(m.Rig, why, fmt.Sprintf("%v: %q", err, text[:min(len(text), exampleBytes)]))
		return rest
	}
	d.take(m, out)
	return rest
}

func cutLine(data []byte) (line, rest []byte) {
	line, rest, _ = bytes.Cut(data, []byte("\n"))
	return line, rest
}

func odd(text []byte) bool { return bytes.Count(text, []byte{'"'})%2 == 1 }

// take joins the line just read to the sample at hand, or begins another.
func (d *Decoder) take(m *ingest.Message, out ingest.Sink) {
	for _, r := range d.one.rejects {
		out.Reject(d.one.rig, r.reason, r.detail)
	}
	if d.one.sample.Has == 0 {
		out.Reject(d.one.rig, ingest.RejectNoChannel, string(d.name))
		return
	}
	same := d.open.sample.Has != 0 && d.open.rig == d.one.rig && d.open.timed == d.one.timed && d.open.at.Equal(d.one.at)
	if !same {
		d.give(m, out)
		d.open = d.one
		return
	}
	for c := range ingest.NumChannels {
		if !d.one.sample.Named(c) {
			continue
		}
		v := d.one.sample.Values[c]
		if d.open.sample.Named(c) {
			v = ingest.BadValue(ingest.NamedTwice)
			out.Reject(d.one.rig, v.Reason.Reject(), c.String())
		}
		d.open.sample.Set(c, v)
	}
}

// give hands out the sample at hand.
func (d *Decoder) give(m *ingest.Message, out ingest.Sink) {
	s := &d.open.sample
	if s.Has == 0 {
		return
	}
	rig := d.open.rig
	if d.mapping.Clock == ingest.SourceClock && !d.open.timed {
		out.Reject(rig, ingest.RejectNoTime, "")
		return
	}
	t, r := d.mapping.Stamp(d.open.at, m.Received)
	s.Time = t
	switch r {
	case ingest.RejectFarPast:
		out.Reject(rig, r, ingest.StampWords(t, m.Received))
		return
	case ingest.RejectClockAhead:
		out.Reject(rig, r, ingest.StampWords(d.open.at, m.Received))
		for c := range s.Values {
			s.Values[c] = s.Values[c].Ahead()
		}
	}
	out.Sample(rig, s)
}
