package trial

import (
	"math"
	"strconv"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// falseAlarm is the chance with which a monitor that only just meets a goal may fail
// its row here, by the luck of the cases.
const falseAlarm = 1e-3

// mostOf returns how many of n may go wrong where a share of bad is the goal: the
// smallest k with P(X > k) < falseAlarm for X binomial. So the row is as sharp as the
// count allows and no sharper: at 0.01 one of 10 passes, and 5 of 100.
func mostOf(n int, bad float64) int {
	x := distuv.Binomial{N: float64(n), P: bad}
	k := 0
	for ; k < n && !(1-x.CDF(float64(k)) < falseAlarm); k++ {
	}
	return k
}

// mostAt is the same of a rate, for X Poisson with that mean.
func mostAt(mean float64) int {
	if !(mean > 0) {
		return 0
	}
	x := distuv.Poisson{Lambda: mean}
	k := 0
	for ; !(1-x.CDF(float64(k)) < falseAlarm); k++ {
	}
	return k
}

func TestAllowance(t *testing.T) {
	// By hand: P(X > 4) = 0.0034 and P(X > 5) = 0.0005 for 100 of 0.01; one of 10 leaves
	// P(X > 1) = 0.0043, two 0.0001; with mean 0.1, P(X > 1) = 0.0047, P(X > 2) = 0.0002.
	for _, c := range []struct {
		n    int
		bad  float64
		want int
	}{{100, 0.01, 5}, {10, 0.01, 2}, {0, 0.01, 0}, {1000, 0.001, 5}} {
		if got := mostOf(c.n, c.bad); got != c.want {
			t.Errorf("%d at %g: %d may go wrong, want %d", c.n, c.bad, got, c.want)
		}
	}
	if got := mostAt(0.1); got != 2 {
		t.Errorf("mean 0.1: %d, want 2", got)
	}
}

// goal is a row of the table as it is asserted: a share or rate with the allowance
// that the count asks for, a median or root as it stands.
type goal struct {
	row      string
	asserted bool // the switch
	check    func(s *Scores) (got, most float64)
}

func shareRow(row string, asserted bool, good float64, of func(s *Scores) (right, n int)) goal {
	return goal{row, asserted, func(s *Scores) (float64, float64) {
		right, n := of(s)
		return float64(n - right), float64(mostOf(n, 1-good))
	}}
}

func rateRow(row string, asserted bool, each float64, of func(s *Scores) Figure, per float64) goal {
	return goal{row, asserted, func(s *Scores) (float64, float64) {
		n := float64(s.Stands)
		return math.Round(float64(of(s)) * n / per), float64(mostAt(each * n / per))
	}}
}

func levelRow(row string, asserted bool, most float64, of func(s *Scores) Figure) goal {
	return goal{row, asserted, func(s *Scores) (float64, float64) { return float64(of(s)), most }}
}

// goals are the rows of PHYSICS section 22, each with its switch. A row that is
// switched off is still logged.
var goals = []goal{
	shareRow("rest point inside the 99 % bound", true, goalCoverage, func(s *Scores) (int, int) {
		return int(math.Round(float64(s.BoundCoverage) * float64(s.Stops))), s.Stops
	}),
	levelRow("expected rest point", true, goalExpected, func(s *Scores) Figure { return s.ExpectedError }),
	levelRow("bound over truth, raising", true, goalExcessUp, func(s *Scores) Figure { return s.ExcessUp }),
	levelRow("bound over truth, lowering", true, goalExcessDown, func(s *Scores) Figure { return s.ExcessDown }),
	shareRow("contacts alarmed in time", true, goalInTime, func(s *Scores) (int, int) { return s.InTime, s.Avoidable }),
	{"contacts without any alarm", true, func(s *Scores) (float64, float64) { return float64(s.Silent), 0 }},
	rateRow("nuisance stop-margin alarms", false, goalNuisance, func(s *Scores) Figure { return s.Nuisance }, 1000),
	levelRow("block height, RMS", true, goalHeightRMS, func(s *Scores) Figure { return s.HeightRMS }),
	levelRow("block height, worst", false, goalHeightWorst, func(s *Scores) Figure { return s.HeightWorst }),
	levelRow("brake temperature, RMS", false, goalHeat, func(s *Scores) Figure { return s.HeatRMS }),
	levelRow("brake temperature, not under its bound", true, 1-goalHeatCoverage, func(s *Scores) Figure { return 1 - s.HeatCoverage }),
	levelRow("friction factor, RMS", false, goalFriction, func(s *Scores) Figure { return s.Friction }),
	shareRow("loss of friction found", false, goalFade, func(s *Scores) (int, int) { return s.FadeFound, s.FadeCases }),
	rateRow("fade found falsely", true, goalFalseFade, func(s *Scores) Figure { return s.FadeFalse }, 500),
	shareRow("auxiliary brake lost found", true, goalFound, func(s *Scores) (int, int) { return s.AuxiliaryFound, s.AuxiliaryCases }),
	shareRow("bad sensor found and never believed", false, goalFound, func(s *Scores) (int, int) { return s.SensorFound, s.SensorCases }),
}

// The rows of the trial at a count that a build machine has time for: a seed that
// stays, and today's date, which nobody tuned to.
func TestGoals(t *testing.T) {
	today, err := strconv.ParseUint(time.Now().UTC().Format("20060102"), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	count := 100
	if testing.Short() {
		count = 30
	}
	for _, seed := range []uint64{7001, today} {
		t.Run(strconv.FormatUint(seed, 10), func(t *testing.T) {
			t.Parallel()
			rep, err := Run(t.Context(), options(t, seed, count, 0))
			if err != nil {
				t.Fatal(err)
			}
			missed := false
			for i := range goals {
				g := &goals[i]
				got, most := g.check(&rep.Scores)
				met := got <= most || math.IsNaN(got)
				t.Logf("seed %d, %s: %.4g, at most %.4g; asserted %v", seed, g.row, got, most, g.asserted)
				if g.asserted && !met {
					missed = true
					t.Errorf("seed %d of %d cases, %s: got %.4g, want at most %.4g", seed, count, g.row, got, most)
				}
			}
			for _, f := range rep.Failures {
				if missed {
					t.Log(f)
				}
			}
		})
	}
}
