package historian

import (
	"net/http"
	"syscall"
	"testing"
	"time"
)

// BenchmarkForward forwards readings of three channels to a server that takes
// everything unread; it prints points a second and how much of a processor the
// forwarder and the reading took.
func BenchmarkForward(b *testing.B) {
	s := newStore(b)
	s.setAnswer(func(w http.ResponseWriter, _ *http.Request, _ []string) bool {
		w.WriteHeader(http.StatusNoContent)
		return true
	})
	o := options(b, b.TempDir(), s.server.URL)
	o.Batch = 5000
	n := max(b.N, 20000)
	recordAll(b, o.Recordings, 1, readings("R1", 0, n, 100*time.Millisecond)...)
	before := processorTime(b)
	b.ResetTimer()
	start := time.Now()
	f, err := Open(o)
	if err != nil {
		b.Fatal(err)
	}
	eventually(b, "all is sent", func() bool { return f.Status().Sent >= uint64(n) })
	took := time.Since(start)
	b.StopTimer()
	stop(b, f)
	b.ReportMetric(float64(n)/took.Seconds(), "points/s")
	b.ReportMetric((processorTime(b)-before).Seconds()/float64(n)*1e6, "cpu-us/point")
}

func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
