//go:build linux || darwin

package detect_test

import (
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"hoistward/configs"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
	"hoistward/simulator"
)

// played is what a rig's instruments said in a scenario, as frames.
type played struct {
	name   string
	rig    *hoist.Rig
	mapped uint32
	frames []ingest.Frame
}

// play lets a scenario run for so long; hot starts it with the brake at 320 °C.
func play(t testing.TB, name, rigName string, seed uint64, length time.Duration, hot bool) played {
	t.Helper()
	base, _, err := configs.LoadRig(rigName)
	if err != nil {
		t.Fatal(err)
	}
	s, err := simulator.LoadScenario(name)
	if err != nil {
		t.Fatal(err)
	}
	if hot {
		s.Initial.BrakeTemp = float64(units.FromCelsius(320))
		if !slices.Contains(s.Channels, ingest.BrakeTemperature) {
			s.Channels = append(s.Channels, ingest.BrakeTemperature)
		}
	}
	run, err := simulator.New(base, s, seed)
	if err != nil {
		t.Fatal(err)
	}
	p := played{name: name, rig: s.Fit(base)}
	for _, c := range s.Channels {
		if c != ingest.DrumCounts || p.rig.Drawworks.Encoder.CountsPerRevolution > 0 {
			p.mapped |= 1 << c
		}
	}
	var frames ingest.Assembler
	var x simulator.Truth
	for {
		var reading ingest.Sample
		if !run.Next(&reading, &x) || x.Time > length.Seconds() {
			return p
		}
		if f, _ := frames.Add(&reading, reading.Time); f != nil {
			p.frames = append(p.frames, *f)
		}
	}
}

// BenchmarkStepMix is the cost of a frame in what a rig does, from frames that the
// simulator's plant made: each scenario of ordinary work, all of them one after the
// other on rigs with disc and with band brakes (mix), and the dearest case, a brake so
// hot that each stop goes along the slope of the fade curve (hot).
func BenchmarkStepMix(b *testing.B) {
	const length = 10 * time.Minute
	ordinary := []string{"trip-out", "trip-in", "casing-run", "drill-stand", "ream-stand"}
	var mix []played
	for _, name := range ordinary {
		for _, rig := range []string{"R1", "R2"} {
			p := play(b, name, rig, 7, length, false)
			mix = append(mix, p)
			if rig == "R1" {
				b.Run(name, func(b *testing.B) { stepThrough(b, []played{p}) })
			}
		}
	}
	b.Run("mix", func(b *testing.B) { stepThrough(b, mix) })
	hot := []played{play(b, "trip-in", "R1", 7, length, true), play(b, "trip-in", "R2", 7, length, true)}
	b.Run("hot", func(b *testing.B) { stepThrough(b, hot) })
}

func stepThrough(b *testing.B, list []played) {
	b.ReportAllocs()
	k, at := 0, 0
	d := detect.New(list[0].rig, list[0].mapped)
	start := processor(b)
	for b.Loop() {
		if at == len(list[k].frames) {
			k, at = (k+1)%len(list), 0
			d = detect.New(list[k].rig, list[k].mapped)
		}
		d.Step(&list[k].frames[at])
		at++
	}
	b.ReportMetric(float64(processor(b)-start)/float64(b.N), "cpu-ns/op")
}

// processor returns the processor time that the process has had: on a machine with
// other work it says more than the clock on the wall.
func processor(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkStepRigs is the cost of a frame where so many rigs take turns: what caches
// make of it. Every rig is at another place of the same trip.
func BenchmarkStepRigs(b *testing.B) {
	p := play(b, "trip-in", "R1", 7, 5*time.Minute, false)
	for _, rigs := range []int{1, 10, 100, 1000} {
		b.Run(strconv.Itoa(rigs), func(b *testing.B) {
			list := make([]*detect.Detector, rigs)
			at := make([]int, rigs)
			renew := func(k, from int) {
				list[k], at[k] = detect.New(p.rig, p.mapped), from
			}
			for k := range list {
				renew(k, k*37%(len(p.frames)/2))
				for range 20 {
					list[k].Step(&p.frames[at[k]])
					at[k]++
				}
			}
			b.ResetTimer()
			start, k := processor(b), 0
			for range b.N {
				if at[k] == len(p.frames) {
					renew(k, 0)
				}
				list[k].Step(&p.frames[at[k]])
				at[k]++
				k = (k + 1) % rigs
			}
			b.ReportMetric(float64(processor(b)-start)/float64(b.N), "cpu-ns/op")
		})
	}
}
