package ingest

import (
	"fmt"
	"math"
	"time"
)

// Stamp checks an event time against the moment of receipt and returns the time
// that the reading bears, in UTC:
//
//   - Used: t is believed.
//   - RejectClockAhead: t is more than MaxAhead after receipt. The receipt time
//     stands in, and the values must be marked with Value.Ahead. So one stamp from
//     the future cannot make all later readings look old.
//   - RejectFarPast: t is more than MaxBehind before receipt. It is returned as it
//     is and must not be used as present.
//
// With ReceiptClock the answer is the receipt time, whatever t is. Every other stamp
// is noted in Offsets.
func (m *Mapping) Stamp(t, received time.Time) (time.Time, Reject) {
	if m.Clock == ReceiptClock {
		return received.UTC(), Used
	}
	m.Offsets.note(t, received)
	switch {
	case t.Sub(received) > m.MaxAhead:
		return received.UTC(), RejectClockAhead
	case received.Sub(t) > m.MaxBehind:
		return t.UTC(), RejectFarPast
	}
	return t.UTC(), Used
}

// Ahead returns v as it stands when the receipt time had to stand in for the
// stamp: no better than uncertain.
func (v Value) Ahead() Value {
	if v.Quality == Good {
		v.Quality, v.Reason = Uncertain, ClockAhead
	}
	return v
}

// nullTolerance is the relative difference within which a number is one of the
// "no value" numbers: wide enough for one that went through a 32-bit float
// (2^-24, 6e-8), far narrower than any spacing of real readings near it.
const nullTolerance = 1e-6

// Convert turns the number x that a message gives for channel c into a value in
// SI, in this order: the numbers that mean "no value", scale and shift, unit,
// finite, range. An on/off channel must come out as 0 or 1.
func (m *Mapping) Convert(c Channel, x float64) Value {
	v := m.Channels[c].convert(x)
	if v.Quality != Bad && c.OnOff() && v.V != 0 && v.V != 1 {
		return BadValue(OutOfRange)
	}
	return v
}

func (c *ChannelMap) convert(x float64) Value {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return BadValue(NotANumber)
	}
	for _, n := range c.Nulls {
		if math.Abs(x-n) <= nullTolerance*math.Abs(n) {
			return BadValue(Null)
		}
	}
	v := Number(c.Unit.ToSI(x*c.Scale + c.Shift))
	if v.Quality != Bad && !(v.V >= c.Low && v.V <= c.High) {
		return BadValue(OutOfRange)
	}
	return v
}

// OnOff tells whether c is a channel that is on or off.
func (c Channel) OnOff() bool { return c == DriveEngaged || c == CrownSaver }

// OwnForm returns the mapping of messages that name the channels as this project
// does, with numbers in SI and every finite number in range. A site file narrows it.
func OwnForm() Mapping {
	m := Mapping{TimeField: "t", MaxAhead: 2 * time.Second, MaxBehind: time.Minute}
	for c := range NumChannels {
		m.Channels[c] = ChannelMap{Mapped: true, Field: c.String(), Scale: 1, Low: -math.MaxFloat64, High: math.MaxFloat64}
		m.Channels[c].Unit.Dimension = c.Dimension()
		m.Channels[c].Unit.Factor = 1
	}
	return m
}

// Check returns every mistake in m that would make numbers up or lose them.
func (m *Mapping) Check() []error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	type place struct {
		topic int
		field string
	}
	taken := map[place]string{}
	if m.Clock == SourceClock {
		if m.TimeField == "" {
			bad("time field: got nothing, want the key of the event time, such as \"t\"")
		}
		if m.MaxAhead <= 0 || m.MaxBehind <= 0 {
			bad("clock limits: got %v ahead and %v behind, want positive durations", m.MaxAhead, m.MaxBehind)
		}
		for i := range max(1, len(m.Topics)) {
			taken[place{i, m.TimeField}] = "the time"
		}
	}
	mapped := 0
	for c := range NumChannels {
		cm := &m.Channels[c]
		if !cm.Mapped {
			continue
		}
		mapped++
		at := place{cm.Topic, cm.Field}
		if cm.Topic < len(m.Topics) && m.Topics[cm.Topic].Payload == NumberText {
			at.field = "the whole message"
		}
		if by, ok := taken[at]; ok || at.field == "" {
			bad("%s: got the field %q, taken by %q, want a field of its own", c, cm.Field, by)
		}
		taken[at] = c.String()
		for _, err := range cm.check(c) {
			bad("%s: %w", c, err)
		}
	}
	if mapped == 0 {
		bad("channels: got none, want at least one")
	}
	return errs
}

func (c *ChannelMap) check(ch Channel) []error {
	var errs []error
	if c.Unit.Dimension != ch.Dimension() || !(math.Abs(c.Unit.Factor) > 0) {
		errs = append(errs, fmt.Errorf("got the unit %q, a %s, want a %s", c.Unit.Symbol, c.Unit.Dimension, ch.Dimension()))
	}
	if !(math.Abs(c.Scale) > 0) || math.IsInf(c.Scale, 0) {
		errs = append(errs, fmt.Errorf("got the scale %v, want a finite number that is not 0", c.Scale))
	}
	if math.IsNaN(c.Shift) || math.IsInf(c.Shift, 0) {
		errs = append(errs, fmt.Errorf("got the shift %v, want a finite number", c.Shift))
	}
	if !(c.Low < c.High) {
		errs = append(errs, fmt.Errorf("got the range %v to %v, want low below high", c.Low, c.High))
	}
	return errs
}
