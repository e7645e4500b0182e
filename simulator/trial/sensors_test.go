package trial

import (
	"math"
	"testing"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/simulator"
)

// lying plays 20 s of a block at 1 m/s with a sensor that lies from 5 s on.
func lying(l lie, foundAt float64, alarm alarms.Event, shown func(at, height float64) float64) *sensors {
	s := newSensors(&hoist.Rig{}, l)
	for k := range 200 {
		at := float64(k) / 10
		if at >= 5 && math.IsInf(s.struck, 1) {
			s.struck, s.stuckAt = at, 10+at
		}
		m := &moment{at: at, fresh: true, truth: &simulator.Truth{Height: 10 + at, Velocity: 1},
			est: &detect.Estimate{Height: shown(at, 10+at), Velocity: 1}, sample: &ingest.Sample{}}
		m.sample.Set(l.channel, ingest.Number(10+at))
		if l.what == "spikes" && at == 8 {
			m.sample.Set(l.channel, ingest.Number(10+at+l.by))
		}
		if math.Abs(at-foundAt) < 0.04 {
			alarm.Event = alarms.EventRaised
			m.events = []alarms.Event{alarm}
		}
		s.take(m)
	}
	return s
}

func TestSensors(t *testing.T) {
	right := func(_, h float64) float64 { return h }
	stuck := func(at, h float64) float64 { return math.Min(h, 15) }
	frozen := alarms.Event{Alarm: "reading_frozen", Channel: "block_height"}
	height := lie{what: "frozen", channel: ingest.BlockHeight}
	spikes := lie{what: "spikes", channel: ingest.BlockHeight, by: 6}
	wrap := lie{what: "wraps at its width", channel: ingest.DrumCounts, fault: -1}
	for name, c := range map[string]struct {
		lie   lie
		found float64
		alarm alarms.Event
		shown func(at, h float64) float64
		right int
	}{
		"found, not believed":   {height, 9, frozen, right, 1},
		"found, but believed":   {height, 9, frozen, stuck, 0},
		"found too late":        {height, 10.9, frozen, right, 0},
		"not found":             {height, -1, frozen, right, 0},
		"blind is not believed": {height, 9, frozen, func(float64, float64) float64 { return math.NaN() }, 1},
		"another channel":       {height, 9, alarms.Event{Alarm: "reading_frozen", Channel: "hook_load"}, right, 0},
		"found before":          {height, 3, frozen, right, 0},
		"another alarm":         {height, 9, alarms.Event{Alarm: "brake_hot"}, right, 0},
		"heights disagree":      {height, 9, alarms.Event{Alarm: "heights_disagree"}, right, 1},
		"spike, in 5 s of it":   {spikes, 12.9, frozen, right, 1},
		"spike, later":          {spikes, 13.2, frozen, right, 0},
		"a wrap followed":       {wrap, -1, frozen, right, 1},
		"a wrap called a jump":  {wrap, 9, alarms.Event{Alarm: "position_not_calibrated"}, right, 0},
		"a wrap not followed":   {wrap, -1, frozen, stuck, 0},
	} {
		got, rows := ended(lying(c.lie, c.found, c.alarm, c.shown))
		if got.sensor != 1 || got.sensorFound != c.right || len(rows) != 1-c.right {
			t.Errorf("%s: %d cases, %d right, rows %v; want 1 and %d", name, got.sensor, got.sensorFound, rows, c.right)
		}
	}
}

// When a lie shows, and when it does not.
func TestLieShows(t *testing.T) {
	rig := &hoist.Rig{Service: hoist.ServiceBrake{FullPressure: 7e6}}
	turning := simulator.Truth{HookLoad: 1e6, Height: 20, Velocity: 0.5, DrumSpeed: 6, BrakePressure: 3e6}
	free, standing := turning, turning
	free.BrakePressure = 0
	standing.DrumSpeed, standing.Velocity = 0, 0
	for name, c := range map[string]struct {
		lie     lie
		stuckAt float64
		x       simulator.Truth
		want    bool
	}{
		"pressure in another unit":           {lie{what: "swapped unit", channel: ingest.BrakePressure, by: 0.1}, 0, turning, true},
		"no pressure in another unit":        {lie{what: "swapped unit", channel: ingest.BrakePressure, by: 0.1}, 0, free, false},
		"pressure on a drum that stands":     {lie{what: "swapped unit", channel: ingest.BrakePressure, by: 0.1}, 0, standing, false},
		"pressure frozen, and another now":   {lie{what: "frozen", channel: ingest.BrakePressure}, 0, turning, true},
		"pressure frozen at what it is":      {lie{what: "frozen", channel: ingest.BrakePressure}, 3.1e6, turning, false},
		"hook load in another unit":          {lie{what: "swapped unit", channel: ingest.HookLoad, by: 4.4}, 0, standing, true},
		"hook load frozen at what it is":     {lie{what: "frozen", channel: ingest.HookLoad}, 1.1e6, turning, false},
		"counts in another unit, drum still": {lie{what: "swapped unit", channel: ingest.DrumCounts, by: 4}, 0, standing, true},
		"speed in another unit":              {lie{what: "swapped unit", channel: ingest.DrumSpeed, by: 9.5}, 0, turning, true},
		"no speed in another unit":           {lie{what: "swapped unit", channel: ingest.DrumSpeed, by: 9.5}, 0, standing, false},
		"height frozen, not gone far":        {lie{what: "frozen", channel: ingest.BlockHeight}, 19.7, turning, false},
		"height frozen and gone on":          {lie{what: "frozen", channel: ingest.BlockHeight}, 19, turning, true},
		"lost":                               {lie{what: "lost", channel: ingest.BlockHeight}, 20, standing, true},
		"spikes, none yet":                   {lie{what: "spikes", channel: ingest.BlockHeight, by: 5}, 20, turning, false},
	} {
		s := newSensors(rig, c.lie)
		s.stuckAt = c.stuckAt
		if got := s.visible(&c.x, 0.1); got != c.want {
			t.Errorf("%s: shows %v, want %v", name, got, c.want)
		}
	}
}
