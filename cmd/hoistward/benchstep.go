package main

import (
	"bytes"
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/ingest/record"
	"hoistward/simulator"
)

// step is what one frame costs the detectors of one rig.
func (b *bench) step() error {
	const part = "step"
	for _, name := range []string{"tripping", "overhoist"} {
		samples, mapped, err := scenarioSamples(name, 10*time.Minute)
		if err != nil {
			return err
		}
		rig, _, err := configs.LoadRig("R1")
		if err != nil {
			return configError(err)
		}
		least, allocated, frames := time.Duration(math.MaxInt64), 0.0, 0
		for range stepRuns {
			var took time.Duration
			took, allocated, frames = stepAll(detect.New(rig, mapped), samples)
			least = min(least, took)
		}
		b.most(part, name+": a frame", float64(least.Nanoseconds())/1e3/float64(frames), "µs", 5).
			note("%d frames, the quickest of %d runs; each detector: go test ./detect -run xx -bench .", frames, stepRuns)
		b.most(part, name+": allocations a frame", allocated/float64(frames), "", 0.01)
	}
	return nil
}

// stepRuns is how often a run is repeated: what else the machine does only adds.
const stepRuns = 5

// stepAll takes samples through a detector and returns how long the steps took, and
// what was allocated meanwhile.
func stepAll(d *detect.Detector, samples []ingest.Sample) (took time.Duration, allocated float64, frames int) {
	var gather ingest.Assembler
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	for i := range samples {
		frame, _ := gather.Add(&samples[i], samples[i].Time)
		if frame == nil {
			continue
		}
		begun := time.Now()
		d.Step(frame)
		took += time.Since(begun)
		frames++
	}
	runtime.ReadMemStats(&after)
	return took, float64(after.Mallocs - before.Mallocs), frames
}

// scenarioSamples returns what a simulated rig sends in its first length.
func scenarioSamples(name string, length time.Duration) ([]ingest.Sample, uint32, error) {
	s, err := simulator.LoadScenario(name)
	if err != nil {
		return nil, 0, err
	}
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		return nil, 0, configError(err)
	}
	run, err := simulator.New(rig, s, 7)
	if err != nil {
		return nil, 0, err
	}
	run.Start(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC))
	var all []ingest.Sample
	var sample ingest.Sample
	var truth simulator.Truth
	var mapped uint32
	for run.Elapsed() < length && run.Next(&sample, &truth) {
		all = append(all, sample)
		mapped |= sample.Has
	}
	return all, mapped, nil
}

// replay is how many times as long a replay takes as reading the recording alone.
func (b *bench) replay() error {
	const part, length = "replay", "30m"
	dir, err := b.folder("replay")
	if err != nil {
		return err
	}
	call := func(args ...string) error {
		var out, errs bytes.Buffer
		if code := run(args, &streams{ctx: b.s.ctx, in: strings.NewReader(""), out: &out, err: &errs}); code != exitGood {
			return fmt.Errorf("%v: exit %d: %s", args, code, &errs)
		}
		return nil
	}
	data := filepath.Join(dir, "data")
	if err := call("simulate", "tripping", "--for", length, "--out", data); err != nil {
		return err
	}
	reading, replaying := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64) // the quickest
	entries := 0
	for range 3 {
		entries = 0
		begun := time.Now()
		for _, err := range record.Read(filepath.Join(data, recordingsDir)) {
			if err != nil {
				return err
			}
			entries++
		}
		reading = min(reading, time.Since(begun))
		begun = time.Now()
		if err := call("replay", data, "--quiet"); err != nil {
			return err
		}
		replaying = min(replaying, time.Since(begun))
	}
	b.figure(part, "reading", float64(entries)/reading.Seconds(), "entries/s")
	b.figure(part, "replay", float64(entries)/replaying.Seconds(), "entries/s")
	b.most(part, "replay over reading", replaying.Seconds()/reading.Seconds(), "times", 3)
	return nil
}
