package units

import "math"

// Exact by definition unless said otherwise: inch and pound, International Yard
// and Pound Agreement 1959; standard gravity, 3rd CGPM 1901; horsepower 550 ft·lbf/s.
const (
	inch  = 0.0254
	foot  = 12 * inch
	pound = 0.45359237
	lbf   = pound * float64(StandardGravity)
	tonne = 1000.0
)

var table = map[string]Unit{}

func add(d Dimension, factor float64, symbols ...string) {
	for _, s := range symbols {
		table[s] = Unit{Symbol: s, Dimension: d, Factor: factor}
	}
}

func init() {
	add(Dimensionless, 1, "", "1")
	add(Dimensionless, 0.01, "%")
	add(Length, 1, "m")
	add(Length, 1e-3, "mm")
	add(Length, 1e-2, "cm")
	add(Length, inch, "in")
	add(Length, foot, "ft")
	add(Area, 1, "m2", "m²")
	add(Area, 1e-6, "mm2", "mm²")
	add(Area, inch*inch, "in2", "in²")
	add(Area, foot*foot, "ft2", "ft²")
	add(Speed, 1, "m/s")
	add(Speed, foot, "ft/s")
	add(Speed, foot/60, "ft/min")
	add(Speed, 1.0/60, "m/min")
	add(Acceleration, 1, "m/s2", "m/s²")
	add(Acceleration, foot, "ft/s2", "ft/s²")
	add(Time, 1, "s")
	add(Time, 1e-3, "ms")
	add(Time, 60, "min")
	add(Time, 3600, "h")
	add(RotationSpeed, 1, "rad/s")
	add(RotationSpeed, 2*math.Pi/60, "rpm")
	add(Inertia, 1, "kg.m2", "kg·m²", "kg m2")
	add(Inertia, pound*foot*foot, "lb.ft2", "lb·ft²")
	add(Mass, 1, "kg")
	add(Mass, tonne, "t")
	add(Mass, pound, "lb")
	add(MassPerLength, 1, "kg/m")
	add(MassPerLength, pound/foot, "lb/ft")
	add(Force, 1, "N")
	add(Force, 1e3, "kN")
	add(Force, 1e6, "MN")
	add(Force, 1e4, "kdaN")
	add(Force, 10, "daN")
	add(Force, lbf, "lbf")
	add(Force, 1e3*lbf, "klbf")
	add(Force, tonne*float64(StandardGravity), "tf")
	add(Torque, 1, "N.m", "N·m")
	add(Torque, 1e3, "kN.m", "kN·m")
	add(Torque, lbf*foot, "lbf.ft", "ft.lbf", "ft-lbf")
	add(Pressure, 1, "Pa")
	add(Pressure, 1e3, "kPa")
	add(Pressure, 1e6, "MPa")
	add(Pressure, 1e9, "GPa")
	add(Pressure, 1e5, "bar")
	add(Pressure, lbf/(inch*inch), "psi")
	add(Energy, 1, "J")
	add(Energy, 1e3, "kJ")
	add(Energy, 1e6, "MJ")
	add(EnergyPerLength, 1, "J/m")
	add(EnergyPerLength, 1e6, "MJ/m")
	add(Power, 1, "W")
	add(Power, 1e3, "kW")
	add(Power, 1e6, "MW")
	add(Power, 550*foot*lbf, "hp")
	add(Current, 1, "A")
	add(SpecificHeat, 1, "J/kg.K", "J/(kg·K)")
	add(HeatTransfer, 1, "W/m2.K", "W/(m²·K)")
	add(Angle, 1, "rad")
	add(Angle, math.Pi/180, "deg", "°")
	table["K"] = Unit{"K", Temperature, 1, 0}
	for _, s := range []string{"degC", "°C", "C"} {
		table[s] = Unit{s, Temperature, 1, float64(ZeroCelsius)}
	}
	for _, s := range []string{"degF", "°F", "F"} {
		table[s] = Unit{s, Temperature, 5.0 / 9, float64(ZeroCelsius) - 32*5.0/9}
	}
}
