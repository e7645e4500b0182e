// Package trend keeps the last minutes and hours of a rig's main figures, with the least
// and the greatest of each step, in memory of a bounded size.
//
// It may not read a clock, start a goroutine or do I/O: time comes with the values. It
// keeps nothing over a restart, and says
// since when it has been filled.
package trend

import (
	"math"
	"time"
)

// Figure is one of the quantities that are kept.
type Figure uint8

// The figures.
const (
	Height    Figure = iota // of the block above the floor, m
	Velocity                // of the block, up positive, m/s
	HookLoad                // kN
	Heat                    // estimate of the brake's temperature, °C
	HeatBound               // its bound, °C
	NumFigures
)

// String returns the figure's name in JSON.
func (f Figure) String() string {
	return [...]string{"height_m", "velocity_mps", "hook_load_kN", "brake_temperature_C", "brake_temperature_bound_C"}[f]
}

// Values are the figures of one instant. NaN is "not known".
type Values [NumFigures]float64

// Unknown returns values of which nothing is known.
func Unknown() Values {
	var v Values
	for f := range v {
		v[f] = math.NaN()
	}
	return v
}

// Span is one of the two lengths of time that are kept.
type Span uint8

// The spans.
const (
	Short Span = iota // 15 min in steps of 2 s
	Long              // 12 h in steps of 1 min
	NumSpans
)

// The spans' sizes. Together a Log stays under 26 KiB, and takes that only as it fills.
const (
	shortStep, shortSteps = 2 * time.Second, 450
	longStep, longSteps   = time.Minute, 720

	blockSteps = 30 // that are made at once; both spans are whole blocks
)

// Step returns the length of one step.
func (s Span) Step() time.Duration {
	if s == Long {
		return longStep
	}
	return shortStep
}

// Length returns how far back the span reaches.
func (s Span) Length() time.Duration {
	if s == Long {
		return longStep * longSteps
	}
	return shortStep * shortSteps
}

// band is the least and the greatest value within a step; lo above hi = none was known.
// The values are rounded outward to 16 bits, 0.1 % of the value: none that was seen lies
// outside, but for those beyond ±65504, which stand as that.
type band struct{ lo, hi half }

var none = band{plusInfinity, minusInfinity}

func (b *band) known() bool { return b.lo != plusInfinity }

func (b *band) add(x float64) {
	if !(x >= -math.MaxFloat32 && x <= math.MaxFloat32) { // NaN and infinity are not known
		return
	}
	if x < b.lo.value64() {
		b.lo = down(x)
	}
	if x > b.hi.value64() {
		b.hi = up(x)
	}
}

// block is some steps that follow each other.
type block [blockSteps][NumFigures]band

func newBlock() *block {
	b := new(block)
	for i := range b {
		b.clear(i)
	}
	return b
}

func (b *block) clear(i int) {
	for f := range b[i] {
		b[i][f] = none
	}
}

// Log keeps both spans of one rig. The zero value is ready and empty. It is not safe
// for use by several goroutines at once.
//
// Step n of a span, counted from 1970, lies at n modulo the span's length; newest is the
// number of the newest one, 0 where there is none yet. A block in which nothing came is
// nil.
type Log struct {
	since  time.Time // of the oldest values that ever came
	newest [NumSpans]int64
	short  [shortSteps / blockSteps]*block
	long   [longSteps / blockSteps]*block
}

func (l *Log) blocks(span Span) []*block {
	if span == Long {
		return l.long[:]
	}
	return l.short[:]
}

// Add takes values at a time. Values that are older than the newest step of a span but
// within it are added where they belong; older ones are left out.
func (l *Log) Add(at time.Time, v Values) {
	if l.since.IsZero() || at.Before(l.since) {
		l.since = at
	}
	for span := range NumSpans {
		add(&l.newest[span], l.blocks(span), at.UnixMilli()/span.Step().Milliseconds(), &v)
	}
}

func add(newest *int64, blocks []*block, n int64, v *Values) {
	length := int64(len(blocks) * blockSteps)
	if n <= 0 || n <= *newest-length {
		return
	}
	for *newest < n { // what lies between is a gap
		*newest = max(*newest+1, n-length+1)
		if b := blocks[*newest%length/blockSteps]; b != nil {
			b.clear(int(*newest % blockSteps))
		}
	}
	b := &blocks[n%length/blockSteps]
	if *b == nil {
		*b = newBlock()
	}
	for f := range v {
		(*b)[n%blockSteps][f].add(v[f])
	}
}

// Series is a span, oldest step first. The arrays of a figure are as long as Steps;
// nil is a step of which nothing is known.
type Series struct {
	FirstMs int64                 `json:"first_ms"` // start of the first step, ms since 1970
	StepMs  int64                 `json:"step_ms"`
	Steps   int                   `json:"steps"`
	SinceMs int64                 `json:"since_ms"` // nothing is known from before; 0 = nothing yet
	Min     map[string][]*float32 `json:"min"`      // by the figure's name
	Max     map[string][]*float32 `json:"max"`
}

// Series returns the span that ends with the step of now. Steps after the newest values
// are not known.
func (l *Log) Series(span Span, now time.Time) Series {
	newest, blocks := l.newest[span], l.blocks(span)
	length, step := int64(len(blocks)*blockSteps), span.Step().Milliseconds()
	last := max(now.UnixMilli()/step, newest)
	first := last - length + 1
	s := Series{FirstMs: first * step, StepMs: step, Steps: int(length), Min: map[string][]*float32{}, Max: map[string][]*float32{}}
	if !l.since.IsZero() {
		s.SinceMs = l.since.UnixMilli()
	}
	for f := range NumFigures {
		lo, hi := make([]*float32, length), make([]*float32, length)
		for i := range lo {
			n := first + int64(i)
			if n < 1 || n > newest || n <= newest-length {
				continue
			}
			if b := blocks[n%length/blockSteps]; b != nil && b[n%blockSteps][f].known() {
				least, greatest := b[n%blockSteps][f].lo.value(), b[n%blockSteps][f].hi.value()
				lo[i], hi[i] = &least, &greatest
			}
		}
		s.Min[f.String()], s.Max[f.String()] = lo, hi
	}
	return s
}
