//go:build linux || darwin

package detect

import (
	"syscall"
	"testing"
	"time"
	"unsafe"

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/simulator"
)

// caught is a detector in the midst of its work, and the frame that it took last.
type caught struct {
	d          Detector
	f          ingest.Frame
	t, now, dt float64
}

// catch plays a trip in on R1 and keeps every n-th state.
func catch(b *testing.B, n, most int) (list []caught, all []ingest.Frame, fresh func() *Detector) {
	b.Helper()
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		b.Fatal(err)
	}
	s, err := simulator.LoadScenario("trip-in")
	if err != nil {
		b.Fatal(err)
	}
	run, err := simulator.New(rig, s, 7)
	if err != nil {
		b.Fatal(err)
	}
	rig = s.Fit(rig)
	mapped := uint32(0)
	for _, c := range s.Channels {
		mapped |= 1 << c
	}
	fresh = func() *Detector { return New(rig, mapped) }
	d := fresh()
	var frames ingest.Assembler
	for len(list) < most {
		var x simulator.Truth
		var reading ingest.Sample
		if !run.Next(&reading, &x) {
			b.Fatalf("the scenario ended with %d of %d states", len(list), most)
		}
		f, _ := frames.Add(&reading, reading.Time)
		if f == nil {
			continue
		}
		was := d.event
		d.Step(f)
		all = append(all, *f)
		if len(all)%n == 0 {
			list = append(list, caught{d: *d, f: *f, t: d.event, now: d.received, dt: d.event - was})
		}
	}
	return list, all, fresh
}

// BenchmarkDetector is the cost of each part of Step beside the whole: every detector's
// own function called on states caught in the midst of a trip, one after the other. The
// parts run with warm caches and so sum to less than the whole.
func BenchmarkDetector(b *testing.B) {
	list, all, fresh := catch(b, 53, 64)
	whole := 0.0
	measure := func(name string, call func(i int)) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			start, i := cpu(b), 0
			for b.Loop() {
				call(i)
				i++
			}
			took := float64(cpu(b)-start) / float64(b.N)
			if name == "Step" {
				whole = took
			}
			b.ReportMetric(took, "cpu-ns/op")
			if whole > 0 {
				b.ReportMetric(100*took/whole, "%Step")
			}
		})
	}
	d := fresh()
	measure("Step", func(i int) {
		if i%len(all) == 0 {
			*d = *fresh()
		}
		d.Step(&all[i%len(all)])
	})
	var m margin
	for _, part := range []struct {
		name string
		call func(s *caught)
	}{
		{"readings", func(s *caught) {
			for c := range ingest.NumChannels {
				s.d.take(c, &s.f.Values[c], s.now)
			}
		}},
		{"height and motion", func(s *caught) { s.d.pos.step(s.t, s.now, &s.d.ins, s.d.loadForMap()) }},
		{"speeds against each other", func(s *caught) { s.d.judgeSpeeds(s.t, s.now) }},
		{"frozen", func(s *caught) { s.d.followMotion(s.now) }},
		{"pressure too little", func(s *caught) { s.d.judgePressure(s.now, s.dt) }},
		{"traded places", func(s *caught) { s.d.followTraded(s.now, s.dt) }},
		{"drum balance", func(s *caught) { s.d.balance = s.d.balanceNow(s.now) }},
		{"brake heat", func(s *caught) { s.d.heat.step(&s.d.balance, s.dt, &s.d.ins[ingest.BrakeTemperature]) }},
		{"auxiliary brake", func(s *caught) { s.d.followAuxiliary(&s.d.balance, s.now, s.dt) }},
		{"creep", func(s *caught) { s.d.followCreep(s.now, s.dt) }},
		{"gauge's zero", func(s *caught) { s.d.followZero(s.now) }},
		{"lining", func(s *caught) { s.d.followLining(s.t, s.now) }},
		{"heading hot", func(s *caught) { s.d.followHeading(s.dt) }},
		{"drive release", func(s *caught) { s.d.followDriveRelease(s.now, s.dt) }},
		{"drag", func(s *caught) { s.d.followDrag(s.now, s.dt) }},
		{"pressure sinks", func(s *caught) { s.d.followPressure(s.now, s.dt) }},
		{"coolant", func(s *caught) { s.d.followCoolant(s.now, s.dt) }},
		{"standstill", func(s *caught) { s.d.followStandstill(s.t, s.now, s.dt) }},
		{"activity", func(s *caught) { s.d.followActivity(s.dt, s.d.pos.motion.x[ixH]) }},
		{"stop margin", func(s *caught) { m = s.d.marginNow(s.now, 0.05) }},
		{"estimate and grades", func(s *caught) {
			s.d.estimate(s.f.Time, s.now, &m)
			s.d.grade(s.now, &m)
		}},
		{"findings of channels", func(s *caught) { s.d.judgeChannels(s.now) }},
		{"findings", func(s *caught) { s.d.judge(s.now, &m) }},
	} {
		measure(part.name, func(i int) { part.call(&list[i%len(list)]) })
	}
	b.Logf("state of one rig's detector: %d bytes, of it the result %d", unsafe.Sizeof(*d), unsafe.Sizeof(d.result))
}

// cpu returns the processor time that the process has had.
func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
