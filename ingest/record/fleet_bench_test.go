//go:build linux || darwin

package record

import (
	"fmt"
	"syscall"
	"testing"
	"time"
)

// BenchmarkThousandRigs records a second of 1,000 rigs at 10 Hz an iteration, and says
// how many cores that takes when it comes in real time.
func BenchmarkThousandRigs(b *testing.B) {
	const rigs, rate = 1000, 10
	r := open(b, b.TempDir(), Options{Queue: 2 * rigs * rate})
	names := make([]string, rigs)
	for i := range names {
		names[i] = fmt.Sprintf("R%d", i)
	}
	seq := uint64(0)
	second := func() {
		for range rate {
			for _, rig := range names {
				seq++
				r.Add(sampleAt(rig, seq))
			}
		}
		if err := r.Flush(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
	second() // makes the files
	before := cpuTime(b)
	b.ResetTimer()
	for range b.N {
		second()
	}
	b.StopTimer()
	b.ReportMetric((cpuTime(b)-before).Seconds()/float64(b.N), "cores")
	if s := r.Status(); s.Dropped > 0 || s.LastError != "" {
		b.Fatalf("got status %+v", s)
	}
}

func cpuTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
