package alarms

import (
	"fmt"
	"math"
	"time"
)

// Service is what the log of proof tests and line service comes to: the newest of
// each kind, and the line's work since. The zero value is a log without an entry.
type Service struct {
	CrownSaver Test      `json:"crown_saver,omitzero"` // newest proof test, passed or not
	Brake      Test      `json:"brake,omitzero"`       // newest holding test
	Slipped    Deed      `json:"line_slipped,omitzero"`
	Cut        Deed      `json:"line_cut,omitzero"`
	Reference  Reference `json:"reference,omitzero"`
	SinceCut   float64   `json:"work_since_cut_J,omitzero"`  // since the line was cut, or since it was first counted
	SinceSlip  float64   `json:"work_since_slip_J,omitzero"` // since line was slipped or cut
}

// Test is one test. A figure that is 0 was not stated or not worked out.
type Test struct {
	At         Instant `json:"at"`
	By         string  `json:"by"`
	Passed     bool    `json:"passed"`
	TripHeight float64 `json:"trip_height_m,omitzero"`
	RunOn      float64 `json:"run_on_m,omitzero"`    // measured
	Predicted  float64 `json:"predicted_m,omitzero"` // run-on for the speed at the trip
	Bound      float64 `json:"bound_m,omitzero"`     // 99 % of stops run on less
	Speed      float64 `json:"speed_mps,omitzero"`   // at the trip
	HookLoad   float64 `json:"hook_load_N,omitzero"` // held
	Pressure   float64 `json:"pressure_Pa,omitzero"` // applied
	Held       float64 `json:"held_s,omitzero"`      // for so long
	Remark     string  `json:"remark,omitempty"`
}

// Deed is one slip or cut of line.
type Deed struct {
	At     Instant `json:"at"`
	By     string  `json:"by"`
	Length float64 `json:"length_m,omitzero"`
	Remark string  `json:"remark,omitempty"`
}

// Reference is a known point of the drum-wrap map, set by a person.
type Reference struct {
	At          Instant  `json:"at"`
	By          string   `json:"by"`
	BlockHeight float64  `json:"block_height_m"`
	Wraps       float64  `json:"wraps"`
	HookLoad    float64  `json:"hook_load_N"`
	Counts      *float64 `json:"counts,omitempty"` // of the encoder then; nil = none came
}

// LineMoved returns when line was last slipped or cut; never = not on record.
func (s *Service) LineMoved() Instant { return max(s.Slipped.At, s.Cut.At) }

// CrownSaverProven says whether a passing proof test of the crown saver is on record
// that is no older than every and newer than any slip or cut of line, and why not.
// every 0 or less asks for a test after each slip or cut alone.
//
// Source of the rule: common practice and some regulations ask for a test each shift,
// others weekly, and after each slip or cut (30 CFR 250.404: weekly and after each
// slip; Alberta OHS Code s. 769: each shift). Local rules come first.
func (s *Service) CrownSaverProven(now Instant, every time.Duration) (proven bool, why string) {
	t := &s.CrownSaver
	switch {
	case t.At == 0:
		return false, "no proof test of the crown saver is on record"
	case !t.Passed:
		return false, "the newest proof test of the crown saver, " + stamp(t.At) + ", failed"
	case s.LineMoved() >= t.At:
		return false, "line was slipped or cut " + stamp(s.LineMoved()) + ", after the newest proof test"
	case every > 0 && now.since(t.At) >= every:
		return false, fmt.Sprintf("the newest proof test of the crown saver, %s, is older than %s", stamp(t.At), hours(every))
	}
	return true, ""
}

// BrakeTested says the same of the brake's holding test. every 0 or less asks for none.
func (s *Service) BrakeTested(now Instant, every time.Duration) (tested bool, why string) {
	t := &s.Brake
	switch {
	case t.At != 0 && !t.Passed:
		return false, "the newest holding test of the brake, " + stamp(t.At) + ", failed"
	case every <= 0:
		return true, ""
	case t.At == 0:
		return false, "no holding test of the brake is on record"
	case now.since(t.At) >= every:
		return false, fmt.Sprintf("the newest holding test of the brake, %s, is older than %s", stamp(t.At), hours(every))
	}
	return true, ""
}

// MapVoid tells whether line was slipped or cut after a reference of the drum-wrap map
// that was set at the given time.
func (s *Service) MapVoid(set Instant) bool { return s.LineMoved() != 0 && s.LineMoved() >= set }

// AddWork adds to the line's work, J. What is not a positive number adds nothing.
func (s *Service) AddWork(work float64) {
	if work > 0 && !math.IsInf(work, 0) {
		s.SinceCut += work
		s.SinceSlip += work
	}
}

func stamp(i Instant) string { return i.Time().Format("2006-01-02 15:04 UTC") }

func hours(d time.Duration) string { return fmt.Sprintf("%g h", d.Hours()) }

// check returns what is wrong with a saved log.
func (s *Service) check() error {
	for _, x := range []float64{s.SinceCut, s.SinceSlip} {
		if !(x >= 0) {
			return fmt.Errorf("line work %g J, want 0 or more", x)
		}
	}
	for _, by := range []struct {
		at  Instant
		who string
	}{{s.CrownSaver.At, s.CrownSaver.By}, {s.Brake.At, s.Brake.By}, {s.Slipped.At, s.Slipped.By}, {s.Cut.At, s.Cut.By}, {s.Reference.At, s.Reference.By}} {
		if (by.at != 0) != (by.who != "") {
			return fmt.Errorf("an entry at %s by %q, want both a time and a person", by.at.Time(), by.who)
		}
	}
	return nil
}
