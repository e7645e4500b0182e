// Package payload turns the bytes of one message into samples, by the mapping of
// its source.
//
// It may not guess: a number it cannot read, a unit it was not told or a time it
// does not believe never becomes a number downstream. It has no clock, does no
// I/O, and one bad message leaves nothing behind.
package payload

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"hoistward/ingest"
)

// MaxSize is the largest payload that is read, in bytes: some 1,500 samples of
// ten channels in one message.
const MaxSize = 256 << 10

// Times given as plain numbers are milliseconds since 1970-01-01T00:00:00Z, and
// must lie between these: 1e11 ms is in March 1973, and a time in seconds stays
// below it until the year 5138; the upper one is the end of the year 9999, and a
// time in microseconds or nanoseconds lies above it since 1978.
const (
	minMillis = 1e11
	maxMillis = 253402300799999
)

// JSON decodes the own form: one object, or an array of objects, such as
//
//	{"t":"2026-11-24T12:00:00.100Z","hook_load":1471.0,"drive_engaged":true}
//
// with one key for the event time (RFC 3339 with a zone, or milliseconds since
// 1970) and one for each mapped channel, in the units of the mapping. A field may
// also be a path further in (see ingest.ParseField); what else such a message holds is
// passed over, where the own form counts each key that is not mapped. A JSON is not
// safe for concurrent use.
type JSON struct {
	mapping *ingest.Mapping
	fields  *node // what is read, by where it stands
	deep    bool  // some of it stands further in than the first key
	dec     *jsontext.Decoder
	buf     bytes.Buffer
	text    []byte
	offset  time.Duration
	sample  ingest.Sample
	at      eventTime
	rig     rigName
}

// A duplicate name is not a syntax error here: it spoils its own channel only.
var lenientNames = jsontext.AllowDuplicateNames(true)

// NewJSON returns a decoder for mapping m, or every mistake in m.
func NewJSON(m *ingest.Mapping) (*JSON, error) {
	if errs := m.Check(); len(errs) > 0 {
		return nil, fmt.Errorf("mapping: %w", errors.Join(errs...))
	}
	d := &JSON{mapping: m, fields: &node{}}
	d.dec = jsontext.NewDecoder(&d.buf, lenientNames)
	var errs []error
	if m.Clock == ingest.SourceClock {
		errs = append(errs, d.read(m.TimeField, leaf{time: true}))
	}
	if m.RigField != "" {
		errs = append(errs, d.read(m.RigField, leaf{rig: true}))
	}
	for c := range ingest.NumChannels {
		if m.Channels[c].Mapped {
			errs = append(errs, d.read(m.Channels[c].Field, leaf{channel: c}))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("mapping: %w", err)
	}
	return d, nil
}

// read puts one field into the tree of what is read.
func (d *JSON) read(field string, l leaf) error {
	path, err := ingest.ParseField(field)
	if err != nil {
		return err
	}
	d.deep = d.deep || len(path) > 1
	if !d.fields.put(path, l) {
		return fmt.Errorf("field %q: got one that holds, or is in, another field that is read, want a value of its own", field)
	}
	return nil
}

// Offset returns how far the last readable stamp lay after the moment of receipt,
// negative if before it: the difference of the clocks less the way here.
func (d *JSON) Offset() time.Duration { return d.offset }

// Decode reads one message of one rig and hands out each sample, and each thing
// that was not used as it came with the key or the bytes concerned. A value that is
// rejected is in the sample as bad; a sample without a believable time, or
// without any mapped channel, is not emitted. With Mapping.RigField each object names
// its rig; what is rejected of one before its name was read is of no rig.
//
// A payload that is not one JSON value as a whole (RFC 8259) gives no sample at
// all: what stands before a break cannot be trusted either.
func (d *JSON) Decode(m *ingest.Message, out ingest.Sink) {
	if len(m.Payload) > MaxSize || !d.flat(m, out) {
		d.whole(m, out)
	}
}

// whole reads any message.
func (d *JSON) whole(m *ingest.Message, out ingest.Sink) {
	data, received := m.Payload, m.Received
	d.rig.clear()
	reject := func(r ingest.Reject, detail string) { out.Reject(d.rigOf(m), r, detail) }
	emit := func(s *ingest.Sample) { out.Sample(d.rigOf(m), s) }
	switch {
	case len(data) > MaxSize:
		reject(ingest.RejectTooLarge, strconv.Itoa(len(data))+" bytes")
		return
	case len(bytes.TrimLeft(data, " \t\r\n")) == 0:
		reject(ingest.RejectEmpty, "")
		return
	case !jsontext.Value(data).IsValid(lenientNames):
		reject(ingest.RejectBrokenJSON, head(data))
		return
	}
	d.buf = *bytes.NewBuffer(data)
	d.dec.Reset(&d.buf, lenientNames)
	if d.dec.PeekKind() != '[' || len(d.fields.places) > 0 {
		d.element(received, emit, reject)
		return
	}
	d.open()
	if d.dec.PeekKind() == ']' {
		reject(ingest.RejectEmpty, "[]")
	}
	for d.dec.PeekKind() != ']' {
		d.element(received, emit, reject)
	}
}

func (d *JSON) element(received time.Time, emit func(*ingest.Sample), reject func(ingest.Reject, string)) {
	d.sample = ingest.Sample{}
	d.at = eventTime{}
	d.rig.clear()
	if !d.within(d.fields, reject) {
		return
	}
	if why := d.rig.reject(); d.mapping.RigField != "" && why != ingest.Used {
		reject(why, "the field "+strconv.Quote(d.mapping.RigField)+" names no rig")
		return
	}
	if d.sample.Has == 0 {
		reject(ingest.RejectNoChannel, "")
		return
	}
	if d.stamp(received, reject) {
		emit(&d.sample)
	}
}

// within reads an object or a list that holds something to read; false where the
// value is neither.
func (d *JSON) within(n *node, reject func(ingest.Reject, string)) bool {
	switch kind := d.dec.PeekKind(); {
	case kind == '{' && (n.keys != nil || n == d.fields):
		d.open()
		for d.dec.PeekKind() != '}' {
			d.member(n, reject)
		}
		d.open()
	case kind == '[' && n.places != nil:
		d.open()
		for i := 0; d.dec.PeekKind() != ']'; i++ {
			d.child(n.places[i], reject)
		}
		d.open()
	default:
		reject(ingest.RejectWrongType, head(d.value()))
		return false
	}
	return true
}

// open passes a bracket; value returns the next value as it stands. The payload
// was checked as a whole, so neither can fail.
func (d *JSON) open() { _, _ = d.dec.ReadToken() }

func (d *JSON) value() jsontext.Value {
	v, err := d.dec.ReadValue()
	if err != nil {
		panic(fmt.Sprintf("payload: checked JSON does not parse: %v", err))
	}
	return v
}

func (d *JSON) member(n *node, reject func(ingest.Reject, string)) {
	key := d.unquote(d.value())
	child := n.keys[string(key)]
	if child == nil && !d.deep && (d.mapping.Clock != ingest.ReceiptClock || string(key) != d.mapping.TimeField) {
		// With the receipt's clock a stamp in the message is expected, and ignored.
		reject(ingest.RejectUnknownField, string(key))
	}
	d.child(child, reject)
}

// child reads the next value: nothing of it is wanted (nil), or it is, or some of
// what it holds.
func (d *JSON) child(n *node, reject func(ingest.Reject, string)) {
	switch {
	case n == nil:
		_ = d.dec.SkipValue()
	case !n.leaf.is:
		d.within(n, reject)
	case n.leaf.time:
		d.at.read(d.unquote, d.value())
	case n.leaf.rig:
		if v := d.value(); v.Kind() == '"' {
			d.rig.take(d.unquote(v))
		} else {
			d.rig.take(nil)
		}
	default:
		d.take(n.leaf.channel, d.value(), reject)
	}
}

func (d *JSON) take(c ingest.Channel, value jsontext.Value, reject func(ingest.Reject, string)) {
	v := d.convert(c, value)
	if d.sample.Named(c) {
		v = ingest.BadValue(ingest.NamedTwice)
	}
	d.sample.Set(c, v)
	if v.Quality == ingest.Bad {
		reject(v.Reason.Reject(), c.String())
	}
}

// unquote returns the text of a JSON string, valid until the next call.
func (d *JSON) unquote(v jsontext.Value) []byte {
	if bytes.IndexByte(v, '\\') < 0 {
		return v[1 : len(v)-1]
	}
	d.text, _ = jsontext.AppendUnquote(d.text[:0], v)
	return d.text
}

func (d *JSON) convert(c ingest.Channel, v jsontext.Value) ingest.Value {
	switch v.Kind() {
	case 'n':
		return ingest.BadValue(ingest.Null)
	case 't', 'f':
		if !c.OnOff() {
			return ingest.BadValue(ingest.WrongType)
		}
		if v.Kind() == 't' {
			return d.mapping.Convert(c, 1)
		}
		return d.mapping.Convert(c, 0)
	case '0':
		x, err := strconv.ParseFloat(string(v), 64)
		if err != nil { // the grammar is checked: only the range is left
			return ingest.BadValue(ingest.NotANumber)
		}
		return d.mapping.Convert(c, x)
	}
	return ingest.BadValue(ingest.WrongType)
}

// stamp puts the time into the sample and tells whether it may be used.
func (d *JSON) stamp(received time.Time, reject func(ingest.Reject, string)) bool {
	if d.mapping.Clock == ingest.SourceClock {
		if r := d.at.reject(); r != ingest.Used {
			reject(r, d.at.example)
			return false
		}
		d.offset = d.at.t.Sub(received)
	}
	t, r := d.mapping.Stamp(d.at.t, received)
	d.sample.Time = t
	switch r {
	case ingest.RejectFarPast:
		reject(r, ingest.StampWords(t, received))
		return false
	case ingest.RejectClockAhead:
		reject(r, ingest.StampWords(d.at.t, received))
		for c := range d.sample.Values {
			d.sample.Values[c] = d.sample.Values[c].Ahead()
		}
	}
	return true
}

// eventTime is what a message says of its own time.
type eventTime struct {
	t       time.Time
	times   int
	bad     ingest.Reject
	example string
}

func (e *eventTime) reject() ingest.Reject {
	switch {
	case e.times == 0:
		return ingest.RejectNoTime
	case e.times > 1:
		return ingest.RejectDuplicateKey
	}
	return e.bad
}

func (e *eventTime) read(unquote func(jsontext.Value) []byte, v jsontext.Value) {
	e.times++
	ok := false
	switch v.Kind() {
	case '"':
		e.t, ok = parseTime(unquote(v))
	case '0':
		ms, err := strconv.ParseFloat(string(v), 64)
		if ok = err == nil && ms > minMillis && ms <= maxMillis; ok {
			e.t = time.UnixMicro(int64(math.Round(ms * 1000)))
		}
	}
	if !ok {
		e.bad, e.example = ingest.RejectBadTime, head(v)
	}
	e.t = e.t.UTC()
}

// parseTime reads an RFC 3339 time. Go's own reading lets an hour of one digit, a
// decimal comma and a zone beyond 23:59 pass (go.dev/issue/54580).
func parseTime(b []byte) (t time.Time, ok bool) {
	if t.UnmarshalText(b) != nil || b[len("2006-01-02T")+1] == ':' || b[len("2006-01-02T15:04:05")] == ',' {
		return t, false
	}
	if zone := b[len(b)-len("07:00"):]; b[len(b)-1] != 'Z' && (string(zone[:2]) > "23" || string(zone[3:]) > "59") {
		return t, false
	}
	return t, true
}

// head returns the beginning of b for an example.
func head(b []byte) string { return string(b[:min(len(b), 480)]) }
