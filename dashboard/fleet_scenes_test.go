package dashboard_test

import (
	"context"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/dashboard"
)

// Forty invented names.
func fleetNames() (names []string) {
	for _, place := range []string{"northfell", "southmoor", "eastlow", "westhag", "greyscar", "longrigg", "ashby-moss", "coldwell"} {
		for i := 1; i <= 5; i++ {
			names = append(names, fmt.Sprintf("%s-%d", place, i))
		}
	}
	return names
}

// tripping is rig i of a fleet at work: a stand up or down each minute, each rig at a
// moment of its own.
func tripping(i int, seq uint64, now time.Time) *dashboard.Snapshot {
	s := base(seq, now)
	e := &s.Estimate
	phase := math.Mod(float64(now.UnixMilli())/1000/60+float64(i)*0.37, 1)
	warm := 90 + 4*float64(i%30)
	e.BrakeTemperature, e.BrakeTemperatureHi = num(warm), num(warm+22)
	e.BrakeMargin = num(1.8 + 0.05*float64(i%20))
	v := 1.1 * math.Sin(math.Pi*phase/0.6)
	h := 3 + 30*(1-math.Cos(math.Pi*phase/0.6))/2
	if phase > 0.6 || i%4 == 3 {
		e.Activity, e.Height = "in_slips", num(33-float64(i%7))
		return s
	}
	e.NothingAhead = false
	if i%2 == 0 {
		e.Activity, e.Height, e.Velocity = "raising_loaded", num(h), num(v)
		e.RestUp, e.RestUpBound, e.SecondsToAct = num(h+v*0.9), num(h+v*0.9+0.7), num((41-h-v*0.9-0.7)/max(v, 0.05))
	} else {
		h = 36 - h
		e.Activity, e.Height, e.Velocity = "lowering_loaded", num(h), num(-v)
		e.RestDown, e.RestDownBound, e.SecondsToAct = num(h-v*1.2), num(h-v*1.2-0.8), num((h-v*2-1.5)/max(v, 0.05))
	}
	return s
}

// troubled gives a few of the forty something to be seen.
func troubled(i int, seq uint64, now time.Time) *dashboard.Snapshot {
	switch i {
	case 7:
		return overhoist(seq, now)
	case 12:
		return floor(seq, now)
	case 18:
		return blind(seq, now)
	case 23:
		s := tripping(i, seq, now)
		s.Estimate.BrakeTemperature, s.Estimate.BrakeTemperatureHi = num(281), num(309)
		s.Alarms = []dashboard.AlarmView{{
			Alarm: "brake_hot", Title: "Brake hot", State: "acknowledged", Priority: "medium", Active: true, SeenBy: "B. Example",
			Reason: "bound 309 °C above amber 250 °C", Occurrence: 3, Version: 6, SinceMs: fleetStart.Add(-4 * time.Minute).UnixMilli(),
			Response: "Let the auxiliary brake take more, or slow the trip.",
		}}
		return s
	case 31:
		s := tripping(i, seq, now)
		s.NewestMs = fleetStart.Add(-40 * time.Second).UnixMilli() // the rig's readings have stopped
		s.Alarms = []dashboard.AlarmView{{
			Alarm: "source_lost", Title: "Source lost", State: "unacknowledged", Priority: "high", Active: true, Sounds: true, CanAck: true, Hidden: 9,
			Reason: "nothing from the gateway", Occurrence: 1, Version: 1, SinceMs: fleetStart.Add(-38 * time.Second).UnixMilli(),
			Response: "Call the rig: nothing that is shown of it is so any more.",
		}}
		return s
	}
	s := tripping(i, seq, now)
	if i == 3 {
		s.Shelved = []dashboard.AsideView{{Alarm: "reading_late", Channel: "coolant_temperature", Title: "Reading late", State: "normal", Priority: "medium",
			Person: "C. Example", Reason: "sensor is being changed", UntilMs: now.Add(50 * time.Minute).UnixMilli()}}
	}
	return s
}

var fleetStart = time.Now()

// liveFleet is forty rigs that are fed.
type liveFleet struct {
	*live
	names []string
	seq   atomic.Uint64
	rig   atomic.Pointer[func(i int, seq uint64, now time.Time) *dashboard.Snapshot]
}

func (f *liveFleet) scene(s func(int, uint64, time.Time) *dashboard.Snapshot) { f.rig.Store(&s) }

// serveFleet serves forty rigs with news three times a second.
func serveFleet(t *testing.T, opts dashboard.Options, scene func(int, uint64, time.Time) *dashboard.Snapshot) *liveFleet {
	t.Helper()
	return serveFleetEvery(t, 300*time.Millisecond, opts, scene)
}

func serveFleetEvery(t *testing.T, every time.Duration, opts dashboard.Options, scene func(int, uint64, time.Time) *dashboard.Snapshot) *liveFleet {
	t.Helper()
	f := &liveFleet{names: fleetNames()}
	opts.Rigs = f.names
	f.scene(scene)
	f.live = serveLive(t, opts)
	ctx, cancel := context.WithCancel(context.Background())
	var fed sync.WaitGroup
	fed.Go(func() {
		tick := time.NewTicker(every)
		defer tick.Stop()
		for ctx.Err() == nil {
			seq, now, scene := f.seq.Add(1), time.Now(), *f.rig.Load()
			for i, name := range f.names {
				if scene == nil {
					break
				}
				if s := scene(i, seq, now); s != nil {
					s.Rig = name
					f.Publish(s)
				}
			}
			select {
			case <-tick.C:
			case <-ctx.Done():
			}
		}
	})
	t.Cleanup(func() { cancel(); fed.Wait() })
	return f
}
