package hoist

import "math"

// Difference returns the counts from one reading of the encoder's counter to the
// next, taken the short way around where the counter wraps: from −half to just
// under +half of its range. It is right as long as the drum turns less than half
// the range between two readings. With CounterBits 0 the counter does not wrap.
// A reading that is not finite gives NaN.
func (e Encoder) Difference(from, to float64) float64 {
	d := to - from
	if e.CounterBits == 0 || math.IsNaN(d) || math.IsInf(d, 0) {
		return d - d*0 // Inf − Inf·0 is NaN
	}
	span := math.Ldexp(1, int(e.CounterBits))
	d = math.Mod(d, span)
	switch {
	case d >= span/2:
		d -= span
	case d < -span/2:
		d += span
	}
	return d
}

// Counter unwraps an encoder's counter into a total that does not wrap. Its zero
// value is ready; the first reading is the total's start.
type Counter struct {
	last, total float64
	set         bool
}

// Add takes a reading and returns the unwrapped total. A reading that is not
// finite changes nothing and returns NaN.
func (c *Counter) Add(e Encoder, reading float64) float64 {
	if math.IsNaN(reading) || math.IsInf(reading, 0) {
		return math.NaN()
	}
	if !c.set {
		*c = Counter{reading, reading, true}
		return reading
	}
	c.total += e.Difference(c.last, reading)
	c.last = reading
	return c.total
}
