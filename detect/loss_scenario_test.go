package detect_test

import (
	"math"
	"testing"

	"hoistward/detect"
	"hoistward/simulator"
)

// A lining that loses friction is found in its scenario, on a plant drawn by seed. A
// lining that was low from the start has no factor before it to be held against: where
// the auxiliary brake does most of the work it must have lost more before the whole
// interval lies under the mark, and is played with less left than its scenario says.
func TestLossIsFoundInScenarios(t *testing.T) {
	for _, c := range []struct {
		scenario string
		seed     uint64
		left     float64 // 0 = as the scenario says
		from, to float64 // s
	}{
		{"fade", 1, 0, 200, 1200},
		{"oil-on-disc", 1, 0, 100, 300},
		{"oil-on-disc", 2, 0, 100, 300},
		{"glazed-lining", 1, 0.60, 0, 480},
		{"band-brake-worn", 1, 0.50, 0, 480},
	} {
		w := raised{}
		playScenario(t, c.scenario, "R1", c.seed, func(s *simulator.Scenario) {
			if c.left > 0 {
				s.Faults[0].Value = c.left
			}
		}, w.see)
		if len(w[detect.BrakeFade]) == 0 {
			t.Errorf("%s, seed %d: fade not found", c.scenario, c.seed)
			continue
		}
		if at := math.Abs(w[detect.BrakeFade][0]); !(at >= c.from && at <= c.to) {
			t.Errorf("%s, seed %d: fade found at %.1f s, want %.0f to %.0f s", c.scenario, c.seed, at, c.from, c.to)
		}
	}
}

// What ails another part of the hoist is not the lining's fade or creep.
func TestOtherFaultsAreNoFade(t *testing.T) {
	for _, c := range []struct {
		scenario, rig string
		seed          uint64
		found         detect.Kind
	}{
		{"eddy-lost", "R1", 1, detect.AuxiliaryLost},
		{"emergency-drag", "R1", 1, detect.BrakeDrag},
		{"coolant-lost", "R4", 2, detect.CoolantHot},
	} {
		w := raised{}
		playScenario(t, c.scenario, c.rig, c.seed, nil, w.see)
		if len(w[c.found]) == 0 {
			t.Errorf("%s on %s: %v not found", c.scenario, c.rig, c.found)
		}
		for _, k := range []detect.Kind{detect.BrakeFade, detect.BrakeCreep} {
			if len(w[k]) > 0 {
				t.Errorf("%s on %s, seed %d: %v falsely at %.1f s", c.scenario, c.rig, c.seed, k, math.Abs(w[k][0]))
			}
		}
	}
}
