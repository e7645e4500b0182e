package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// RepeatedStops returns peak, trough and mean temperature rise over the air that
// equal stops settle at:
//
//	peak = ΔT/(1 − e^{−t1/τ}),  trough = peak − ΔT,  mean = ΔT τ/t1
//
//	ΔT  rise of one stop K; t1 time from stop to stop s; τ = m c/(h A) s
//
// It holds for one lump and a constant coefficient.
//
// Source: geometric sum of decaying steps. 48.75 K every 180 s with τ 10,259 s give
// 279.9, 275.0 and 277.5 K times the heat's share.
func RepeatedStops(rise units.Kelvin, every, tau units.Second) (peak, trough, mean units.Kelvin) {
	x := float64(every / tau)
	peak = rise / units.Kelvin(-math.Expm1(-x))
	return peak, peak - rise, rise / units.Kelvin(x)
}

// SurfaceFlash returns how far the friction surface rises over the bulk at its
// hottest in a stop of falling power:
//
//	ΔT = 0.532 q0 √t_s/√(k ρ c)
//
//	q0  heat flux at the start W/m²; t_s stop time s
//	k ρ c  of the disc: conductivity W/(m·K), density kg/m³, specific heat J/(kg·K)
//
// It holds while heat does not reach the other side (about 40 s for 25 mm of iron).
//
// Source: half space under a linearly falling flux, derived; brake texts print
// √(5/18) = 0.527.
func SurfaceFlash(flux float64, stop units.Second, conductivity, density, specificHeat float64) units.Kelvin {
	return units.Kelvin(0.532 * flux * math.Sqrt(float64(stop)) / math.Sqrt(conductivity*density*specificHeat))
}

// WaterCooling returns the heat that a water flow carries off over a temperature
// rise: ṁ c_w ΔT, water at 1000 kg/m³ and 4186 J/(kg·K).
//
// Source: heat balance. 1 L/s and 20 K give 83.7 kW.
func WaterCooling(flow units.CubicMetrePerSecond, rise units.Kelvin) units.Watt {
	return units.Watt(waterHeat * float64(flow) * float64(rise))
}

// Pace is the heat of the last stands: what each brings to the brake, how long it
// takes and how fast the drum turns on average.
type Pace struct {
	HeatPerStand units.Joule
	TimePerStand units.Second
	DrumSpeed    units.RadianPerSecond
}

// Forecast is where a pace leads.
type Forecast struct {
	Settles       units.Kelvin // peak temperature in the end
	StandsToAmber float64      // stands until the peak passes amber; 0 = it does already, +Inf = never
	StandsToRed   float64
}

// mostStands is as far as a forecast counts; a later passing is "never" in a trip.
const mostStands = 2000

// Forecast returns where the friction ring's temperature goes at a pace: each stand
// heats the brake at once by E/(m c), then it cools over the stand's time as
// [TwoNode.Step]. Where it settles is found from the balance of heat:
//
//	E/t1 = h_r A_r (T − T0) + h_b A_b (T − T0) + ṁ c_w η (T − T_w),  peak ≈ T + ½ E/(m c)
//
// A pace without time or heat settles at the air. Not known gives NaN throughout.
//
// Source: as [TwoNode] and [RepeatedStops].
func (n TwoNode) Forecast(pace Pace, amber, red units.Kelvin) Forecast {
	step := float64(pace.HeatPerStand) / n.Capacity()
	power := float64(pace.HeatPerStand) / float64(pace.TimePerStand)
	if !(step >= 0 && power >= 0 && n.Ring > 0 && n.Body > 0) || math.IsInf(power, 0) {
		nan := math.NaN()
		return Forecast{units.Kelvin(nan), nan, nan}
	}
	f := Forecast{
		Settles:       n.settles(power, pace.DrumSpeed) + units.Kelvin(step/2),
		StandsToAmber: math.Inf(1), StandsToRed: math.Inf(1),
	}
	peak := max(n.Ring, n.Mean())
	for i := 0.0; i <= mostStands; i++ {
		if peak >= amber && math.IsInf(f.StandsToAmber, 1) {
			f.StandsToAmber = i
		}
		if peak >= red {
			f.StandsToRed = i
			break
		}
		if i > 0 && step > 0 && peak > f.Settles-1e-3 || step == 0 {
			break
		}
		n.Ring += units.Kelvin(step)
		n.Body += units.Kelvin(step)
		peak = n.Mean()
		n.Step(0, pace.DrumSpeed, pace.TimePerStand)
	}
	return f
}

// settles returns the temperature at which losses equal a steady power.
func (n TwoNode) settles(power float64, speed units.RadianPerSecond) units.Kelvin {
	lo, hi := n.Ambient, n.Ambient+5000
	for range 60 {
		mid := (lo + hi) / 2
		n.Ring, n.Body = mid, mid
		ring, body := n.losses(speed)
		if (ring+body)*float64(mid-n.Ambient) < power {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}
