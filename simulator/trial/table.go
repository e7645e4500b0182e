package trial

import (
	"fmt"
	"io"
	"math"
	"strconv"
)

// Figure is a score; NaN is "nothing to judge" and is null in JSON, as is a score
// without bound.
type Figure float64

// MarshalJSON writes the shortest text that reads back as the same number.
func (f Figure) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(f)) || math.IsInf(float64(f), 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(f), 'g', -1, 64), nil
}

// Scores are the figures of one trial.
type Scores struct {
	Seed  uint64 `json:"seed"`
	Count int    `json:"count"` // cases played

	Stops         int    `json:"stops"`            // judged
	BoundCoverage Figure `json:"bound_coverage"`   // share of them that came to rest inside the bound
	ExpectedError Figure `json:"expected_error_m"` // median absolute, from 0.5 m/s
	ExcessUp      Figure `json:"bound_excess_up_m"`
	ExcessDown    Figure `json:"bound_excess_down_m"` // auxiliary brake lost at the trip

	Contacts  int `json:"contacts"`
	Avoidable int `json:"contacts_avoidable"`
	InTime    int `json:"contacts_in_time"`
	Silent    int `json:"contacts_silent"` // avoidable, and no alarm at all

	Stands   int    `json:"stands"` // ordinary
	Nuisance Figure `json:"nuisance_per_1000_stands"`

	HeightRMS   Figure `json:"height_rms_mm"`
	HeightWorst Figure `json:"height_worst_mm"`

	HeatRMS      Figure `json:"brake_temperature_rms_K"`
	HeatCoverage Figure `json:"brake_temperature_coverage"`
	Friction     Figure `json:"friction_rms"`

	FadeCases int    `json:"fade_cases"`
	FadeFound int    `json:"fade_found"`
	FadeFalse Figure `json:"fade_false_per_500_stands"`

	AuxiliaryCases int `json:"auxiliary_lost_cases"`
	AuxiliaryFound int `json:"auxiliary_lost_found"`

	FalseEmergency int `json:"false_emergency_alarms"` // in ordinary stands and before a loss; stop margin apart

	SensorCases int `json:"bad_sensor_cases"`
	SensorFound int `json:"bad_sensor_found"`
}

// Verdict says whether a goal is met.
type Verdict uint8

// The verdicts.
const (
	NothingToJudge Verdict = iota
	Missed
	Met
)

// String returns the word of the table.
func (v Verdict) String() string { return [...]string{"nothing to judge", "missed", "met"}[v] }

// Row is one line of the table.
type Row struct {
	Score, Got, Goal string
	Verdict          Verdict
}

// Goals of PHYSICS section 22.
const (
	goalCoverage     = 0.99
	goalExpected     = 0.15
	goalExcessUp     = 0.35
	goalExcessDown   = 0.60
	goalInTime       = 0.999
	goalNuisance     = 1.0
	goalHeightRMS    = 20.0
	goalHeightWorst  = 50.0
	goalHeat         = 15.0
	goalHeatCoverage = 0.95
	goalFriction     = 0.02
	goalFalseFade    = 1.0
	goalFade         = 0.99 // "found within 2 applications", held to the 99 % of its neighbours
	goalFound        = 0.99
)

// Rows returns the table.
func (s *Scores) Rows() []Row {
	r := []Row{
		atLeast("rest point inside the 99 % bound", float64(s.BoundCoverage), goalCoverage, fmt.Sprintf("of %d stops", s.Stops)),
		atMost("expected rest point, median error, from 0.5 m/s", float64(s.ExpectedError), goalExpected, "%.3f", "m"),
		atMost("bound over truth, raising, median, from 0.5 m/s", float64(s.ExcessUp), goalExcessUp, "%.3f", "m"),
		atMost("bound over truth, lowering, retarding lost, median", float64(s.ExcessDown), goalExcessDown, "%.3f", "m"),
		atLeast("avoidable contacts alarmed 1 s before the last moment", share(s.InTime, s.Avoidable), goalInTime, fmt.Sprintf("of %d", s.Avoidable)),
		{"avoidable contacts without any alarm", strconv.Itoa(s.Silent), "0", verdict(s.Silent == 0, s.Avoidable > 0)},
		below("stop-margin alarms a 1,000 ordinary stands", float64(s.Nuisance), goalNuisance, s.Stands),
		atMost("block height, RMS", float64(s.HeightRMS), goalHeightRMS, "%.1f", "mm"),
		atMost("block height, worst", float64(s.HeightWorst), goalHeightWorst, "%.1f", "mm"),
		atMost("brake temperature after 2 h, RMS", float64(s.HeatRMS), goalHeat, "%.1f", "K"),
		atLeast("brake temperature under its bound", float64(s.HeatCoverage), goalHeatCoverage, ""),
		atMost("friction factor after three applications, RMS", float64(s.Friction), goalFriction, "%.4f", ""),
		atLeast("25 % of friction lost, found in 2 applications", share(s.FadeFound, s.FadeCases), goalFade, fmt.Sprintf("of %d", s.FadeCases)),
		below("fade found falsely, a 500 ordinary stands", float64(s.FadeFalse), goalFalseFade, s.Stands),
		atLeast("auxiliary brake lost, found in 1.0 s", share(s.AuxiliaryFound, s.AuxiliaryCases), goalFound, fmt.Sprintf("of %d", s.AuxiliaryCases)),
		atLeast("bad sensor found and never believed", share(s.SensorFound, s.SensorCases), goalFound, fmt.Sprintf("of %d", s.SensorCases)),
	}
	return r
}

func verdict(good, judged bool) Verdict {
	switch {
	case !judged:
		return NothingToJudge
	case good:
		return Met
	}
	return Missed
}

// atLeast is a row of a share; the comparison is such that NaN fails.
func atLeast(score string, got, goal float64, of string) Row {
	text := "–"
	if !math.IsNaN(got) {
		text = fmt.Sprintf("%.2f %%", 100*got)
		if of != "" {
			text += " " + of
		}
	}
	return Row{score, text, fmt.Sprintf("≥ %g %%", 100*goal), verdict(got >= goal, !math.IsNaN(got))}
}

func atMost(score string, got, goal float64, format, unit string) Row {
	text, limit := "–", fmt.Sprintf("≤ %g", goal)
	if !math.IsNaN(got) {
		text = fmt.Sprintf(format, got)
		if unit != "" {
			text += " " + unit
		}
	}
	if unit != "" {
		limit += " " + unit
	}
	return Row{score, text, limit, verdict(got <= goal, !math.IsNaN(got))}
}

func below(score string, got, goal float64, stands int) Row {
	text := "–"
	if !math.IsNaN(got) {
		text = fmt.Sprintf("%.2f in %d stands", got, stands)
	}
	return Row{score, text, fmt.Sprintf("< %g", goal), verdict(got < goal, !math.IsNaN(got))}
}

// WriteFailures writes, row by row in the order in which they first failed, how many
// answers were not good enough and the first few of them.
func WriteFailures(w io.Writer, all []Failure, most int) error {
	var rows []string
	of := map[string][]Failure{}
	for _, f := range all {
		if of[f.Row] == nil {
			rows = append(rows, f.Row)
		}
		of[f.Row] = append(of[f.Row], f)
	}
	for _, row := range rows {
		if _, err := fmt.Fprintf(w, "\n%s: %d not good enough\n", row, len(of[row])); err != nil {
			return err
		}
		for _, f := range of[row][:min(most, len(of[row]))] {
			if _, err := fmt.Fprintf(w, "  %v\n", f); err != nil {
				return err
			}
		}
	}
	return nil
}

// WriteTable writes the scores for people.
func (s *Scores) WriteTable(w io.Writer) error {
	_, err := fmt.Fprintf(w, "trial of %d cases, seed %d\n\n%-56s %-24s %-10s %s\n", s.Count, s.Seed, "score", "got", "goal", "verdict")
	for _, r := range s.Rows() {
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(w, "%-56s %-24s %-10s %s\n", r.Score, r.Got, r.Goal, r.Verdict)
	}
	return err
}
