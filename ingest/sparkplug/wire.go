package sparkplug

import (
	"errors"
	"fmt"
	"math"

	"google.golang.org/protobuf/encoding/protowire"
)

// MaxSize is the largest payload that is read, in bytes.
const MaxSize = 1 << 20

// The fields that are read; the others are skipped. Their numbers are those of the
// protocol buffer schema in chapter 6 of the specification.
const (
	payloadTimestamp = 1
	payloadMetrics   = 2
	payloadSeq       = 3

	metricName       = 1
	metricAlias      = 2
	metricTimestamp  = 3
	metricDatatype   = 4
	metricHistorical = 5
	metricNull       = 7
	metricProperties = 9
	metricInt        = 10
	metricLong       = 11
	metricFloat      = 12
	metricDouble     = 13
	metricBool       = 14
	metricString     = 15
	metricExtension  = 19 // the last of the values

	setKeys   = 1
	setValues = 2

	propertyNull = 2
	propertyInt  = 3
	propertyLong = 4
)

// kind says which of the value fields a metric has.
type kind uint8

const (
	noValue kind = iota
	intValue
	longValue
	floatValue
	doubleValue
	boolValue
	otherValue // string, bytes, data set, template, extension
)

// The qualities that a metric can state, by its property "Quality"
// (tck-id-payloads-propertyset-quality-value-value).
const (
	qualityBad   = 0
	qualityGood  = 192
	qualityStale = 500

	noQuality  = -1 // not stated: good
	badQuality = -2 // stated, but not readable
)

const qualityKey = "Quality"

// metric is one metric of a payload. Its name is part of the payload's bytes.
type metric struct {
	name       []byte
	alias      uint64
	timestamp  uint64 // ms since 1970
	bits       uint64 // of the value
	quality    int64
	datatype   Type
	kind       kind
	hasName    bool
	hasAlias   bool
	hasTime    bool
	hasType    bool
	historical bool
	null       bool
}

// payload is a payload that was found sound as a whole, its metrics too.
type payload struct {
	raw       []byte
	timestamp uint64 // ms since 1970
	seq       uint64
	metrics   int
	hasTime   bool
	hasSeq    bool
}

var (
	errWireType = errors.New("field of another wire type")
	errNumber   = errors.New("field number beyond all that there are")
)

// parse reads b, which must be a sound payload to its last byte.
func parse(b []byte) (payload, error) {
	p := payload{raw: b}
	err := fields(b, func(f field) error {
		switch f.num {
		case payloadTimestamp:
			p.timestamp, p.hasTime = f.number, true
			return f.want(protowire.VarintType)
		case payloadSeq:
			p.seq, p.hasSeq = f.number, true
			return f.want(protowire.VarintType)
		case payloadMetrics:
			p.metrics++
			if err := f.want(protowire.BytesType); err != nil {
				return err
			}
			var m metric
			return m.parse(f.bytes)
		}
		return nil
	})
	return p, err
}

// each reads each metric into m and calls yield.
func (p *payload) each(m *metric, yield func()) {
	_ = fields(p.raw, func(f field) error { // sound: parse has seen it
		if f.num == payloadMetrics {
			*m = metric{}
			_ = m.parse(f.bytes)
			yield()
		}
		return nil
	})
}

func (m *metric) parse(b []byte) error {
	m.quality = noQuality
	return fields(b, m.field)
}

func (m *metric) field(f field) error {
	want := protowire.VarintType
	switch n := f.num; {
	case n == metricName:
		m.name, m.hasName, want = f.bytes, true, protowire.BytesType
	case n == metricAlias:
		m.alias, m.hasAlias = f.number, true
	case n == metricTimestamp:
		m.timestamp, m.hasTime = f.number, true
	case n == metricDatatype:
		m.datatype, m.hasType = Type(f.number), true
	case n == metricHistorical:
		m.historical = f.number != 0
	case n == metricNull:
		m.null = f.number != 0
	case n == metricProperties:
		if err := f.want(protowire.BytesType); err != nil {
			return err
		}
		return m.properties(f.bytes)
	case n == metricInt:
		m.kind, m.bits = intValue, uint64(uint32(f.number)) // as protocol buffers cut an int to its field
	case n == metricLong:
		m.kind, m.bits = longValue, f.number
	case n == metricFloat:
		m.kind, m.bits, want = floatValue, f.number, protowire.Fixed32Type
	case n == metricDouble:
		m.kind, m.bits, want = doubleValue, f.number, protowire.Fixed64Type
	case n == metricBool:
		m.kind, m.bits = boolValue, 0
		if f.number != 0 {
			m.bits = 1
		}
	case n >= metricString && n <= metricExtension:
		m.kind, m.bits, want = otherValue, 0, protowire.BytesType
	default:
		return nil
	}
	return f.want(want)
}

// properties looks for the quality in a property set: keys and values stand in two
// lists, side by side.
func (m *metric) properties(b []byte) error {
	keys, values, at := 0, 0, -1
	err := fields(b, func(f field) error {
		switch f.num {
		case setKeys:
			if at < 0 && string(f.bytes) == qualityKey {
				at = keys
			}
			keys++
			return f.want(protowire.BytesType)
		case setValues:
			values++
			if err := f.want(protowire.BytesType); err != nil {
				return err
			}
			return fields(f.bytes, func(field) error { return nil }) // sound, if not read
		}
		return nil
	})
	if err != nil || at < 0 {
		return err
	}
	m.quality = badQuality
	if keys != values {
		return nil
	}
	values = 0
	return fields(b, func(f field) error {
		if f.num != setValues {
			return nil
		}
		values++
		if values != at+1 {
			return nil
		}
		return m.qualityValue(f.bytes)
	})
}

func (m *metric) qualityValue(b []byte) error {
	return fields(b, func(f field) error {
		switch f.num {
		case propertyNull:
			if f.number != 0 {
				m.quality = badQuality
			}
		case propertyInt:
			m.quality = int64(uint32(f.number))
		case propertyLong:
			m.quality = int64(min(f.number, math.MaxInt32))
		default:
			return nil
		}
		return f.want(protowire.VarintType)
	})
}

// field is one field of a message on the wire.
type field struct {
	num    protowire.Number
	typ    protowire.Type
	number uint64 // of a varint or a fixed field
	bytes  []byte // of a length-delimited one
}

func (f *field) want(t protowire.Type) error {
	if f.typ != t {
		return errWireType
	}
	return nil
}

// fields calls yield with each field of b.
func fields(b []byte, yield func(field) error) error {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		if num > protowire.MaxValidNumber {
			return errNumber
		}
		b = b[n:]
		f := field{num: num, typ: typ}
		switch typ {
		case protowire.VarintType:
			f.number, n = protowire.ConsumeVarint(b)
		case protowire.Fixed32Type:
			var x uint32
			x, n = protowire.ConsumeFixed32(b)
			f.number = uint64(x)
		case protowire.Fixed64Type:
			f.number, n = protowire.ConsumeFixed64(b)
		case protowire.BytesType:
			f.bytes, n = protowire.ConsumeBytes(b)
		default:
			n = protowire.ConsumeFieldValue(num, typ, b)
		}
		if n < 0 {
			return fmt.Errorf("field %d: %w", num, protowire.ParseError(n))
		}
		b = b[n:]
		if err := yield(f); err != nil {
			return fmt.Errorf("field %d: %w", num, err)
		}
	}
	return nil
}
