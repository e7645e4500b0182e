// Package units holds the physical quantities of the project, one Go type each,
// always in SI, and the one reader of quantities written by people ("762 mm").
//
// It may not guess a unit: a number without one, or with one of another
// dimension, is an error.
package units

// Length and what derives from it.
type (
	// Metre is a length, a height or a distance, in m.
	Metre float64
	// SquareMetre is an area, in m².
	SquareMetre float64
	// MetrePerSecond is a speed along a line, in m/s.
	MetrePerSecond float64
	// MetrePerSecond2 is an acceleration, in m/s².
	MetrePerSecond2 float64
)

// Rotation and time.
type (
	// Second is a duration in physics, in s. Loops and logs use time.Duration.
	Second float64
	// RadianPerSecond is a speed of rotation, in rad/s.
	RadianPerSecond float64
	// KilogramMetre2 is a moment of inertia, in kg·m².
	KilogramMetre2 float64
)

// Force, mass and energy.
type (
	// Kilogram is a mass, in kg.
	Kilogram float64
	// KilogramPerMetre is a mass per length, in kg/m.
	KilogramPerMetre float64
	// Newton is a force, in N.
	Newton float64
	// NewtonMetre is a torque, in N·m.
	NewtonMetre float64
	// Pascal is a pressure or an elastic modulus, in Pa.
	Pascal float64
	// Joule is an energy, in J.
	Joule float64
	// JoulePerMetre is work per length of line, in J/m.
	JoulePerMetre float64
	// Watt is a power, in W.
	Watt float64
	// KilogramPerMetre3 is a density, in kg/m³.
	KilogramPerMetre3 float64
	// CubicMetrePerSecond is a volume flow, in m³/s.
	CubicMetrePerSecond float64
	// NewtonPerMetre is a stiffness, in N/m.
	NewtonPerMetre float64
	// Hertz is a frequency, in 1/s.
	Hertz float64
	// Ampere is an electric current, in A.
	Ampere float64
)

// Heat.
type (
	// Kelvin is a thermodynamic temperature, in K.
	Kelvin float64
	// JoulePerKilogramKelvin is a specific heat, in J/(kg·K).
	JoulePerKilogramKelvin float64
	// WattPerMetre2Kelvin is a heat transfer coefficient, in W/(m²·K).
	WattPerMetre2Kelvin float64
)

// ZeroCelsius is 0 °C as a thermodynamic temperature, K, exact (SI).
const ZeroCelsius Kelvin = 273.15

// StandardGravity is the standard acceleration of free fall, m/s², exact
// (3rd CGPM, 1901).
const StandardGravity MetrePerSecond2 = 9.80665

// Celsius returns t in degrees Celsius, for display.
func (t Kelvin) Celsius() float64 { return float64(t - ZeroCelsius) }

// FromCelsius returns the thermodynamic temperature of c degrees Celsius.
func FromCelsius(c float64) Kelvin { return Kelvin(c) + ZeroCelsius }
