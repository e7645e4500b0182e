package report

import (
	"math"
	"slices"
	"strconv"
	"time"
)

// Series is one quantity over the window.
type Series struct {
	Name   string  `json:"name"`
	Unit   string  `json:"unit"`
	Step   float64 `json:"step_s"`   // of which each point holds the least and the most
	Breaks float64 `json:"breaks_s"` // points further apart are not joined
	Points []Point `json:"points"`
}

// Point is the least and the most of a quantity in one step. NaN = not known.
type Point struct {
	T        float64 // s since the window's start, of the first reading of the step
	Min, Max float64
}

// Known tells whether the point has a number.
func (p Point) Known() bool { return p.Min <= p.Max }

// MarshalJSON writes [t, min, max], with null where it is not known.
func (p Point) MarshalJSON() ([]byte, error) {
	b := append([]byte{'['}, rounded(p.T, 1e3)...)
	for _, x := range [2]float64{p.Min, p.Max} {
		b = append(append(b, ','), rounded(x, 1e4)...)
	}
	return append(b, ']'), nil
}

func rounded(x, per float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "null"
	}
	return strconv.FormatFloat(math.Round(x*per)/per+0, 'f', -1, 64)
}

// What is drawn.
const (
	qHeight = iota
	qRest
	qRestBound
	qHookLoad
	qPressure
	qVelocity
	qHeat
	qHeatBound
	qFriction
	qFrictionLow
	qFrictionHigh
	numQuantities
)

var quantities = [numQuantities]struct{ name, unit string }{
	qHeight: {"height", "m"}, qRest: {"rest_expected", "m"}, qRestBound: {"rest_bound", "m"},
	qHookLoad: {"hook_load", "kN"}, qPressure: {"brake_pressure", "MPa"}, qVelocity: {"velocity", "m/s"},
	qHeat: {"brake_temperature", "degC"}, qHeatBound: {"brake_temperature_bound", "degC"},
	qFriction: {"friction_factor", ""}, qFrictionLow: {"friction_low", ""}, qFrictionHigh: {"friction_high", ""},
}

// reducer takes values in order of time and keeps the least and the most of each
// step, and that there was a time without one: nothing that a figure could show is
// lost, and memory does not grow with the rate of the readings.
type reducer struct {
	from  time.Time
	step  time.Duration
	index int64
	all   [numQuantities][]Point
	gaps  []float64 // s, between the first frames
	last  time.Time // frame
}

// gapsKept are enough to know the usual interval.
const gapsKept = 1000

// add takes the values at t; NaN and infinities are not known.
func (r *reducer) add(t time.Time, v *[numQuantities]float64) {
	at := t.Sub(r.from)
	index := int64(at / r.step)
	for q := range v {
		x := v[q]
		if math.IsInf(x, 0) {
			x = math.NaN()
		}
		points := r.all[q]
		if n := len(points); n > 0 && index == r.index {
			p := &points[n-1]
			if p.Known() == !math.IsNaN(x) {
				p.Min, p.Max = math.Min(p.Min, x), math.Max(p.Max, x)
				continue
			}
			if n > 1 && index == r.indexOf(points[n-2].T) { // the step has both: one known, one not
				p = &points[n-2]
				p.Min, p.Max = math.Min(p.Min, x), math.Max(p.Max, x)
				continue
			}
		}
		r.all[q] = append(points, Point{at.Seconds(), x, x})
	}
	r.index = index
}

func (r *reducer) indexOf(t float64) int64 {
	return int64(time.Duration(math.Round(t*1e9)) / r.step)
}

// frame notes when frames come.
func (r *reducer) frame(t time.Time) {
	if !r.last.IsZero() && len(r.gaps) < gapsKept {
		r.gaps = append(r.gaps, t.Sub(r.last).Seconds())
	}
	r.last = t
}

// breakLeast is the least time without an entry that is drawn as a gap, s. Chosen
// here: a live watch has an entry twice a second, reading or not.
const breakLeast = 3.0

func (r *reducer) series() []Series {
	breaks := math.Max(breakLeast, 2.5*r.step.Seconds())
	if n := len(r.gaps); n > 0 {
		slices.Sort(r.gaps)
		breaks = math.Max(breaks, 2.5*r.gaps[n/2])
	}
	var out []Series
	for q, points := range r.all {
		if points == nil {
			points = []Point{}
		}
		out = append(out, Series{quantities[q].name, quantities[q].unit, r.step.Seconds(), breaks, points})
	}
	return out
}

// runs cuts points into stretches that may be joined.
func (s *Series) runs() [][]Point {
	var out [][]Point
	var run []Point
	for _, p := range s.Points {
		if len(run) > 0 && (!p.Known() || p.T-run[len(run)-1].T > s.Breaks) {
			out, run = append(out, run), nil
		}
		if p.Known() {
			run = append(run, p)
		}
	}
	if len(run) > 0 {
		out = append(out, run)
	}
	return out
}
