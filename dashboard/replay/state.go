package replay

import (
	"math"

	"hoistward/detect"
)

var nan32 = float32(math.NaN())

// state is what a row has in words: what the row is, and the words of the estimate.
type state uint32

// What a row is.
const (
	rowFrame state = 1 << iota // readings came and were taken
	rowBreak                   // nothing came for a while before the next row
	rowCannotStop
	rowNothingAhead
	rowStates = iota
)

func stateOf(e *detect.Estimate) state {
	s := state(e.Activity)<<8 | state(e.Blind)<<16 | state(e.HeightSource)<<24
	if e.CannotStop {
		s |= rowCannotStop
	}
	if math.IsInf(e.SecondsToAct, 1) {
		s |= rowNothingAhead
	}
	return s
}

func (s state) activity() string     { return detect.Activity(s >> 8 & 0xff).String() }
func (s state) blind() string        { return detect.Blind(s >> 16 & 0xff).String() }
func (s state) heightSource() string { return detect.HeightSource(s >> 24).String() }
