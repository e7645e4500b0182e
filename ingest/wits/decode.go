package wits

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/wits/item"
)

// exampleBytes is how much of a line stands in an example.
const exampleBytes = 60

// Options say what a mapping cannot.
type Options struct {
	// Zone is the offset from UTC of the sender's clock, positive to the east. It
	// counts only with the source's clock.
	Zone time.Duration
	// IgnoreDeclared takes units and zone as stated, whatever record 23 says.
	IgnoreDeclared bool
}

// Decoder makes samples of frames, by a mapping whose fields are records and items
// of two digits each, such as "0114". It is not safe for concurrent use.
type Decoder struct {
	mapping  *ingest.Mapping
	zone     time.Duration
	channels map[int]ingest.Channel // by record and item
	records  []int                  // that channels are read from, rising
	declared declared

	cells  [ingest.NumChannels]cell
	stamps []stamp
	sample ingest.Sample
}

// cell is what a frame says of one channel.
type cell struct {
	text  []byte
	times int
}

// stamp is what a frame says of the time of one record.
type stamp struct {
	record     int
	date, time cell
}

// NewDecoder returns a decoder for mapping m, or every mistake in m.
func NewDecoder(m *ingest.Mapping, o Options) (*Decoder, error) {
	errs := m.Check()
	d := &Decoder{mapping: m, zone: o.Zone, channels: map[int]ingest.Channel{}, declared: declared{ignore: o.IgnoreDeclared, zone: o.Zone}}
	for c := range ingest.NumChannels {
		if !m.Channels[c].Mapped {
			continue
		}
		code, ok := item.Parse(m.Channels[c].Field)
		if !ok || item.Reserved(code) {
			errs = append(errs, fmt.Errorf("%s: got the field %q, want %s", c, m.Channels[c].Field, item.Want))
		}
		d.channels[code] = c
		if record := code / 100; !slices.Contains(d.records, record) {
			d.records = append(d.records, record)
		}
	}
	slices.Sort(d.records)
	if len(errs) > 0 {
		return nil, fmt.Errorf("mapping: %w", errors.Join(errs...))
	}
	return d, nil
}

// Decode reads one frame, as a Framer gives it, and hands out a sample for each
// record in it that channels are read from, stamped by items 05 and 06 of that
// record; a record without them is stamped as the only one that has them.
//
// A line that is no item is told and takes nothing else along. A value that cannot
// be read is in the sample as bad. Items that no channel is read from are passed
// over: senders send many. Record 23 is heeded as Options say.
func (d *Decoder) Decode(m *ingest.Message, out ingest.Sink) {
	d.cells, d.stamps = [ingest.NumChannels]cell{}, d.stamps[:0]
	if !d.read(m, out) {
		return
	}
	named := false
	for _, record := range d.records {
		d.sample = ingest.Sample{}
		d.fill(record, m, out)
		if d.sample.Has == 0 {
			continue
		}
		named = true
		if d.stamp(record, m, out) {
			out.Sample(m.Rig, &d.sample)
		}
	}
	if !named && !d.declared.here {
		out.Reject(m.Rig, ingest.RejectNoChannel, head(m.Payload))
	}
}

// read takes the lines of a frame apart.
func (d *Decoder) read(m *ingest.Message, out ingest.Sink) bool {
	body, ok := inner(m.Payload)
	switch {
	case len(m.Payload) > MaxFrame:
		out.Reject(m.Rig, ingest.RejectTooLarge, strconv.Itoa(len(m.Payload))+" bytes")
		return false
	case !ok:
		out.Reject(m.Rig, ingest.RejectBrokenFrame, head(m.Payload))
		return false
	}
	items := 0
	var system, zone cell
	for len(body) > 0 {
		var line []byte
		line, body, _ = bytes.Cut(body, lineEnd)
		if len(line) == 0 {
			continue
		}
		code, ok := item.Parse(string(line[:min(4, len(line))]))
		if !ok {
			out.Reject(m.Rig, ingest.RejectBrokenLine, head(line))
			continue
		}
		items++
		text := bytes.Trim(line[4:], " \t\x00")
		switch code {
		case item.UnitSystem:
			system.add(text)
		case item.ZoneOffset:
			zone.add(text)
		}
		if c, ok := d.channels[code]; ok {
			d.cells[c].add(text)
		} else if n := code % 100; n == item.Date || n == item.Time {
			d.addStamp(code/100, n, text)
		}
	}
	if items == 0 {
		out.Reject(m.Rig, ingest.RejectEmpty, "")
		return false
	}
	d.declared.hear(system, zone, d.mapping, func(r ingest.Reject, detail string) { out.Reject(m.Rig, r, detail) })
	return true
}

var lineEnd = []byte("\r\n")

// inner returns what stands between the delimiters of a frame.
func inner(frame []byte) ([]byte, bool) {
	body, ok := bytes.CutPrefix(frame, []byte("&&\r\n"))
	if !ok {
		return nil, false
	}
	if bytes.Equal(body, []byte("!!\r\n")) {
		return nil, true
	}
	return bytes.CutSuffix(body, []byte("\r\n!!\r\n"))
}

func (c *cell) add(text []byte) { c.text, c.times = text, c.times+1 }

func (d *Decoder) addStamp(record, n int, text []byte) {
	i := slices.IndexFunc(d.stamps, func(s stamp) bool { return s.record == record })
	if i < 0 {
		i = len(d.stamps)
		d.stamps = append(d.stamps, stamp{record: record})
	}
	if n == item.Date {
		d.stamps[i].date.add(text)
	} else {
		d.stamps[i].time.add(text)
	}
}

// fill puts the values of one record into the sample.
func (d *Decoder) fill(record int, m *ingest.Message, out ingest.Sink) {
	for c := range ingest.NumChannels {
		cell := &d.cells[c]
		if cell.times == 0 {
			continue
		}
		if code, _ := item.Parse(d.mapping.Channels[c].Field); code/100 != record {
			continue
		}
		v := d.value(c, cell)
		d.sample.Set(c, v)
		switch {
		case v.Quality != ingest.Bad:
		case v.Reason == ingest.UnitConflict:
			out.Reject(m.Rig, ingest.RejectUnitConflict, d.declared.conflicts[c])
		default:
			out.Reject(m.Rig, v.Reason.Reject(), fmt.Sprintf("%s %s%s", c, d.mapping.Channels[c].Field, head(cell.text)))
		}
	}
}

func (d *Decoder) value(c ingest.Channel, cell *cell) ingest.Value {
	switch {
	case cell.times > 1:
		return ingest.BadValue(ingest.NamedTwice)
	case noValue(cell.text):
		return ingest.BadValue(ingest.Null)
	}
	x, ok := parseNumber(cell.text)
	if !ok {
		return ingest.BadValue(ingest.NotANumber)
	}
	v := d.mapping.Convert(c, x)
	if d.declared.conflicts[c] != "" && v.Reason != ingest.Null {
		return ingest.BadValue(ingest.UnitConflict)
	}
	return v
}

// stamp puts the time of a record into the sample and tells whether it may be used.
func (d *Decoder) stamp(record int, m *ingest.Message, out ingest.Sink) bool {
	var at time.Time
	if d.mapping.Clock == ingest.SourceClock {
		var r ingest.Reject
		var detail string
		if at, r, detail = d.time(record); r != ingest.Used {
			out.Reject(m.Rig, r, detail)
			return false
		}
	}
	t, r := d.mapping.Stamp(at, m.Received)
	d.sample.Time = t
	switch {
	case d.mapping.Clock == ingest.SourceClock && d.declared.zoneConflict != "":
		// Whose word on the zone is true is not known: the receipt stands in.
		d.sample.Time = m.Received.UTC()
		out.Reject(m.Rig, ingest.RejectZoneConflict, d.declared.zoneConflict)
	case r == ingest.RejectFarPast:
		out.Reject(m.Rig, r, ingest.StampWords(t, m.Received))
		return false
	case r == ingest.RejectClockAhead:
		out.Reject(m.Rig, r, ingest.StampWords(at, m.Received))
	default:
		return true
	}
	for c := range d.sample.Values {
		d.sample.Values[c] = d.sample.Values[c].Ahead()
	}
	return true
}

// time returns when a record was measured.
func (d *Decoder) time(record int) (at time.Time, r ingest.Reject, detail string) {
	var own, other *stamp
	others := 0
	for i := range d.stamps {
		s := &d.stamps[i]
		switch {
		case s.record == record:
			own = s
		case s.date.times > 0 && s.time.times > 0:
			other = s
			others++
		}
	}
	if own == nil && others == 1 {
		own = other
	}
	switch {
	case own == nil || own.date.times == 0 || own.time.times == 0:
		return at, ingest.RejectNoTime, fmt.Sprintf("record %02d without items 05 and 06", record)
	case own.date.times > 1 || own.time.times > 1:
		return at, ingest.RejectDuplicateKey, fmt.Sprintf("the time of record %02d", own.record)
	}
	at, ok := parseTime(own.date.text, own.time.text)
	if !ok {
		return at, ingest.RejectBadTime, fmt.Sprintf("%02d05%s %02d06%s", own.record, head(own.date.text), own.record, head(own.time.text))
	}
	return at.Add(-d.zone), ingest.Used, ""
}

// head returns the beginning of b for an example.
func head(b []byte) string { return string(b[:min(len(b), exampleBytes)]) }
