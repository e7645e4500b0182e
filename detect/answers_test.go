package detect_test

import (
	"fmt"
	"math"
	mathbits "math/bits"
	"os"
	"strings"
	"testing"

	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// mappedAll are the channels that the matrix is about: those of a rig with everything
// that an answer rests on.
var mappedAll = []ingest.Channel{
	ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.DrumCounts,
	ingest.BrakePressure, ingest.AuxiliaryCurrent, ingest.DriveEngaged, ingest.EmergencyPressure,
}

// ways are the ways in which a channel goes bad.
var ways = map[string]func(s *ingest.Sample, c ingest.Channel){
	"lost":         func(s *ingest.Sample, c ingest.Channel) { s.Has &^= 1 << c },
	"null":         func(s *ingest.Sample, c ingest.Channel) { s.Set(c, ingest.BadValue(ingest.Null)) },
	"out of range": func(s *ingest.Sample, c ingest.Channel) { s.Set(c, ingest.BadValue(ingest.OutOfRange)) },
}

// lowerBraked lowers a string at 0.5 m/s from 30 m, on the brake.
func lowerBraked(t float64) (h, v, a float64) { return 30 - 0.5*t, -0.5, 0 }

// answersWithout plays 12 s of lowering on the brake, the channels of bad going bad at
// 6 s, and returns the answers 4 s on.
func answersWithout(t *testing.T, rig *hoist.Rig, bad uint32, way string) ([detect.NumAnswers]detect.Answer, detect.Estimate) {
	b := newBench(t, rig)
	b.load, b.pressure, b.period = 1200e3, 0.3*float64(rig.Service.FullPressure), 0.2
	var all uint32
	for _, c := range mappedAll {
		all |= 1 << c
	}
	b.det = detect.New(rig, all)
	b.bend = func(at float64, s *ingest.Sample) {
		s.Set(ingest.AuxiliaryCurrent, ingest.Number(0.5*float64(rig.Auxiliary.FullCurrent)))
		s.Set(ingest.DriveEngaged, ingest.Number(0))
		s.Set(ingest.EmergencyPressure, ingest.Number(float64(rig.Emergency.ReleasePressure)))
		if at < 6 {
			return
		}
		for _, c := range mappedAll {
			if bad&(1<<c) != 0 {
				ways[way](s, c)
			}
		}
	}
	var answers [detect.NumAnswers]detect.Answer
	var est detect.Estimate
	b.run(10, lowerBraked, func(at, h, v float64, r *detect.Result) {
		answers, est = r.Answers, r.Estimate
	})
	if bad == all { // nothing makes a frame: time passes
		r := b.det.Tick(epoch.Add(10e9))
		answers, est = r.Answers, r.Estimate
	}
	return answers, est
}

// Every combination of bad channels, all 256 of them: what a stop needs and has not is
// blind, what it has is answered, and no number is given that rests on what is gone.
func TestEveryCombinationOfBadChannels(t *testing.T) {
	rig := r1(t)
	for bits := range uint32(1) << len(mappedAll) {
		var bad uint32
		for k, c := range mappedAll {
			if bits&(1<<k) != 0 {
				bad |= 1 << c
			}
		}
		for way := range ways {
			if n := mathbits.OnesCount32(bits); way != "lost" && n > 2 && (bits*7)%3 != 0 {
				continue // of null and out of range: none, every one, every pair, and a third of the rest
			}
			a, e := answersWithout(t, rig, bad, way)
			has := func(c ingest.Channel) bool { return bad&(1<<c) == 0 }
			height := has(ingest.BlockHeight) || has(ingest.DrumCounts)
			why := fmt.Sprintf("%s: %s", way, names(bad))
			if blind := e.Blind&detect.BlindCrown != 0; blind == height {
				t.Fatalf("%s: blind for the crown %v, with a height %v", why, blind, height)
			}
			if height != detect.Known(e.Height) || height != detect.Known(e.RestUpBound) {
				t.Fatalf("%s: height %v, rest bound %v, with a witness of height %v", why, e.Height, e.RestUpBound, height)
			}
			if height && !(math.Abs(e.Height-25) < 0.5) {
				t.Fatalf("%s: height %.2f, true 25", why, e.Height)
			}
			if has(ingest.HookLoad) != detect.Known(e.HookLoad) {
				t.Fatalf("%s: hook load %v", why, e.HookLoad)
			}
			both := has(ingest.BlockHeight) && has(ingest.DrumCounts) && has(ingest.HookLoad)
			if (a[detect.CrownAnswer].Grade == detect.Fair) != both {
				t.Fatalf("%s: crown answer %v", why, a[detect.CrownAnswer])
			}
			for k := range detect.NumAnswers {
				if a[k].Grade != detect.Fair && a[k].Why == "" {
					t.Fatalf("%s: %v is %v and does not say why", why, k, a[k].Grade)
				}
			}
		}
	}
}

func names(bad uint32) string {
	var n []string
	for c := range ingest.NumChannels {
		if bad&(1<<c) != 0 {
			n = append(n, c.String())
		}
	}
	if len(n) == 0 {
		return "nothing bad"
	}
	return strings.Join(n, ", ")
}

// ANSWERS.md holds the matrix, channel by answer; it is what the detector says on a
// bench run, so that it cannot go stale. UPDATE_ANSWERS=1 writes it anew.
func TestAnswersMatrix(t *testing.T) {
	rig := r1(t)
	var b strings.Builder
	b.WriteString("# What is answered when a channel goes bad\n\n" +
		"R1, a string lowered on the brake, everything fitted, the channel bad for 4 s (lost, null or out of\n" +
		"range: the same). `TestAnswersMatrix` writes this and holds it; the page shows it live, in `answers`.\n" +
		"An alarm that stands is held, never cleared, by a bad channel.\n\n| bad |")
	for k := range detect.NumAnswers {
		fmt.Fprintf(&b, " %v |", k)
	}
	b.WriteString("\n|---|" + strings.Repeat("---|", int(detect.NumAnswers)) + "\n")
	row := func(name string, bad uint32) {
		a, _ := answersWithout(t, rig, bad, "lost")
		for _, way := range []string{"null", "out of range"} {
			if other, _ := answersWithout(t, rig, bad, way); other != a {
				t.Errorf("%s %s: got %v, lost gives %v", name, way, other, a)
			}
		}
		fmt.Fprintf(&b, "| %s |", name)
		for k := range detect.NumAnswers {
			fmt.Fprintf(&b, " %v", a[k].Grade)
			if a[k].Why != "" {
				fmt.Fprintf(&b, ": %s", a[k].Why)
			}
			b.WriteString(" |")
		}
		b.WriteString("\n")
	}
	row("none", 0)
	all := uint32(0)
	for _, c := range mappedAll {
		row(c.String(), 1<<c)
		all |= 1 << c
	}
	row("block_height and drum_counts", 1<<ingest.BlockHeight|1<<ingest.DrumCounts)
	row("drum_speed and drum_counts", 1<<ingest.DrumSpeed|1<<ingest.DrumCounts)
	row("all", all)
	if os.Getenv("UPDATE_ANSWERS") != "" {
		if err := os.WriteFile("ANSWERS.md", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("ANSWERS.md")
	if err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != string(want) {
		t.Errorf("ANSWERS.md is stale, run UPDATE_ANSWERS=1 go test ./detect -run TestAnswersMatrix; got\n%s", got)
	}
}
