package main

import (
	"fmt"
	"slices"
	"strconv"

	"hoistward/alarms/whatif"
	"hoistward/dashboard/report"
	"hoistward/detect/hoist"
)

// reportChanges returns the what-ifs of a report: the settings together, a sweep
// among them apart, or where none stands the standard ones.
func reportChanges(set []string, alarm string) ([]report.Change, *report.SweepPlan, error) {
	if len(set) == 0 {
		return standardChanges(), nil, nil
	}
	sweep, err := (&replayCmd{Set: set, Alarm: alarm}).sweep()
	if err != nil {
		return nil, nil, err
	}
	if sweep != nil {
		return nil, reportSweep(sweep, alarm), nil
	}
	words := "With "
	for i, s := range set {
		key, value, ok := cutSetting(s)
		if !ok {
			return nil, nil, usagef("--set: got %q, want KEY=VALUE, such as drawworks.drive.release=0.6s", s)
		}
		if i > 0 {
			words += ", "
		}
		words += key + " = " + value
	}
	return []report.Change{{Words: words, Make: func(recorded []byte) ([]byte, error) { return changed(recorded, set) }}}, nil, nil
}

// changed makes settings in a rig file and refuses one that they spoil.
func changed(recorded []byte, set []string) ([]byte, error) {
	text, err := setAll(recorded, set)
	if err != nil {
		return nil, err
	}
	if _, err := openRig(text); err != nil {
		return nil, err
	}
	return text, nil
}

func reportSweep(s *sweepPlan, alarm string) *report.SweepPlan {
	plan := &report.SweepPlan{Key: s.key, Alarm: alarm}
	for _, value := range s.values {
		settings := append(slices.Clone(s.fixed), s.key+"="+value)
		plan.Lanes = append(plan.Lanes, whatif.Lane{Value: value, Change: func(recorded []byte) ([]byte, error) { return changed(recorded, settings) }})
	}
	return plan
}

// standardChange is one step away from the rig file as recorded.
type standardChange struct {
	words string
	key   string
	unit  string
	value func(*hoist.Rig) float64
}

// standardChanges are what an engineer asks first: a brake that comes later or grips
// less, a drive that lets go later, limits with more room, and a hook load that is known
// less well.
func standardChanges() []report.Change {
	var list []report.Change
	for _, c := range []standardChange{
		{"Brake dead time 0.2 s longer", "brakes.service.dead_time", "s", func(r *hoist.Rig) float64 { return float64(r.Service.DeadTime) + 0.2 }},
		{"Lining friction a fifth less", "brakes.service.friction", "", func(r *hoist.Rig) float64 { return r.Service.Friction * 0.8 }},
		{"Drive lets go 0.2 s later", "drawworks.drive.release", "s", func(r *hoist.Rig) float64 { return float64(r.Drawworks.DriveRelease) + 0.2 }},
		{"Crown limit 1 m lower", "mast.crown_limit", "m", func(r *hoist.Rig) float64 { return float64(r.Mast.CrownLimit) - 1 }},
		{"Floor limit 1 m higher", "mast.floor_limit", "m", func(r *hoist.Rig) float64 { return float64(r.Mast.FloorLimit) + 1 }},
		{"Hook load known to 10 %", "uncertainty.hook_load", " %", func(*hoist.Rig) float64 { return 10 }},
	} {
		list = append(list, report.Change{Words: fmt.Sprintf("%s (%s)", c.words, c.key), Make: c.make})
	}
	return list
}

func (c standardChange) make(recorded []byte) ([]byte, error) {
	rig, err := openRig(recorded)
	if err != nil {
		return nil, err
	}
	value := strconv.FormatFloat(c.value(rig), 'f', 4, 64) + c.unit
	return changed(recorded, []string{c.key + "=" + value})
}
