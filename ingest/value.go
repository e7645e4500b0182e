package ingest

import "math"

// Quality says how far a value may be believed. The zero value is Bad: what was
// never measured is not a number.
type Quality uint8

// The qualities, worst first.
const (
	Bad Quality = iota
	Uncertain
	Good
)

// String returns the word used in files and JSON.
func (q Quality) String() string { return [...]string{"bad", "uncertain", "good"}[min(q, Good)] }

// Reason says why a value is not good.
type Reason uint8

// The reasons.
const (
	NoReason   Reason = iota
	Absent            // never came
	Null              // the source said "no value"
	NotANumber        // NaN, infinite, or text
	WrongType
	OutOfRange
	ImpossibleStep
	Lost
	Late
	Frozen
	UnitConflict
	NotCalibrated
	ClockAhead  // stamped in the future: the receipt time stands in
	NamedTwice  // one message gave the channel more than once: no telling which holds
	BadAtSource // the source says that its value is not good
	SequenceGap // messages before it were lost, and what they changed is not known
	NumReasons
)

var reasonNames = [NumReasons]string{
	"", "absent", "null", "not a number", "wrong type", "out of range",
	"impossible step", "lost", "late", "frozen", "unit conflict",
	"not calibrated", "clock ahead", "named twice",
	"bad at source", "sequence gap",
}

// String returns the words used in files, JSON and on screens.
func (r Reason) String() string {
	if r < NumReasons {
		return reasonNames[r]
	}
	return "unknown reason"
}

// Value is one measured number with its quality. V means something only where
// Quality is not Bad.
type Value struct {
	V       float64
	Quality Quality
	Reason  Reason
}

// Number returns a good value of v; a v that is not finite becomes bad.
func Number(v float64) Value {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Value{Reason: NotANumber}
	}
	return Value{V: v, Quality: Good}
}

// BadValue returns "no value" for reason r.
func BadValue(r Reason) Value { return Value{Reason: r} }

// Float returns the number and whether there is one.
func (v Value) Float() (float64, bool) { return v.V, v.Quality != Bad }
