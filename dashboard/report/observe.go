package report

import (
	"math"
	"time"

	"hoistward/alarms/watch"
	"hoistward/dashboard"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// shadowFrom is the speed, m/s, above which the block has a direction of travel, in
// which its stopping shadow lies. Chosen here, as the page does.
const shadowFrom = 0.02

// values are the quantities at the newest entry. Hook load and brake pressure are the
// readings themselves.
func values(w *watch.Rig) [numQuantities]float64 {
	e := &w.Result().Estimate
	v := [numQuantities]float64{
		qHeight: e.Height, qRest: e.Height, qRestBound: e.Height, qVelocity: e.Velocity,
		qHookLoad: reading(w, ingest.HookLoad) / 1e3, qPressure: reading(w, ingest.BrakePressure) / 1e6,
		qHeat: e.BrakeTemperature, qHeatBound: e.BrakeTemperatureHi,
		qFriction: e.Friction, qFrictionLow: e.FrictionLow, qFrictionHigh: e.FrictionHigh,
	}
	switch {
	case e.Velocity > shadowFrom:
		v[qRest], v[qRestBound] = e.RestUp, e.RestUpBound
	case e.Velocity < -shadowFrom:
		v[qRest], v[qRestBound] = e.RestDown, e.RestDownBound
	}
	return v
}

// reading is the newest reading of a channel; NaN where it is bad.
func reading(w *watch.Rig, c ingest.Channel) float64 {
	if x, ok := w.Instrument(c).Value.Float(); ok {
		return x
	}
	return math.NaN()
}

// extremes keeps the most and the least of what a reader asks for first.
type extremes struct {
	list []Extreme
	best []float64
}

const (
	xHighest = iota
	xLowest
	xFastestUp
	xFastestDown
	xHookLoad
	xPressure
	xHeat
	xHeatBound
	xFriction
	xToAct
	xMargin
	numExtremes
)

var extremeNames = [numExtremes]struct {
	name, unit string
	least      bool
}{
	xHighest: {"highest block height", "m", false}, xLowest: {"lowest block height", "m", true},
	xFastestUp: {"fastest upward", "m/s", false}, xFastestDown: {"fastest downward", "m/s", true},
	xHookLoad: {"greatest hook load read", "kN", false}, xPressure: {"greatest brake pressure read", "MPa", false},
	xHeat: {"hottest brake, expected", "degC", false}, xHeatBound: {"hottest brake, bound", "degC", false},
	xFriction: {"least friction factor", "", true}, xToAct: {"least time to act", "s", true},
	xMargin: {"least brake margin", "", true},
}

func (x *extremes) init() {
	x.best = make([]float64, numExtremes)
	x.list = []Extreme{}
	for i := range x.best {
		x.best[i] = math.NaN()
	}
}

func (x *extremes) see(at time.Time, w *watch.Rig, v *[numQuantities]float64) {
	e := &w.Result().Estimate
	now := [numExtremes]float64{
		xHighest: v[qHeight], xLowest: v[qHeight], xFastestUp: math.NaN(), xFastestDown: math.NaN(),
		xHookLoad: v[qHookLoad], xPressure: v[qPressure], xHeat: v[qHeat], xHeatBound: v[qHeatBound],
		xFriction: v[qFriction], xToAct: e.SecondsToAct, xMargin: e.BrakeMargin,
	}
	if v[qVelocity] > 0 {
		now[xFastestUp] = v[qVelocity]
	}
	if v[qVelocity] < 0 {
		now[xFastestDown] = v[qVelocity]
	}
	for i, value := range now {
		best := x.best[i]
		switch least := extremeNames[i].least; {
		case math.IsNaN(value) || math.IsInf(value, 0):
		case math.IsNaN(best) || least && value < best || !least && value > best:
			x.best[i] = value
			x.put(i, Extreme{extremeNames[i].name, value, extremeNames[i].unit, at.UTC()})
		}
	}
}

func (x *extremes) put(i int, e Extreme) {
	for j := range x.list {
		if x.list[j].Name == e.Name {
			x.list[j] = e
			return
		}
	}
	at := 0
	for at < len(x.list) && rank(x.list[at].Name) < i {
		at++
	}
	x.list = append(x.list[:at], append([]Extreme{e}, x.list[at:]...)...)
}

func rank(name string) int {
	for i := range extremeNames {
		if extremeNames[i].name == name {
			return i
		}
	}
	return numExtremes
}

// limits are the figures of the rig file that a report's figures are read against.
func limits(r *hoist.Rig) []Limit {
	n := dashboard.Num
	list := []Limit{
		{"crown height, at contact", "mast.crown_height", n(float64(r.Mast.CrownHeight)), "m"},
		{"crown limit", "mast.crown_limit", n(float64(r.Mast.CrownLimit)), "m"},
		{"crown saver trips at", "mast.crown_saver_trip", n(float64(r.Mast.CrownSaverTrip)), "m"},
		{"floor limit", "mast.floor_limit", n(float64(r.Mast.FloorLimit)), "m"},
		{"lines", "reeving.lines", n(float64(r.Reeving.Lines)), ""},
		{"drive release", "drawworks.drive.release", n(float64(r.Drawworks.DriveRelease)), "s"},
		{"brake dead time", "brakes.service.dead_time", n(float64(r.Service.DeadTime)), "s"},
		{"brake rise time", "brakes.service.rise_time", n(float64(r.Service.RiseTime)), "s"},
		{"lining friction, cold", "brakes.service.friction", n(r.Service.Friction), ""},
		{"full brake pressure", "brakes.service.full_pressure", n(float64(r.Service.FullPressure) / 1e6), "MPa"},
		{"brake amber mark", "brakes.heat.amber", n(r.Heat.Amber.Celsius()), "degC"},
		{"brake red mark", "brakes.heat.red", n(r.Heat.Red.Celsius()), "degC"},
		{"least brake margin", "brakes.service.hold_factor", n(r.Service.HoldFactor), ""},
	}
	if r.Drawworks.RatedLoad > 0 {
		list = append(list, Limit{"rated hook load", "drawworks.rated_load", n(float64(r.Drawworks.RatedLoad) / 1e3), "kN"})
	}
	return list
}

func (r *Report) limit(key string) float64 {
	for _, l := range r.Limits {
		if l.Key == key && l.Value != nil {
			return *l.Value
		}
	}
	return math.NaN()
}

// blindWords say which answers cannot be given and why.
func blindWords(r *detect.Result) (what, why string) {
	switch b := r.Estimate.Blind; {
	case b&detect.BlindCrown != 0 && b&detect.BlindFloor != 0:
		return "no answer for crown and floor", r.Answers[detect.CrownAnswer].Why
	case b&detect.BlindCrown != 0:
		return "no answer for the crown", r.Answers[detect.CrownAnswer].Why
	case b&detect.BlindFloor != 0:
		return "no answer for the floor", r.Answers[detect.FloorAnswer].Why
	}
	return "", ""
}
