package replay

import (
	"math"
	"strings"

	"hoistward/alarms/watch"
	"hoistward/dashboard/view"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// Quantity is a column of a result.
type Quantity struct {
	Name string `json:"name"` // of estimates that of the estimates file; "reading." and "truth." before a channel's
	Unit string `json:"unit"`
	From string `json:"from"` // reading, estimate, truth
}

// shadowFrom is the speed, m/s, above which the block has a direction of travel, in
// which its stopping shadow lies. Chosen here, as the other pages do.
const shadowFrom = 0.02

const (
	numChannels  = int(ingest.NumChannels)
	numEstimates = 20 // as detect.Estimate.Numbers
	derivedAt    = numChannels + numEstimates
	truthAt      = derivedAt + 2
	numColumns   = truthAt + numTruth
)

// The columns of a truth file that are drawn.
const (
	truthHeight = iota
	truthVelocity
	truthHookLoad
	truthHeat
	truthFriction // of the service lining, now
	numTruth
)

var truthNames = [numTruth]struct{ file, name, unit string }{
	{"height[m]", "height", "m"}, {"velocity[m/s]", "velocity", "m/s"}, {"hook_load[kN]", "hook_load", "kN"},
	{"ring_temperature[degC]", "brake_temperature", "degC"}, {"friction", "friction", ""},
}

// quantities are all columns that a result may have, in order.
var quantities = func() []Quantity {
	var list []Quantity
	for c := range ingest.NumChannels {
		list = append(list, Quantity{"reading." + c.String(), view.ChannelUnit(c), "reading"})
	}
	for _, name := range strings.Split(detect.CSVHeader, ",") {
		if name == "time" || name == "activity" || name == "blind" || name == "height_source" {
			continue
		}
		list = append(list, Quantity{name, unitOf(name), "estimate"})
	}
	list = append(list, Quantity{"rest_m", "m", "estimate"}, Quantity{"rest_bound_m", "m", "estimate"})
	for _, t := range truthNames {
		list = append(list, Quantity{"truth." + t.name, t.unit, "truth"})
	}
	return list
}()

// unitOf reads the unit from the name of a column of the estimates file.
func unitOf(name string) string {
	switch name[strings.LastIndexByte(name, '_')+1:] {
	case "m":
		return "m"
	case "mps":
		return "m/s"
	case "mps2":
		return "m/s2"
	case "kN":
		return "kN"
	case "C":
		return "degC"
	case "MJ":
		return "MJ"
	case "act":
		return "s"
	}
	return ""
}

var channelUnits = func() (list [ingest.NumChannels]units.Unit) {
	for c := range ingest.NumChannels {
		list[c], _ = units.Lookup(view.ChannelUnit(c))
	}
	return list
}()

// fill writes the row of what the rig knows now, without the truth.
func fill(row []float64, w *watch.Rig) {
	for c := range ingest.NumChannels {
		row[c] = math.NaN()
		if x, ok := w.Instrument(c).Value.Float(); ok {
			row[c] = channelUnits[c].FromSI(x)
		}
	}
	e := &w.Result().Estimate
	numbers := e.Numbers()
	copy(row[numChannels:], numbers[:])
	row[derivedAt], row[derivedAt+1] = math.NaN(), math.NaN()
	switch {
	case e.Velocity > shadowFrom:
		row[derivedAt], row[derivedAt+1] = e.RestUp, e.RestUpBound
	case e.Velocity < -shadowFrom:
		row[derivedAt], row[derivedAt+1] = e.RestDown, e.RestDownBound
	case math.Abs(e.Velocity) <= shadowFrom:
		row[derivedAt], row[derivedAt+1] = e.Height, e.Height
	}
}
