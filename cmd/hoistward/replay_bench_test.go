package main

import (
	"bytes"
	"os"
	"path/filepath"
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
	var reading, replaying time.Duration
	entries := 0
	for b.Loop() {
		start := time.Now()
		for _, err := range record.Read(filepath.Join(dir, recordingsDir)) {
			if err != nil {
				b.Fatal(err)
			}
			entries++
		}
		reading += time.Since(start)
		start = time.Now()
		call("replay", dir, "--quiet")
		replaying += time.Since(start)
	}
	b.ReportMetric(replaying.Seconds()/reading.Seconds(), "x-reading")
	b.ReportMetric(float64(entries)/float64(b.N), "entries")
	b.ReportMetric(float64(entries)/replaying.Seconds(), "entries/s")
}
