package main

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"hoistward/configs"
	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

type calcCmd struct {
	Position calcPositionCmd `cmd:"" help:"Block height, line on the drum and radius from drum wraps, or back."`
	Stop     calcStopCmd     `cmd:"" help:"Where the block comes to rest if the trip comes now."`
	Brake    calcBrakeCmd    `cmd:"" help:"Brake torque, hold margin and auxiliary torque."`
	Heat     calcHeatCmd     `cmd:"" help:"Brake temperature under steady power, or where a pace of stands leads."`
	LineWork calcLineWorkCmd `cmd:"" name:"line-work" help:"Work of the drilling line for a trip, drilling, coring, casing or a short trip."`
	Reeving  calcReevingCmd  `cmd:"" help:"Line tensions, efficiency, mast load and hoisting speed."`
	Stretch  calcStretchCmd  `cmd:"" help:"How far the line stretches, and how it bounces."`
}

// calcOptions is what every calculation takes.
type calcOptions struct {
	Rig   string   `default:"R1" placeholder:"RIG.YAML" help:"The rig file, or the name of an example."`
	Set   []string `sep:"none" placeholder:"KEY=VALUE" help:"A key of the rig file with another value, as in reeving.lines=12; repeatable."`
	JSON  bool     `name:"json" help:"As JSON; the keys carry their units."`
	Units string   `enum:"metric,oilfield" default:"metric" help:"Units of the printed answer: metric or oilfield. Inputs take any unit."`
}

// open reads the rig, with the values that are set in place of its own.
func (c *calcOptions) open() (*hoist.Rig, error) {
	rig, text, err := configs.LoadRig(c.Rig)
	if err == nil && len(c.Set) > 0 {
		rig, err = c.changed(text)
	}
	if err != nil {
		return nil, usageError{fmt.Errorf("--rig %s: %w", c.Rig, err)}
	}
	return rig, nil
}

func (c *calcOptions) changed(text []byte) (*hoist.Rig, error) {
	for _, set := range c.Set {
		key, value, ok := strings.Cut(set, "=")
		if !ok {
			return nil, fmt.Errorf("--set: got %q, want KEY=VALUE", set)
		}
		var err error
		if text, err = configs.Set(text, key, value); err != nil {
			return nil, err
		}
	}
	return configs.OpenRig(text)
}

// quantities reads the flags that hold quantities and keeps every mistake, so that
// all are told at once.
type quantities struct{ mistakes []error }

func (q *quantities) wrong(flag, format string, a ...any) {
	q.mistakes = append(q.mistakes, fmt.Errorf("%s: %s", flag, fmt.Sprintf(format, a...)))
}

// any reads a quantity of a dimension, or gives otherwise where the flag is empty.
func (q *quantities) any(flag, text string, d units.Dimension, otherwise float64) float64 {
	if text == "" {
		return otherwise
	}
	x, err := units.Parse(text, d)
	if err != nil {
		q.wrong(flag, "%v", err)
		return math.NaN()
	}
	return x
}

// atLeast0 is any, refusing what is below 0.
func (q *quantities) atLeast0(flag, text string, d units.Dimension, otherwise float64) float64 {
	x := q.any(flag, text, d, otherwise)
	if x < 0 {
		q.wrong(flag, "got %q, want 0 or more", text)
	}
	return x
}

// above0 is any, refusing what is not above 0.
func (q *quantities) above0(flag, text string, d units.Dimension, otherwise float64) float64 {
	x := q.any(flag, text, d, otherwise)
	if x <= 0 {
		q.wrong(flag, "got %q, want more than 0", text)
	}
	return x
}

// within is any, refusing what lies outside lo to hi.
func (q *quantities) within(flag, text string, d units.Dimension, lo, hi, otherwise float64) float64 {
	x := q.any(flag, text, d, otherwise)
	if x < lo || x > hi {
		q.wrong(flag, "got %q, want %g to %g", text, lo, hi)
	}
	return x
}

// need is a flag that has to be given.
func (q *quantities) need(flag, text, example string) {
	if text == "" {
		q.wrong(flag, "got nothing, want a quantity such as %q", example)
	}
}

// load reads a hook load, given as a force or as the mass that hangs there.
func (q *quantities) load(flag, text string, otherwise float64) float64 {
	if text == "" {
		return otherwise
	}
	if m, err := units.Parse(text, units.Mass); err == nil {
		text = fmt.Sprintf("%.17g N", m*float64(units.StandardGravity))
	}
	return q.atLeast0(flag, text, units.Force, otherwise)
}

// err is all mistakes together, as wrong usage.
func (q *quantities) err() error {
	if len(q.mistakes) == 0 {
		return nil
	}
	return usageError{errors.Join(q.mistakes...)}
}

// place is where on the drum the line leaves it: the flags --radius, --wraps and
// --height say it one way or another.
type place struct {
	Radius string `placeholder:"0.44m" help:"Drum radius where the line leaves it."`
	Wraps  string `placeholder:"100" help:"Wraps on the drum, dead wraps included; the radius follows."`
	Height string `placeholder:"20m" help:"Block height; wraps and radius follow from the rig's reference."`
}

// radius returns the radius that the flags give, and the height if that was given.
func (p *place) radius(q *quantities, rig *hoist.Rig, load units.Newton) (radius, height float64) {
	height = math.NaN()
	given := 0
	for _, s := range []string{p.Radius, p.Wraps, p.Height} {
		if s != "" {
			given++
		}
	}
	switch {
	case given == 0:
		q.wrong("--radius", `got nothing, want --radius such as "0.44 m", or --wraps, or --height`)
	case given > 1:
		q.wrong("--radius, --wraps, --height", "got %d of them, want one", given)
	case p.Radius != "":
		return q.above0("--radius", p.Radius, units.Length, 0), height
	case p.Wraps != "":
		w := q.atLeast0("--wraps", p.Wraps, units.Dimensionless, 0)
		return float64(rig.Drawworks.Drum.Radius(w, rig.Line.Diameter)), height
	default:
		height = q.any("--height", p.Height, units.Length, 0)
		m, err := hoist.NewMap(rig)
		if err != nil {
			q.wrong("--height", "%v; give --radius or --wraps instead", err)
			return math.NaN(), height
		}
		r := float64(m.Radius(m.Wraps(units.Metre(height), load)))
		if math.IsNaN(r) && !math.IsNaN(height) {
			q.wrong("--height", "got %q, want a height that leaves line on the drum", p.Height)
		}
		return r, height
	}
	return math.NaN(), height
}

// hanging is the hook load of the empty travelling assembly.
func hanging(rig *hoist.Rig) float64 {
	return float64(rig.TravellingMass) * float64(units.StandardGravity)
}

// ambient is the air's temperature of a rig.
func ambient(rig *hoist.Rig) float64 {
	if rig.Heat.Ambient > 0 {
		return float64(rig.Heat.Ambient)
	}
	return float64(units.FromCelsius(20))
}
