//go:build linux || darwin

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"hoistward/ingest/record"
)

// BenchmarkReplayBesideReading replays half an hour of 10 Hz, and says how many times
// as long that takes as reading the recording alone; with HOISTWARD_BENCH_DAY set, a
// day of it, 864,000 frames.
func BenchmarkReplayBesideReading(b *testing.B) {
	length := "30m"
	if os.Getenv("HOISTWARD_BENCH_DAY") != "" {
		length = "24h"
	}
	dir := filepath.Join(b.TempDir(), "data")
	call := func(args ...string) {
		var out, errs bytes.Buffer
		if code := run(args, &streams{ctx: b.Context(), out: &out, err: &errs}); code != exitGood {
			b.Fatalf("%v: exit %d: %s", args, code, &errs)
		}
	}
	call("simulate", "tripping", "--for", length, "--out", dir)
	var reading, replaying, readingCPU, replayingCPU time.Duration
	entries := 0
	for b.Loop() {
		start, used := time.Now(), processorTime(b)
		for _, err := range record.Read(filepath.Join(dir, recordingsDir)) {
			if err != nil {
				b.Fatal(err)
			}
			entries++
		}
		reading, readingCPU = reading+time.Since(start), readingCPU+processorTime(b)-used
		start, used = time.Now(), processorTime(b)
		call("replay", dir, "--quiet")
		replaying, replayingCPU = replaying+time.Since(start), replayingCPU+processorTime(b)-used
	}
	b.ReportMetric(replaying.Seconds()/reading.Seconds(), "x-reading")
	b.ReportMetric(replayingCPU.Seconds()/readingCPU.Seconds(), "x-reading-cpu")
	b.ReportMetric(float64(entries)/float64(b.N), "entries")
	b.ReportMetric(float64(entries)/replaying.Seconds(), "entries/s")
}

// processorTime is what the process has had of all processors.
func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
