package detect_test

import (
	"testing"

	"hoistward/configs"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/simulator"
)

// playScenario lets a detector watch a scenario on an example rig and calls see after
// each frame. The monitor is told of the rig as the scenario fits it; the plant differs
// from that, by seed, as far as the rig file says is uncertain.
func playScenario(t testing.TB, name, rigName string, seed uint64, change func(*simulator.Scenario), see func(x *simulator.Truth, d *detect.Detector, r *detect.Result)) *hoist.Rig {
	t.Helper()
	base, _, err := configs.LoadRig(rigName)
	if err != nil {
		t.Fatal(err)
	}
	s, err := simulator.LoadScenario(name)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(s)
	}
	run, err := simulator.New(base, s, seed)
	if err != nil {
		t.Fatal(err)
	}
	rig := s.Fit(base)
	mapped := uint32(0)
	for _, c := range s.Channels {
		if c != ingest.DrumCounts || rig.Drawworks.Encoder.CountsPerRevolution > 0 {
			mapped |= 1 << c
		}
	}
	d := detect.New(rig, mapped)
	var frames ingest.Assembler
	var x simulator.Truth
	for {
		var reading ingest.Sample
		if !run.Next(&reading, &x) {
			return rig
		}
		if f, _ := frames.Add(&reading, reading.Time); f != nil {
			see(&x, d, d.Step(f))
		}
	}
}

// raised collects when each finding came up.
type raised map[detect.Kind][]float64

func (w raised) see(x *simulator.Truth, _ *detect.Detector, r *detect.Result) {
	for k := range detect.NumKinds {
		if r.Findings[k].Condition == detect.Present {
			n := len(w[k])
			if n == 0 || w[k][n-1] < 0 {
				w[k] = append(w[k], x.Time)
			}
		} else if n := len(w[k]); n > 0 && w[k][n-1] >= 0 {
			w[k][n-1] = -w[k][n-1] - 1e-9
		}
	}
}
