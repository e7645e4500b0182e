package simulator

import (
	"math"
	"testing"
)

// Energy that came in, less what went out, is what is stored: within 0.5 % of
// all that was moved, over ordinary and violent runs.
func TestEnergyBalance(t *testing.T) {
	for _, name := range Scenarios() {
		s, err := LoadScenario(name)
		if err != nil {
			t.Fatal(err)
		}
		if s.Driller.Task == SlipCut {
			continue // the block hangs in the mast meanwhile: work is done by the crane
		}
		run, err := New(r1(), s, 7)
		if err != nil {
			t.Fatal(err)
		}
		run.pl.energy.kept = true
		for run.Next(nil, nil) && run.Elapsed().Seconds() < 300 {
		}
		e := &run.pl.energy
		if e.through <= 0 {
			continue // nothing moved
		}
		off := math.Abs(e.imbalance(run.pl)) / e.through
		if !(off < 0.005) {
			t.Errorf("%s: %.4f %% of %.1f MJ unaccounted for, want below 0.5 %%", name, 100*off, e.through/1e6)
		}
	}
}

// The balance is a real check: a plant that loses 2 % of its brake work shows.
func TestEnergyBalanceBites(t *testing.T) {
	s, err := LoadScenario("trip-in")
	if err != nil {
		t.Fatal(err)
	}
	run, err := New(r1(), s, 7)
	if err != nil {
		t.Fatal(err)
	}
	run.pl.energy.kept = true
	for run.Next(nil, nil) && run.Elapsed().Seconds() < 300 {
	}
	e := &run.pl.energy
	e.aux *= 0.98
	if off := math.Abs(e.imbalance(run.pl)) / e.through; off < 0.005 {
		t.Errorf("2 %% of the auxiliary brake's work missing shows as %.4f %%", 100*off)
	}
}

// What the friction brake did is what the discs were given.
func TestBrakeWorkIsHeat(t *testing.T) {
	s, err := LoadScenario("fade")
	if err != nil {
		t.Fatal(err)
	}
	run, err := New(r1(), s, 3)
	if err != nil {
		t.Fatal(err)
	}
	pl := run.pl
	pl.energy.kept = true
	was := pl.p.heat.ring*pl.heat.ring + pl.p.heat.body*pl.heat.body
	for run.Next(nil, nil) && run.Elapsed().Seconds() < 400 {
	}
	near(t, "heat in over brake work", pl.heat.in/pl.energy.brake, pl.p.heat.share, 0.002)
	is := pl.p.heat.ring*pl.heat.ring + pl.p.heat.body*pl.heat.body
	near(t, "heat kept over heat in less out", (is-was)/(pl.heat.in-pl.heat.out), 1, 1e-6)
}
