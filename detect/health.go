package detect

import (
	"math"

	"hoistward/ingest/units"
)

// FrictionHealth is the report on the service brake's lining (PHYSICS section 20).
type FrictionHealth struct {
	Factor       Number // present friction over commissioned; NaN = no evidence yet
	Low, High    Number // its 95 % interval
	Before       Number // factor before a loss that is found or suspected; NaN = none
	Raising      Number // factor winding in, band brakes that have shown it; NaN = none
	Applications int    // pieces of evidence
	LastAgeS     Number // since the newest one, s; NaN = none
	Pressure     Number // mean pressure of the evidence, of full; NaN = none
	Temperatures [NumTemperatures]FrictionAt
}

// FrictionAt is what the evidence showed in one range of the brake's estimated
// temperature, which is TemperatureStep wide and begins at From.
type FrictionAt struct {
	From     Number // °C
	Factor   Number // mean of present friction over commissioned cold; NaN = none
	Expected Number // by the rig file's fade curve in the middle of the range
	Pieces   int
}

// TemperatureStep is the width of a range, K; the last one has no upper end.
const (
	NumTemperatures = 9
	TemperatureStep = 50.0
)

// temperatureForgets is how many pieces a range's mean goes back.
const temperatureForgets = 20

// byTemperature keeps the means.
type byTemperature struct {
	mean [NumTemperatures]float64
	n    [NumTemperatures]int
}

// take takes a factor over cold friction at a temperature, °C.
func (b *byTemperature) take(factor, t float64) {
	if !Known(factor) || !Known(t) {
		return
	}
	i := max(0, min(int(math.Floor(t/TemperatureStep)), NumTemperatures-1))
	b.n[i]++
	b.mean[i] += (factor - b.mean[i]) / float64(min(b.n[i], temperatureForgets))
}

// FrictionHealth returns the report as of the newest frame or tick.
func (d *Detector) FrictionHealth() FrictionHealth {
	f := &d.friction
	h := FrictionHealth{
		Factor: NotKnown(), Low: NotKnown(), High: NotKnown(), Before: NotKnown(), Raising: NotKnown(),
		LastAgeS: NotKnown(), Pressure: NotKnown(), Applications: f.applications,
	}
	for i := range NumTemperatures {
		from := TemperatureStep * float64(i)
		at := FrictionAt{From: from, Factor: NotKnown(), Pieces: d.byHeat.n[i],
			Expected: d.rig.Service.Fade.Factor(units.FromCelsius(from + TemperatureStep/2))}
		if at.Pieces > 0 {
			at.Factor = d.byHeat.mean[i]
		}
		h.Temperatures[i] = at
	}
	if f.applications == 0 {
		return h
	}
	e := &d.result.Estimate
	h.Factor, h.Low, h.High = e.Friction, e.FrictionLow, e.FrictionHigh
	h.LastAgeS = d.event - f.lastAt
	h.Pressure = math.Exp(-f.logPressure)
	if f.lost || f.loss.Sum > 0 {
		h.Before = f.before
	}
	if f.up.Applications > 0 {
		h.Raising = f.up.Factor
	}
	return h
}
