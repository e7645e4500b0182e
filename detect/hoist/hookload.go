package hoist

import (
	"fmt"
	"math"

	"hoistward/ingest/units"
)

// HookLoadFrom returns the hook load that a dead-line tension tells, and its
// standard deviation from not knowing which way the sheaves' friction acts.
//
// With the block moving and settled the direction's own factor holds and the
// deviation is 0. At rest, or where the direction has just changed and not every
// sheave has rolled since, the truth lies anywhere between the raising and the
// lowering value:
//
//	low = F_d/(F_d/W)_lowering, high = F_d/(F_d/W)_raising
//	W = (low + high)/2, σ = (high − low)/√12
//
// At n = 10, K = 1.04 the deviation is 10 % of the load. F_d not known gives NaN.
//
// Source: [Reeving.DeadLineFactor]; σ of a uniform distribution.
func (r Reeving) HookLoadFrom(deadLine units.Newton, d Direction, settled bool) (load, sd units.Newton) {
	if d != Static && settled {
		return r.HookLoad(deadLine, d), 0
	}
	low, high := r.HookLoad(deadLine, Lowering), r.HookLoad(deadLine, Raising)
	return (low + high) / 2, units.Newton(math.Abs(float64(high-low)) / math.Sqrt(12))
}

// SheaveFactorFromHysteresis returns the sheave factor K that dead-line tensions
// tell, taken at equal load and steady speed in both directions:
//
//	F_d,lower/F_d,raise = K^(n−1),  K = (F_d,lower/F_d,raise)^(1/(n−1))
//	σ_K = K/(n−1) · √2 σ_F
//
//	n    lines; a dead-line sheave that does not turn
//	σ_F  relative standard deviation of one tension    –
//
// A ratio below 1, which no friction gives, tensions not above 0 or fewer than 2
// lines are an error.
//
// Source: quotient of the two dead-line factors; derived here.
func SheaveFactorFromHysteresis(raising, lowering units.Newton, lines int, relativeSD float64) (k, sd float64, err error) {
	switch ratio := float64(lowering / raising); {
	case !(raising > 0 && lowering > 0) || math.IsInf(ratio, 0):
		return 0, 0, fmt.Errorf("dead-line tensions: got %.6g N raising and %.6g N lowering, want both above 0", raising, lowering)
	case lines < 2:
		return 0, 0, fmt.Errorf("lines: got %d, want at least 2", lines)
	case ratio < 1:
		return 0, 0, fmt.Errorf("dead-line tensions: got %.6g N lowering, below the %.6g N raising, want the greater lowering: are they exchanged?", lowering, raising)
	default:
		k = math.Pow(ratio, 1/float64(lines-1))
		return k, k / float64(lines-1) * math.Sqrt2 * relativeSD, nil
	}
}

// MastLoad returns the load on the mast while raising at steady speed: hook load,
// fast line and dead line.
//
//	F_D = W (1 + e + e n)/(e n)
//
//	W  hook load N; e efficiency; n lines
//
// The dead line is taken at W/n, as the trade's texts do.
//
// Source: SPE textbook (Applied Drilling Engineering, example 1.1): 300,000 lbf, 8
// lines, e 0.841 give 382,090 lbf.
func (r Reeving) MastLoad(hookLoad units.Newton) units.Newton {
	return mastLoad(hookLoad, r.Lines, r.Efficiency())
}

func mastLoad(w units.Newton, lines int, e float64) units.Newton {
	n := float64(lines)
	return units.Newton(float64(w) * (1 + e + e*n) / (e * n))
}

// fastLine returns the fast line's tension W/(n e) for a stated efficiency.
func fastLine(w units.Newton, lines int, e float64) units.Newton {
	return units.Newton(float64(w) / (float64(lines) * e))
}

// EquivalentMastLoad returns the greatest equivalent load, four times that of the
// most loaded leg, with the dead line at one leg: W (n+4)/n.
//
// Source: SPE textbook, as [Reeving.MastLoad].
func (r Reeving) EquivalentMastLoad(hookLoad units.Newton) units.Newton {
	n := float64(r.Lines)
	return units.Newton(float64(hookLoad) * (n + 4) / n)
}

// HookPower returns the power at the hook from the power into the block and
// tackle: e P. Source: as [Reeving.Efficiency].
func (r Reeving) HookPower(input units.Watt) units.Watt {
	return units.Watt(r.Efficiency()) * input
}

// HoistingSpeed returns the block's steady speed at a power into the block and
// tackle and a hook load: v = e P/W. Without a load it is +Inf.
//
// Source: as [Reeving.Efficiency]; 12 lines, e 0.77, 1500 hp and 1,000,000 lbf give
// 38.1 ft/min (published course solution).
func (r Reeving) HoistingSpeed(input units.Watt, hookLoad units.Newton) units.MetrePerSecond {
	return units.MetrePerSecond(float64(r.HookPower(input)) / float64(hookLoad))
}
