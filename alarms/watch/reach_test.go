package watch

import (
	"math"
	"runtime"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/detect"
)

// BenchmarkReach takes a thousand rigs through their alarms once a second each, five
// changes of alarms a rig and second, on one core, and says how many changes and alarm
// instances a second that is, and by how much the heap grew for each change.
func BenchmarkReach(b *testing.B) {
	const rigs, toggled = 1000, 5
	boards := make([]board, rigs)
	for i := range boards {
		boards[i] = newBoard()
	}
	quiet, loud := &detect.Result{}, &detect.Result{}
	for k := range detect.NumKinds {
		f := detect.Finding{Condition: detect.Absent, Value: math.NaN(), Limit: math.NaN()}
		quiet.Findings[k], loud.Findings[k] = f, f
	}
	for _, k := range []detect.Kind{detect.CrownLimitPassed, detect.LoweringTooFast, detect.Overhoist, detect.FloorApproach, detect.CannotStop}[:toggled] {
		loud.Findings[k] = detect.Finding{Condition: detect.Present, Urgency: detect.High, Value: 1, Limit: 2, Unit: "m"}
	}
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	changes, instances := 0, 0
	frame := func(n int) {
		r := loud
		if n/4%2 == 0 { // four seconds quiet, so that the off-delay ends, and four loud
			r = quiet
		}
		for i := range boards {
			boards[i].events = boards[i].events[:0]
			boards[i].evaluate("R1", now, r)
			changes += len(boards[i].events)
			instances += len(boards[i].slots)
		}
		now = now.Add(time.Second)
	}
	for n := range 24 {
		frame(n)
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	changes, instances = 0, 0
	n := 24
	b.ReportAllocs()
	for b.Loop() {
		frame(n)
		n++
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	s := b.Elapsed().Seconds()
	b.ReportMetric(float64(changes)/s, "changes/s")
	b.ReportMetric(float64(instances)/s/1e6, "Minstances/s")
	b.ReportMetric(float64(len(boards[0].slots)*rigs), "instances")
	b.ReportMetric((float64(after.HeapAlloc)-float64(before.HeapAlloc))/float64(max(changes, 1)), "heap-growth-B/change")
	if _, ok := alarms.Lookup("overhoist"); !ok || changes == 0 && b.N > 8 {
		b.Fatal("nothing changed: the run shows nothing")
	}
}
