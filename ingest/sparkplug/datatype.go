package sparkplug

import (
	"fmt"
	"math"

	"hoistward/ingest"
)

// Type is the datatype of a metric, numbered as in the protocol buffer schema of
// the specification (enum DataType).
type Type uint32

// The datatypes.
const (
	Unknown Type = iota
	Int8
	Int16
	Int32
	Int64
	UInt8
	UInt16
	UInt32
	UInt64
	Float
	Double
	Boolean
	String
	DateTime
	Text
	UUID
	DataSet
	Bytes
	File
	Template
	PropertySet
	PropertySetList
	Int8Array
	Int16Array
	Int32Array
	Int64Array
	UInt8Array
	UInt16Array
	UInt32Array
	UInt64Array
	FloatArray
	DoubleArray
	BooleanArray
	StringArray
	DateTimeArray
	numTypes
)

var typeNames = [numTypes]string{
	"Unknown", "Int8", "Int16", "Int32", "Int64", "UInt8", "UInt16", "UInt32", "UInt64",
	"Float", "Double", "Boolean", "String", "DateTime", "Text", "UUID", "DataSet", "Bytes",
	"File", "Template", "PropertySet", "PropertySetList", "Int8Array", "Int16Array",
	"Int32Array", "Int64Array", "UInt8Array", "UInt16Array", "UInt32Array", "UInt64Array",
	"FloatArray", "DoubleArray", "BooleanArray", "StringArray", "DateTimeArray",
}

// String returns the name that the specification gives.
func (t Type) String() string {
	if t < numTypes {
		return typeNames[t]
	}
	return fmt.Sprintf("datatype %d", uint32(t))
}

// Known tells whether the specification gives t a meaning.
func (t Type) Known() bool { return t > Unknown && t < numTypes }

// number returns the number that m carries as a metric of datatype t, or why there
// is none. Integers travel in unsigned fields (chapter 6 of the specification): the datatype
// alone says what their bits mean.
func (m *metric) number(t Type) (float64, ingest.Reason) {
	if m.null || m.kind == noValue {
		return 0, ingest.Null
	}
	x, ok := 0.0, false
	switch t {
	case Int8:
		x, ok = m.signed(8)
	case Int16:
		x, ok = m.signed(16)
	case Int32:
		x, ok = m.signed(32)
	case Int64:
		x, ok = m.signed(64)
	case UInt8:
		x, ok = m.unsigned(math.MaxUint8)
	case UInt16:
		x, ok = m.unsigned(math.MaxUint16)
	case UInt32:
		x, ok = m.unsigned(math.MaxUint32)
	case UInt64:
		x, ok = m.unsigned(math.MaxUint64)
	case Float, Double:
		x, ok = m.real()
	case Boolean:
		x, ok = float64(m.bits), m.kind == boolValue
	}
	if !ok {
		return 0, ingest.WrongType
	}
	return x, ingest.NoReason
}

// signed reads the low bits of the integer as two's complement. What stands above
// them must be nothing or the sign: senders differ in how far they extend it, and
// in the field they use, and neither leaves two readings.
func (m *metric) signed(bits uint) (float64, bool) {
	whole := int64(m.bits)
	switch m.kind {
	case longValue:
	case intValue:
		if bits == 64 { // -12 or 4294967284: no telling
			return float64(m.bits), m.bits <= math.MaxInt32
		}
		if m.bits >= 1<<bits {
			whole = int64(int32(uint32(m.bits)))
		}
	default:
		return 0, false
	}
	if bits == 64 {
		return float64(whole), true
	}
	x := whole << (64 - bits) >> (64 - bits)
	plain := whole >= 0 && whole < 1<<bits // not extended
	return float64(x), plain || whole == x
}

func (m *metric) unsigned(most uint64) (float64, bool) {
	return float64(m.bits), (m.kind == intValue || m.kind == longValue) && m.bits <= most
}

func (m *metric) real() (float64, bool) {
	switch m.kind {
	case floatValue:
		return float64(math.Float32frombits(uint32(m.bits))), true
	case doubleValue:
		return math.Float64frombits(m.bits), true
	}
	return 0, false
}
