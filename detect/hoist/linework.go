package hoist

import (
	"math"

	"hoistward/ingest/units"
)

// TonMile is the trade's unit of drilling-line work, 2000 lbf over a mile, in J;
// exact by definition.
const TonMile units.Joule = 2000 * 0.45359237 * 9.80665 * 5280 * 0.3048

// LineWork adds up the work of the drilling line as the block moves, raising and
// lowering alike:
//
//	T = Σ ½ (W_i + W_{i+1}) |h_{i+1} − h_i|
//
//	W  hook load N; h block height m
//
// Its zero value is ready. A reading that is not known parts the sum: the travel
// across it is not counted, but its length is kept in Missed.
//
// Source: ton-miles as defined by API RP 9B, before the depth formulas.
type LineWork struct {
	Total  units.Joule
	Missed units.Metre // travel without a known hook load
	height units.Metre
	load   units.Newton
	begun  bool
}

// Add takes the next height and hook load and returns the total.
func (w *LineWork) Add(height units.Metre, hookLoad units.Newton) units.Joule {
	if math.IsNaN(float64(height)) || math.IsInf(float64(height), 0) {
		return w.Total
	}
	if w.begun {
		travel := units.Metre(math.Abs(float64(height - w.height)))
		if work := float64(w.load+hookLoad) / 2 * float64(travel); work >= 0 {
			w.Total += units.Joule(work)
		} else {
			w.Missed += travel
		}
	}
	w.height, w.load, w.begun = height, hookLoad, true
	return w.Total
}

// Trip is what the depth formulas of line work need to know of string and hoist.
type Trip struct {
	Stand      units.Metre            // length of one stand; of one joint for casing
	Pipe       units.KilogramPerMetre // buoyed, of pipe or casing
	Travelling units.Kilogram         // block, hook and what hangs there
	Collars    units.Kilogram         // buoyed excess of the bottom assembly over as much pipe, C
}

// RoundTrip returns the line's work of one round trip from a depth:
//
//	T = g [D (L + D) w + 4 D (M + C/2)]
//
//	D  depth m; L stand m; w buoyed pipe kg/m
//	M  travelling assembly kg; C collars' excess kg
//
// The stand-by-stand sum gives the first term exactly.
//
// Source: API RP 9B form; Lapeyrouse, Formulas and Calculations for Drilling,
// 2nd ed. p. 44. 5500 ft, 94 ft, 11.27 lb/ft, 95,000 lb and 26,866 lb give 258.75
// ton-miles.
func (t Trip) RoundTrip(depth units.Metre) units.Joule {
	d := float64(depth)
	return units.Joule(float64(units.StandardGravity) *
		(d*(float64(t.Stand)+d)*float64(t.Pipe) + 4*d*(float64(t.Travelling)+float64(t.Collars)/2)))
}

// Ways of drilling a hole, by how often the string goes over each stand.
const (
	DrilledOnly   = 2.0
	ReamedOnce    = 3.0
	ReamedTwice   = 4.0
	coringRepeats = 2.0
)

// Drilling returns the work of drilling from one depth to another: k (T2 − T1), k
// [DrilledOnly], [ReamedOnce] or [ReamedTwice]. Source: as [Trip.RoundTrip].
func (t Trip) Drilling(from, to units.Metre, k float64) units.Joule {
	return units.Joule(k) * (t.RoundTrip(to) - t.RoundTrip(from))
}

// Coring returns the work of coring from one depth to another: 2 (T4 − T3).
// Source: as [Trip.RoundTrip].
func (t Trip) Coring(from, to units.Metre) units.Joule {
	return t.Drilling(from, to, coringRepeats)
}

// ShortTrip returns the work of a short trip from the deeper to the shallower
// depth and back: T6 − T5. Source: as [Trip.RoundTrip].
func (t Trip) ShortTrip(deep, shallow units.Metre) units.Joule {
	return t.RoundTrip(deep) - t.RoundTrip(shallow)
}

// SettingCasing returns the work of running casing to a depth, half a round trip
// without collars:
//
//	T = ½ g [D (L + D) w + 4 D M]
//
// A widely copied handbook prints D M for 4 D M and gives less than half (50.73
// for 120.90 ton-miles in its example). The form here is that of the work itself:
// a one-way run moves the block over 2 D.
//
// Source: API RP 9B form (½ T_r with C = 0).
func (t Trip) SettingCasing(depth units.Metre) units.Joule {
	t.Collars = 0
	return t.RoundTrip(depth) / 2
}

// BuoyancyFactor returns the part of a steel string's weight that hangs in mud:
// 1 − ρ_mud/ρ_steel, with 65.5 ppg (7849 kg/m³) for steel.
//
// Source: the trade's usual form, (65.5 − ppg)/65.5.
func BuoyancyFactor(mud units.KilogramPerMetre3) float64 {
	const steel = 65.5 * 0.45359237 / (231 * 0.0254 * 0.0254 * 0.0254)
	return 1 - float64(mud)/steel
}

// cutGoals is the goal of line work a length of line cut at a design factor of 5,
// by line diameter in sixteenths of an inch, in ton-miles a foot. The series is
// published (375 to 1501 MJ/m); its place on the sizes is from memory, not
// confirmed.
var cutGoals = []struct{ sixteenths, goal float64 }{
	{16, 8}, {18, 12}, {20, 16}, {22, 20}, {24, 24}, {26, 28}, {28, 32},
}

// CutGoal returns the goal of line work for each metre of line that is cut, at a
// design factor of 5, straight between the sizes 1 in to 1-3/4 in: 8, 12, 16, 20,
// 24, 28, 32 ton-miles a foot. Other sizes give NaN. At another design factor the
// goal differs by the standard's curve, which is not reproduced here; a first cut
// is often made early; and inspection of the line overrides any goal.
//
// Source: API RP 9B service goals as on a published cut-off sheet.
func CutGoal(line units.Metre) units.JoulePerMetre {
	x := float64(line) / 0.0254 * 16
	for i := 1; i < len(cutGoals); i++ {
		a, b := cutGoals[i-1], cutGoals[i]
		if x >= a.sixteenths-0.1 && x <= b.sixteenths+0.1 {
			goal := a.goal + (b.goal-a.goal)*(x-a.sixteenths)/(b.sixteenths-a.sixteenths)
			return units.JoulePerMetre(goal * float64(TonMile) / 0.3048)
		}
	}
	return units.JoulePerMetre(math.NaN())
}

// CutLength returns the length of line to cut nearest to a wanted one that is a
// quarter, half or three quarters past a whole number of drum laps, and the laps:
//
//	L = (m + ¼, ½ or ¾) π D_1
//
// so that the points of most wear, at crossovers and lap points, move on.
//
// Source: common practice for slip and cut (from memory, not confirmed).
func (u Drum) CutLength(want, line units.Metre) (length units.Metre, laps float64) {
	lap := math.Pi * float64(u.LayerDiameter(1, line))
	quarters := math.Round(float64(want) / lap * 4)
	if math.Mod(quarters, 4) == 0 {
		if float64(want)/lap*4 < quarters && quarters > 0 {
			quarters--
		} else {
			quarters++
		}
	}
	return units.Metre(quarters / 4 * lap), quarters / 4
}
