package trial

import (
	"math"
	"slices"
)

// tally is what cases add up to. Every count is of things that could be judged by
// the truth; whether the monitor answered has no part in that.
type tally struct {
	stops, inside int
	expected      []float64 // m, |answer − truth|, fast stops
	excessUp      []float64 // m, bound − truth, fast stops
	excessDown    []float64 // the same downward, auxiliary brake lost at the trip

	contacts, avoidable, inTime, silent int

	stands, nuisance, falseFade, falseUrgent int

	height meanSquare // m
	worst  float64    // m

	heat                meanSquare // K
	heatSeen, heatUnder int

	friction meanSquare

	fade, fadeFound           int
	auxiliary, auxiliaryFound int
	sensor, sensorFound       int
}

// meanSquare adds up squares of errors.
type meanSquare struct {
	n   int
	sum float64
}

func (m *meanSquare) add(e float64) { m.n++; m.sum += e * e }

func (m *meanSquare) merge(o meanSquare) { m.n += o.n; m.sum += o.sum }

// root is the root of the mean square; NaN where there is none.
func (m meanSquare) root() float64 { return math.Sqrt(m.sum / float64(m.n)) }

func (t *tally) merge(o *tally) {
	t.stops += o.stops
	t.inside += o.inside
	t.expected = append(t.expected, o.expected...)
	t.excessUp = append(t.excessUp, o.excessUp...)
	t.excessDown = append(t.excessDown, o.excessDown...)
	t.contacts += o.contacts
	t.avoidable += o.avoidable
	t.inTime += o.inTime
	t.silent += o.silent
	t.stands += o.stands
	t.nuisance += o.nuisance
	t.falseFade += o.falseFade
	t.falseUrgent += o.falseUrgent
	t.height.merge(o.height)
	t.worst = math.Max(t.worst, o.worst)
	t.heat.merge(o.heat)
	t.heatSeen += o.heatSeen
	t.heatUnder += o.heatUnder
	t.friction.merge(o.friction)
	t.fade += o.fade
	t.fadeFound += o.fadeFound
	t.auxiliary += o.auxiliary
	t.auxiliaryFound += o.auxiliaryFound
	t.sensor += o.sensor
	t.sensorFound += o.sensorFound
}

// median returns the middle value, the mean of the two middle ones for an even
// count, NaN for none.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	k := len(s) / 2
	if len(s)%2 == 1 {
		return s[k]
	}
	return (s[k-1] + s[k]) / 2
}

func share(part, of int) float64 { return float64(part) / float64(of) }

// scores turns the tally into the figures of the table.
func (t *tally) scores(seed uint64, count int) Scores {
	s := Scores{
		Seed: seed, Count: count,
		Stops: t.stops, BoundCoverage: Figure(share(t.inside, t.stops)),
		ExpectedError: Figure(median(t.expected)), ExcessUp: Figure(median(t.excessUp)), ExcessDown: Figure(median(t.excessDown)),
		Contacts: t.contacts, Avoidable: t.avoidable, InTime: t.inTime, Silent: t.silent,
		Stands: t.stands, Nuisance: Figure(1000 * share(t.nuisance, t.stands)),
		HeightRMS: Figure(1e3 * t.height.root()), HeightWorst: Figure(1e3 * t.worst),
		HeatRMS: Figure(t.heat.root()), HeatCoverage: Figure(share(t.heatUnder, t.heatSeen)),
		Friction:  Figure(t.friction.root()),
		FadeCases: t.fade, FadeFound: t.fadeFound, FadeFalse: Figure(500 * share(t.falseFade, t.stands)),
		AuxiliaryCases: t.auxiliary, AuxiliaryFound: t.auxiliaryFound, FalseEmergency: t.falseUrgent,
		SensorCases: t.sensor, SensorFound: t.sensorFound,
	}
	if t.height.n == 0 {
		s.HeightWorst = Figure(math.NaN())
	}
	return s
}
