package configs

import (
	"cmp"
	"slices"
	"strings"

	"hoistward/ingest/units"
)

// Key is a single value of a rig file that Set can change.
type Key struct {
	Path  string `json:"path"`  // as Set takes it
	Value string `json:"value"` // as it stands in the file; empty = the file does not say
	Want  string `json:"want"`  // the range that the file's reader holds it to, in words; empty = one that depends on other keys
	Unit  string `json:"unit"`  // of Value, or where the file does not say one that may be used; empty = none
	What  string `json:"what"`  // the quantity, such as time
}

// Keys lists the numbers of a rig file that Set can change, in the file's order, those
// that it does not say behind.
func Keys(text []byte) []Key {
	r, _ := readRig("", text)
	list := make([]Key, 0, len(r.numbers))
	for _, k := range r.numbers {
		k.Value = r.raw[k.Path]
		if unit := unitIn(k.Value); unit != "" {
			k.Unit = unit
		}
		list = append(list, k)
	}
	slices.SortStableFunc(list, func(a, b Key) int {
		x, y := r.lines[a.Path], r.lines[b.Path]
		if (x == 0) != (y == 0) {
			return cmp.Compare(y, x) // said ones first
		}
		return cmp.Compare(x, y)
	})
	return list
}

// unitIn returns the unit behind a number.
func unitIn(value string) string {
	i := strings.LastIndexAny(value, "0123456789.")
	return strings.TrimSpace(value[i+1:])
}

// siUnits are units that a value may be written in where the file does not say one.
var siUnits = map[units.Dimension]string{
	units.Length: "m", units.Time: "s", units.Force: "N", units.Mass: "kg", units.Pressure: "Pa", units.Temperature: "degC",
	units.Power: "kW", units.Torque: "N.m", units.RotationSpeed: "rpm", units.Current: "A", units.Area: "m2",
	units.EnergyPerLength: "MJ/m", units.VolumeFlow: "l/min", units.Inertia: "kg.m2", units.SpecificHeat: "J/kg.K", units.Angle: "deg",
}

// note keeps that a number is read here.
func (o *object) note(key string, d units.Dimension, must rule) {
	if o.silent {
		return
	}
	k := Key{Path: o.at(key), Unit: siUnits[d]}
	if d != units.Dimensionless {
		k.What = d.String()
	}
	if must.want != anyNumber.want {
		k.Want = must.want
	}
	o.r.numbers = append(o.r.numbers, k)
}
