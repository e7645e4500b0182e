package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Dimension is the kind of a quantity. Two units can be converted into one
// another only within one dimension.
type Dimension uint8

// The dimensions.
const (
	Dimensionless Dimension = iota
	Length
	Area
	Speed
	Acceleration
	Time
	RotationSpeed
	Inertia
	Mass
	MassPerLength
	Force
	Torque
	Pressure
	Energy
	EnergyPerLength
	Power
	Current
	Temperature
	SpecificHeat
	HeatTransfer
	Angle
	Density
	VolumeFlow
	Frequency
	Stiffness
	NumDimensions
)

var dimensionNames = [NumDimensions]string{
	"number without unit", "length", "area", "speed", "acceleration", "time",
	"rotation speed", "moment of inertia", "mass", "mass per length", "force",
	"torque", "pressure", "energy", "energy per length", "power", "current",
	"temperature", "specific heat", "heat transfer coefficient", "angle",
	"density", "volume flow", "frequency", "stiffness",
}

// String returns the dimension in words.
func (d Dimension) String() string {
	if d < NumDimensions {
		return dimensionNames[d]
	}
	return "unknown dimension"
}

// Unit converts numbers of one unit to SI and back: SI = Factor·x + Offset.
type Unit struct {
	Symbol    string
	Dimension Dimension
	Factor    float64
	Offset    float64 // K, temperatures only
}

// ToSI returns x of this unit in SI.
func (u Unit) ToSI(x float64) float64 { return x*u.Factor + u.Offset }

// FromSI returns the SI value x in this unit.
func (u Unit) FromSI(x float64) float64 { return (x - u.Offset) / u.Factor }

// Lookup returns the unit written as symbol, e.g. "kN", "ft/min", "degC".
func Lookup(symbol string) (Unit, bool) {
	u, ok := table[symbol]
	return u, ok
}

// Parse reads a quantity such as "762 mm" or "1.5m/s" and returns it in SI. The
// unit must be there and of dimension want.
func Parse(text string, want Dimension) (float64, error) {
	if len(text) > longest {
		return 0, fmt.Errorf("got %q... of %d bytes, want a number with a unit of %s", text[:16], len(text), want)
	}
	s := strings.TrimSpace(text)
	end := numberEnd(s)
	x, err := strconv.ParseFloat(s[:end], 64)
	if strings.ContainsAny(s[:end], "xX_") { // a programmer's number, not a gauge's
		err = strconv.ErrSyntax
	}
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		return 0, fmt.Errorf("got %q, want a number with a unit of %s", text, want)
	}
	symbol := strings.TrimSpace(s[end:])
	if symbol == "" && want != Dimensionless {
		return 0, fmt.Errorf("got %q without a unit, want a unit of %s", text, want)
	}
	u, ok := Lookup(symbol)
	switch {
	case !ok && ambiguous[symbol] != "":
		return 0, fmt.Errorf("got the unit %q, which means several things, want %s", symbol, ambiguous[symbol])
	case !ok:
		return 0, fmt.Errorf("got the unit %q, which is not known, want a unit of %s", symbol, want)
	case u.Dimension != want:
		return 0, fmt.Errorf("got %q, a %s, want a %s", text, u.Dimension, want)
	}
	si := u.ToSI(x)
	switch {
	case want == Temperature && si < 0:
		return 0, fmt.Errorf("got %q, which is below absolute zero, want a temperature", text)
	case !math.IsInf(si, 0):
		return si, nil
	}
	return 0, fmt.Errorf("got %q, which is past any number, want a %s", text, want)
}

// longest is the longest text that can be one quantity, in bytes.
const longest = 64

func numberEnd(s string) int {
	for i := len(s); i > 0; i-- {
		if _, err := strconv.ParseFloat(s[:i], 64); err == nil {
			return i
		}
	}
	return 0
}
