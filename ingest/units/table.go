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
	mile  = 5280 * foot
	// The US gallon is 231 cubic inches; the Btu that of the International Table.
	gallon = 231 * inch * inch * inch
	btu    = 1055.05585262
	// The ton-mile of drilling-line work: 2000 lbf over one mile.
	tonMile = 2000 * lbf * mile
)

// ambiguous names symbols that are written for several units, and what to write.
var ambiguous = map[string]string{
	"ton":  `"t" (1000 kg), "short_ton" (2000 lb), or with force "tf" or "short_tonf"`,
	"tons": `"t" (1000 kg), "short_ton" (2000 lb), or with force "tf" or "short_tonf"`,
	"gal":  `a flow such as "L/min" or "gal/min" (US)`,
	"kg.m": `"N.m" for torque or "kg.m2" for inertia`,
	"HP":   `"hp" (550 ft.lbf/s) or "PS" (75 kgf.m/s)`,
	"T":    `"t" (1000 kg)`,
}

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
	add(Length, 3*foot, "yd")
	add(Length, 1000, "km")
	add(Length, mile, "mi")
	add(Area, 1, "m2", "m²")
	add(Area, 1e-6, "mm2", "mm²")
	add(Area, 1e-4, "cm2", "cm²")
	add(Area, inch*inch, "in2", "in²")
	add(Area, foot*foot, "ft2", "ft²")
	add(Speed, 1, "m/s")
	add(Speed, foot, "ft/s")
	add(Speed, foot/60, "ft/min")
	add(Speed, 1.0/60, "m/min")
	add(Speed, 1.0/3.6, "km/h")
	add(Speed, 1e-3, "mm/s")
	add(Acceleration, 1, "m/s2", "m/s²")
	add(Acceleration, float64(StandardGravity), "gn")
	add(Acceleration, foot, "ft/s2", "ft/s²")
	add(Time, 1, "s")
	add(Time, 1e-3, "ms")
	add(Time, 60, "min")
	add(Time, 3600, "h")
	add(Time, 86400, "d")
	add(Time, 365.25*86400, "y") // Julian
	add(RotationSpeed, 1, "rad/s")
	add(RotationSpeed, 2*math.Pi/60, "rpm", "r/min", "rev/min")
	add(RotationSpeed, 2*math.Pi, "rev/s", "r/s")
	add(RotationSpeed, math.Pi/180, "deg/s", "°/s")
	add(Inertia, 1, "kg.m2", "kg·m²", "kg m2")
	add(Inertia, pound*foot*foot, "lb.ft2", "lb·ft²")
	add(Inertia, lbf*foot, "slug.ft2", "slug·ft²", "lbf.ft.s2")
	add(Inertia, lbf*inch, "lbf.in.s2")
	add(Mass, 1, "kg")
	add(Mass, tonne, "t")
	add(Mass, 1e-3, "g")
	add(Mass, pound, "lb", "lbm")
	add(Mass, 1e3*pound, "klb")
	add(Mass, 2000*pound, "short_ton")
	add(MassPerLength, 1, "kg/m")
	add(MassPerLength, pound/foot, "lb/ft")
	add(Force, 1, "N")
	add(Force, 1e3, "kN")
	add(Force, 1e6, "MN")
	add(Force, 1e4, "kdaN")
	add(Force, 10, "daN")
	add(Force, lbf, "lbf")
	add(Force, 1e3*lbf, "klbf", "kip")
	add(Force, float64(StandardGravity), "kgf")
	add(Force, 2000*lbf, "short_tonf")
	add(Force, tonne*float64(StandardGravity), "tf")
	add(Torque, 1, "N.m", "N·m")
	add(Torque, 1e3, "kN.m", "kN·m")
	add(Torque, lbf*foot, "lbf.ft", "ft.lbf", "ft-lbf")
	add(Torque, 1e3*lbf*foot, "klbf.ft", "kft.lbf")
	add(Torque, lbf*inch, "lbf.in", "in.lbf")
	add(Torque, 1e6, "MN.m", "MN·m")
	add(Torque, 10, "daN.m", "daN·m")
	add(Pressure, 1, "Pa")
	add(Pressure, 1e3, "kPa")
	add(Pressure, 1e6, "MPa")
	add(Pressure, 1e9, "GPa")
	add(Pressure, 1e5, "bar")
	add(Pressure, 1e2, "mbar")
	add(Pressure, lbf/(inch*inch), "psi")
	add(Pressure, 1e3*lbf/(inch*inch), "ksi")
	add(Pressure, 1e6*lbf/(inch*inch), "Mpsi")
	add(Pressure, 101325, "atm")
	add(Pressure, 1e4*float64(StandardGravity), "kgf/cm2", "kgf/cm²")
	add(Energy, 1, "J")
	add(Energy, 1e3, "kJ")
	add(Energy, 1e6, "MJ")
	add(Energy, 1e9, "GJ")
	add(Energy, 3.6e6, "kWh")
	add(Energy, lbf*foot, "lbf-ft")
	add(Energy, btu, "Btu")
	add(Energy, tonMile, "ton-mile", "ton.mi", "ton·mi")
	add(Energy, 1e6*float64(StandardGravity), "t.km", "t·km", "tf.km")
	add(EnergyPerLength, 1, "J/m")
	add(EnergyPerLength, tonMile/foot, "ton-mile/ft", "ton·mi/ft")
	add(EnergyPerLength, 1e6, "MJ/m")
	add(Power, 1, "W")
	add(Power, 1e3, "kW")
	add(Power, 1e6, "MW")
	add(Power, 550*foot*lbf, "hp")
	add(Power, 75*float64(StandardGravity), "PS")
	add(Current, 1, "A")
	add(Current, 1e-3, "mA")
	add(SpecificHeat, 1, "J/kg.K", "J/(kg·K)")
	add(SpecificHeat, 1e3, "kJ/kg.K", "kJ/(kg·K)")
	add(SpecificHeat, btu/pound*1.8, "Btu/lb.F", "Btu/(lb·°F)")
	add(HeatTransfer, 1, "W/m2.K", "W/(m²·K)")
	add(HeatTransfer, btu/3600/(foot*foot)*1.8, "Btu/h.ft2.F", "Btu/(h·ft²·°F)")
	add(Angle, 1, "rad")
	add(Angle, math.Pi/180, "deg", "°")
	add(Angle, 2*math.Pi, "rev")
	add(Density, 1, "kg/m3", "kg/m³")
	add(Density, 1e3, "g/cm3", "g/cm³", "sg")
	add(Density, pound/gallon, "ppg", "lb/gal")
	add(Density, pound/(foot*foot*foot), "lb/ft3", "lb/ft³")
	add(VolumeFlow, 1, "m3/s", "m³/s")
	add(VolumeFlow, 1e-3, "L/s")
	add(VolumeFlow, 1e-3/60, "L/min")
	add(VolumeFlow, 1.0/3600, "m3/h", "m³/h")
	add(VolumeFlow, gallon/60, "gal/min", "gpm")
	add(Frequency, 1, "Hz")
	add(Stiffness, 1, "N/m")
	add(Stiffness, 1e3, "kN/m")
	add(Stiffness, 1e6, "MN/m")
	add(Stiffness, lbf/inch, "lbf/in")
	table["K"] = Unit{"K", Temperature, 1, 0}
	for _, s := range []string{"degC", "°C", "C"} {
		table[s] = Unit{s, Temperature, 1, float64(ZeroCelsius)}
	}
	for _, s := range []string{"degF", "°F", "F"} {
		table[s] = Unit{s, Temperature, 5.0 / 9, float64(ZeroCelsius) - 32*5.0/9}
	}
}
