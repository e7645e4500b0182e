package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"hoistward/ingest/units"
)

// answer is one worked calculation: what went in, by which formula, over which
// steps, to which results.
type answer struct {
	title    string
	formula  string
	rig      string
	inputs   []calcFigure
	steps    []calcFigure
	results  []calcFigure
	note     string // what the reader must know of the answer
	metadata map[string]any
}

// calcFigure is one number of an answer, in SI, or a word.
type calcFigure struct {
	name string // in words
	key  string // in JSON, with its unit; results only
	unit string // of the JSON number
	x    float64
	d    units.Dimension
	word any // instead of a number: a string, a bool or an int
}

func (a *answer) input(name string, x float64, d units.Dimension) {
	a.inputs = append(a.inputs, calcFigure{name: name, x: x, d: d})
}

func (a *answer) step(name string, x float64, d units.Dimension) {
	a.steps = append(a.steps, calcFigure{name: name, x: x, d: d})
}

// result adds a number to the results; key ends in its unit's short name and unit
// is that unit.
func (a *answer) result(name, key, unit string, x float64, d units.Dimension) {
	a.results = append(a.results, calcFigure{name: name, key: key, unit: unit, x: x, d: d})
}

func (a *answer) say(name, key string, word any) {
	a.results = append(a.results, calcFigure{name: name, key: key, word: word})
}

// write prints the answer as text in a system of units, or as JSON.
func (a *answer) write(w io.Writer, asJSON bool, system string) error {
	if asJSON {
		return a.writeJSON(w)
	}
	return a.writeText(w, system)
}

func (a *answer) writeJSON(w io.Writer) error {
	out := map[string]any{"formula": a.formula}
	if a.rig != "" {
		out["rig"] = a.rig
	}
	for k, v := range a.metadata {
		out[k] = v
	}
	if a.note != "" {
		out["note"] = a.note
	}
	out["inputs"], out["steps"] = calcList(a.inputs), calcList(a.steps)
	for _, f := range a.results {
		if f.word != nil {
			out[f.key] = f.word
			continue
		}
		u, _ := units.Lookup(f.unit)
		out[f.key] = calcNumber(u.FromSI(f.x))
	}
	return writeJSON(w, out)
}

// calcList gives inputs or steps as name, value and unit.
func calcList(figures []calcFigure) []map[string]any {
	out := make([]map[string]any, 0, len(figures))
	for _, f := range figures {
		u := unitOf(f.d, metric)
		out = append(out, map[string]any{"name": f.name, "value": calcNumber(u.FromSI(f.x)), "unit": u.Symbol})
	}
	return out
}

// calcNumber is x rounded to 9 digits, or null where there is none.
func calcNumber(x float64) any {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	r, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 9, 64), 64)
	if err != nil {
		return nil
	}
	return r
}

func (a *answer) writeText(w io.Writer, system string) error {
	var b strings.Builder
	fmt.Fprintln(&b, a.title)
	if a.rig != "" {
		fmt.Fprintf(&b, "rig %s\n", a.rig)
	}
	for _, part := range []struct {
		name    string
		figures []calcFigure
	}{{"given", a.inputs}, {"steps", a.steps}, {"answer", a.results}} {
		if part.name == "steps" {
			fmt.Fprintf(&b, "\nformula\n  %s\n", strings.ReplaceAll(a.formula, "\n", "\n  "))
		}
		if len(part.figures) == 0 {
			continue
		}
		fmt.Fprintf(&b, "\n%s\n", part.name)
		for _, f := range part.figures {
			if f.name == "" { // the same once more, for scripts
				continue
			}
			fmt.Fprintf(&b, "  %-44s %s\n", f.name, f.text(system))
		}
	}
	if a.note != "" {
		fmt.Fprintf(&b, "\n%s\n", a.note)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// text is the calcFigure with its unit in a system.
func (f calcFigure) text(system string) string {
	switch word := f.word.(type) {
	case nil:
	case bool:
		if word {
			return "yes"
		}
		return "no"
	default:
		return fmt.Sprint(word)
	}
	u := unitOf(f.d, system)
	if f.d == units.Area && f.x > largeArea {
		u, _ = units.Lookup(map[string]string{metric: "m2", oilfield: "ft2"}[system])
	}
	switch x := u.FromSI(f.x) + 0; { // + 0 makes −0 a plain 0
	case math.IsNaN(x):
		return "not known"
	case math.IsInf(x, 1):
		return "without limit"
	default:
		return strings.TrimSpace(strconv.FormatFloat(x, 'g', 6, 64) + " " + u.Symbol)
	}
}

// The systems of units that answers are written in.
const (
	metric   = "metric"
	oilfield = "oilfield"
)

// largeArea is where an area is no longer written in small units, m².
const largeArea = 0.1

// shown is the unit of each dimension in each system; another is written in SI.
var shown = map[units.Dimension][2]string{
	units.Length:          {"m", "ft"},
	units.Area:            {"mm2", "in2"},
	units.Speed:           {"m/s", "ft/min"},
	units.Acceleration:    {"m/s2", "ft/s2"},
	units.Time:            {"s", "s"},
	units.RotationSpeed:   {"rpm", "rpm"},
	units.Inertia:         {"kg.m2", "lb.ft2"},
	units.Mass:            {"t", "klb"},
	units.MassPerLength:   {"kg/m", "lb/ft"},
	units.Force:           {"kN", "klbf"},
	units.Torque:          {"kN.m", "lbf.ft"},
	units.Pressure:        {"MPa", "psi"},
	units.Energy:          {"MJ", "ton-mile"},
	units.EnergyPerLength: {"MJ/m", "ton-mile/ft"},
	units.Power:           {"kW", "hp"},
	units.Temperature:     {"degC", "degF"},
	units.SpecificHeat:    {"J/kg.K", "Btu/lb.F"},
	units.HeatTransfer:    {"W/m2.K", "Btu/h.ft2.F"},
	units.Angle:           {"deg", "deg"},
	units.Density:         {"kg/m3", "ppg"},
	units.VolumeFlow:      {"L/min", "gal/min"},
	units.Frequency:       {"Hz", "Hz"},
	units.Stiffness:       {"MN/m", "lbf/in"},
	temperatureRise:       {"K", "K"},
}

// temperatureRise is a difference of temperatures, which has no zero to shift; it
// stands past the dimensions of quantities.
const temperatureRise = units.NumDimensions

func unitOf(d units.Dimension, system string) units.Unit {
	pair := shown[d]
	symbol := pair[0]
	if system == oilfield {
		symbol = pair[1]
	}
	if d == temperatureRise {
		if system == oilfield {
			return units.Unit{Symbol: "degF difference", Factor: 5.0 / 9}
		}
		return units.Unit{Symbol: "K", Factor: 1}
	}
	u, ok := units.Lookup(symbol)
	if !ok {
		return units.Unit{Factor: 1}
	}
	return u
}
