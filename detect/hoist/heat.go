package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// Properties of dry air at 20 °C and 1 bar, handbook values, ±1 %.
const (
	airConductivity = 0.0257  // W/(m·K)
	airViscosity    = 1.52e-5 // m²/s, kinematic
)

// stefanBoltzmann is the Stefan–Boltzmann constant, W/(m²·K⁴), exact to the digits
// given (CODATA 2018).
const stefanBoltzmann = 5.670374419e-8

// standingConvection is the convection of a disc at rest, W/(m²·K): measured 3 to
// 5 (Topouris et al. 2020, SV-JME 66:15).
const standingConvection = 4.0

// Convection returns the heat transfer coefficient of a disc of radius R turning
// in still air at speed ω:
//
//	Re = ω R²/ν
//	Nu = 0.36 Re^0.5 below 2.4e5, 0.015 Re^0.8 above, h = Nu k/R, at least 4
//
//	ν  kinematic viscosity of air   1.52e-5 m²/s
//	k  its conductivity             0.0257 W/(m·K)
//
// It holds for a plain disc in still air; wind and vanes cool more. R not above 0
// gives the standing value; ω not known gives NaN.
//
// Source: standard rotating-disc forms (from memory, not confirmed); standing value
// measured, Topouris et al. 2020.
func Convection(speed units.RadianPerSecond, radius units.Metre) units.WattPerMetre2Kelvin {
	w, r := math.Abs(float64(speed)), float64(radius)
	if math.IsNaN(w) {
		return units.WattPerMetre2Kelvin(w)
	}
	if !(r > 0) {
		return standingConvection
	}
	re := w * r * r / airViscosity
	nu := 0.36 * math.Sqrt(re)
	if re > 2.4e5 {
		nu = 0.015 * math.Pow(re, 0.8)
	}
	return units.WattPerMetre2Kelvin(max(nu*airConductivity/r, standingConvection))
}

// Radiation returns radiation as a heat transfer coefficient:
//
//	h_r = ε σ (T² + T0²)(T + T0)
//
//	ε      emissivity (oxidised iron about 0.8)    –
//	σ      Stefan–Boltzmann constant               W/(m²·K⁴)
//	T, T0  surface and surroundings                K
//
// Source: Stefan–Boltzmann law; ε 0.8 and 300 °C to 20 °C air give 16.3 W/(m²·K).
func Radiation(emissivity float64, surface, ambient units.Kelvin) units.WattPerMetre2Kelvin {
	t, t0 := float64(surface), float64(ambient)
	return units.WattPerMetre2Kelvin(emissivity * stefanBoltzmann * (t*t + t0*t0) * (t + t0))
}

// Lumped is a brake of one temperature that is heated by friction and cooled by
// the air:
//
//	m c dT/dt = P − (h_c + h_r) A (T − T0)
//
// h_c as [Convection] at the drum's speed, h_r as [Radiation]. One lump hides the
// flash of the friction surface; [TwoNode] has it. Make it with [NewLumped].
type Lumped struct {
	Temperature units.Kelvin
	Ambient     units.Kelvin
	capacity    float64 // m c, J/K
	area        float64 // m²
	emissivity  float64
	radius      units.Metre
}

// NewLumped returns the rig's brake at a starting temperature. Convection is
// taken at the brake's effective radius.
func NewLumped(r *Rig, start units.Kelvin) Lumped {
	ambient := r.Heat.Ambient
	if ambient == 0 {
		ambient = units.FromCelsius(20)
	}
	return Lumped{
		Temperature: start, Ambient: ambient,
		capacity: float64(r.Heat.Mass) * float64(r.Heat.SpecificHeat),
		area:     float64(r.Heat.CoolingArea), emissivity: r.Heat.Emissivity,
		radius: r.Service.EffectiveRadius,
	}
}

// Capacity returns the heat capacity m c, J/K.
func (l *Lumped) Capacity() float64 { return l.capacity }

// coefficient returns h_c + h_r at a temperature.
func (l *Lumped) coefficient(t units.Kelvin, speed units.RadianPerSecond) float64 {
	return float64(Convection(speed, l.radius) + Radiation(l.emissivity, t, l.Ambient))
}

// TimeConstant returns m c/(h A) at the present temperature and a drum speed;
// +Inf where nothing cools.
func (l *Lumped) TimeConstant(speed units.RadianPerSecond) units.Second {
	return units.Second(l.capacity / (l.coefficient(l.Temperature, speed) * l.area))
}

// mostHeatSteps bounds the work of one Step: a temperature or power that no brake
// has would ask for steps without end. What is left then is taken at once.
const mostHeatSteps = 10000

// Step moves the brake on by dt with a heating power and a drum speed and returns
// its temperature. A long dt is cut so that the error stays under 0.1 K; with dt
// not above 0, or a power or speed not known, nothing changes.
func (l *Lumped) Step(power units.Watt, speed units.RadianPerSecond, dt units.Second) units.Kelvin {
	p, total := float64(power), float64(dt)
	if !(total > 0) || math.IsNaN(p) || math.IsInf(p, 0) || math.IsNaN(float64(speed)) || !(l.capacity > 0) {
		return l.Temperature
	}
	left := min(total, 1e7)
	for n := 0; left > 0; n++ {
		h := left
		if n < mostHeatSteps {
			h = min(left, l.longest(p, speed))
		}
		mid := l.relaxed(l.Temperature, p, speed, h/2)
		l.Temperature = l.relaxed(mid, p, speed, h)
		left -= h
	}
	return l.Temperature
}

// longest returns a step over which the coefficient changes little.
func (l *Lumped) longest(p float64, speed units.RadianPerSecond) float64 {
	h := l.coefficient(l.Temperature, speed) * l.area
	rate := math.Abs(p-h*float64(l.Temperature-l.Ambient)) / l.capacity
	step := 0.1 * l.capacity / max(h, 1e-9)
	if rate > 0 {
		step = min(step, max(6/rate, 0.05*step))
	}
	return step
}

// relaxed returns the temperature after dt with the coefficient held at its value
// at another temperature.
func (l *Lumped) relaxed(at units.Kelvin, p float64, speed units.RadianPerSecond, dt float64) units.Kelvin {
	h := l.coefficient(at, speed) * l.area
	if !(h > 0) {
		return l.Temperature + units.Kelvin(p*dt/l.capacity)
	}
	settle := float64(l.Ambient) + p/h
	return units.Kelvin(settle + (float64(l.Temperature)-settle)*math.Exp(-dt*h/l.capacity))
}
