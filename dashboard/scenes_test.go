package dashboard_test

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"hoistward/dashboard"
	"hoistward/ingest"
)

const rigName = "northfell-1"

func num(x float64) *float64 { return dashboard.Num(x) }

// base is a snapshot of a rig that stands still with everything known. The heights
// and ratings are those of the project's reference rig, which is invented.
func base(seq uint64, now time.Time) *dashboard.Snapshot {
	channel := func(name string, value float64, unit string) dashboard.ChannelView {
		return dashboard.ChannelView{Name: name, Value: num(value), Unit: unit, AgeS: num(0.1), Quality: "good"}
	}
	good := func(names ...string) (list []dashboard.AnswerView) {
		for _, name := range names {
			list = append(list, dashboard.AnswerView{Name: name, State: "good"})
		}
		return list
	}
	return &dashboard.Snapshot{
		Seq: seq, ServerTime: now.UTC().Format("2006-01-02T15:04:05.000Z"), ServerMs: now.UnixMilli(), Rig: rigName,
		NewestMs: now.UnixMilli() - 100, ClockAhead: num(0.01),
		Mast:    dashboard.Mast{CrownHeight: 44, CrownLimit: 41, CrownSaver: 40, FloorLimit: 1.5},
		Ratings: dashboard.Ratings{HookLoad: num(3000), Amber: 250, Red: 350, Margin: 1.5},
		Estimate: dashboard.EstimateView{
			Activity: "still", Height: num(18.2), Velocity: num(0), Acceleration: num(0), HookLoad: num(1486),
			RestUp: num(18.2), RestUpBound: num(18.3), RestDown: num(18.2), RestDownBound: num(18.1),
			CrownRoom: num(22.7), FloorRoom: num(16.6), NothingAhead: true, SafeLowering: num(1.92),
			BrakeTemperature: num(226), BrakeTemperatureHi: num(240), Friction: num(0.94), FrictionLow: num(0.88), FrictionHigh: num(1.01),
			BrakeMargin: num(1.9), AuxiliaryShare: num(0.88), LineWork: num(412.6), HeightSource: "drum+sensor",
		},
		Work: dashboard.WorkView{
			Operation: "tripping_in", BlockWeight: num(320), StringWeight: num(1480), Stands: 41,
			StandsToAmber: num(9), NeverRed: true, BrakeSettles: num(263),
		},
		Rate: dashboard.RateView{Hour: 3, TenMin: 1},
		Service: dashboard.ServiceView{
			CrownSaverProven: true, CrownSaverMs: now.Add(-3 * time.Hour).UnixMilli(), CrownSaverBy: "A. Example",
			RunOn: num(0.62), RunOnPredicted: num(0.58), RunOnBound: num(0.74),
			BrakeMs: now.Add(-4 * time.Hour).UnixMilli(), BrakePassed: true,
			LineMovedMs: now.Add(-300 * time.Hour).UnixMilli(), LineCutMs: now.Add(-300 * time.Hour).UnixMilli(),
			SinceCut: num(10240), Goal: num(16000), ReferenceMs: now.Add(-299 * time.Hour).UnixMilli(), ReferenceBy: "B. Example",
		},
		Channels: []dashboard.ChannelView{
			channel("hook_load", 1486, "kN"), channel("block_height", 18.22, "m"), channel("drum_speed", 18.3, "rpm"),
			channel("drum_counts", 402117, ""), channel("brake_pressure", 1.2, "MPa"), channel("emergency_pressure", 11.4, "MPa"),
			channel("auxiliary_current", 34.5, "A"), channel("brake_temperature", 221, "degC"), channel("crown_saver", 0, ""),
		},
		Answers: good("crown", "floor", "brake heat", "friction", "auxiliary", "brake margin"),
		Links:   []dashboard.LinkView{{Source: "plant", State: "connected", SinceMs: now.Add(-3 * time.Hour).UnixMilli()}},
		Rejects: []dashboard.RejectView{{Source: "plant", Reason: "broken JSON", Count: 3, Last: `{"t":"2026-`}},
	}
}

// lowering is an ordinary moment of tripping in.
func lowering(seq uint64, now time.Time) *dashboard.Snapshot {
	s := base(seq, now)
	e := &s.Estimate
	e.Activity, e.Velocity, e.NothingAhead = "lowering_loaded", num(-0.84), false
	e.RestDown, e.RestDownBound, e.SecondsToAct = num(16.2), num(14.6), num(15.6)
	return s
}

// raising is the block on its way up; the bound runs 1.3 m ahead of the rest point.
func raising(seq uint64, now time.Time, height, velocity, seconds float64) *dashboard.Snapshot {
	s := base(seq, now)
	e := &s.Estimate
	e.Activity, e.Height, e.Velocity, e.NothingAhead = "raising_light", num(height), num(velocity), false
	e.HookLoad = num(318)
	s.Channels[0].Value = num(318)
	e.RestUp, e.RestUpBound, e.SecondsToAct = num(height+velocity*0.8), num(height+velocity*0.8+0.6), num(seconds)
	e.CrownRoom = num(41 - *e.RestUpBound)
	e.BrakeMargin = num(8.1)
	return s
}

func overhoistAlarm(now time.Time, priority string) dashboard.AlarmView {
	return dashboard.AlarmView{
		Alarm: "overhoist", Title: "Overhoist", State: "unacknowledged", Priority: priority,
		Reason: "the block may come to rest above the crown limit", Value: num(41.3), Limit: num(41), Unit: "m",
		Occurrence: 1, Version: 3, SinceMs: now.Add(-time.Second).UnixMilli(), Sounds: true, Active: true, CanAck: true,
		Meaning:     "If the hoist were tripped now, the block could still travel past the crown limit before it rests.",
		Consequence: "The block meets the crown: parted line, dropped load, injured people.",
		Response:    "Take the drive off and set the brake now. Do not wait for the crown saver. Keep the floor and the mast clear until the block stands still.",
	}
}

func overhoist(seq uint64, now time.Time) *dashboard.Snapshot {
	s := raising(seq, now, 38.9, 2.1, 0)
	hot := dashboard.AlarmView{
		Alarm: "brake_heading_hot", Title: "Brake heading hot", State: "acknowledged", Priority: "low", Active: true,
		Reason: "at this pace amber in 9 stands", Occurrence: 4, Version: 9, SinceMs: now.Add(-11 * time.Minute).UnixMilli(),
		Response: "Let the auxiliary brake take more, or slow the trip.",
	}
	late := dashboard.AlarmView{
		Alarm: "reading_late", Channel: "brake_temperature", Title: "Reading late", State: "returned_unacknowledged", Priority: "medium",
		Reason: "no reading for 4.2 s, back since", Occurrence: 2, Version: 5, SinceMs: now.Add(-140 * time.Second).UnixMilli(), CanAck: true,
	}
	s.Alarms = []dashboard.AlarmView{overhoistAlarm(now, "emergency"), late, hot}
	return s
}

// floor is a block that comes down too fast for the room left, while an alarm says so.
func floor(seq uint64, now time.Time) *dashboard.Snapshot {
	s := lowering(seq, now)
	e := &s.Estimate
	e.Height, e.Velocity, e.RestDown, e.RestDownBound, e.SecondsToAct = num(7.9), num(-1.9), num(4.6), num(3.4), num(1.1)
	e.FloorRoom, e.SafeLowering = num(1.9), num(1.7)
	s.Alarms = []dashboard.AlarmView{{
		Alarm: "floor_approach", Title: "Floor approach", State: "unacknowledged", Priority: "high", Active: true, Sounds: true, CanAck: true,
		Reason: "1.1 s left until the stop would pass the floor limit", Occurrence: 1, Version: 1, SinceMs: now.UnixMilli() - 400,
		Meaning: "The block's latest rest point nears the floor limit.", Consequence: "Block and load meet the floor and the people on it.",
		Response: "Slow down now; set the brake if it does not slow.",
	}}
	return s
}

// cannotStop is a brake that has no rest point to offer.
func cannotStop(seq uint64, now time.Time) *dashboard.Snapshot {
	s := lowering(seq, now)
	e := &s.Estimate
	e.RestDown, e.RestDownBound, e.SecondsToAct, e.FloorRoom, e.CannotStop = nil, nil, nil, nil, true
	e.BrakeTemperature, e.BrakeTemperatureHi, e.BrakeMargin, e.SafeLowering = num(412), num(447), num(0.8), num(0)
	s.Alarms = []dashboard.AlarmView{{
		Alarm: "cannot_stop", Title: "Cannot stop", State: "unacknowledged", Priority: "emergency", Active: true, Sounds: true, CanAck: true,
		Reason: "the brake is too hot for this load", Occurrence: 1, Version: 1, SinceMs: now.UnixMilli() - 2400,
		Response: "Set the service brake and the emergency brake together, and the auxiliary brake to full. Clear the floor. Do not release any brake to cool it.",
	}}
	return s
}

// crowded is as much as the page may have to hold at once.
func crowded(seq uint64, now time.Time) *dashboard.Snapshot {
	s := overhoist(seq, now)
	for _, name := range []string{"drive_torque", "drive_engaged", "coolant_temperature", "dead_line_tension", "bit_depth"} {
		s.Channels = append(s.Channels, dashboard.ChannelView{Name: name, Quality: "bad", Reason: "out of range: 1234567 against 0 to 400000", Unit: "kN.m"})
	}
	for i := range s.Answers {
		s.Answers[i].State, s.Answers[i].Why = "degraded", "one height witness only: the drum; the sensor is late by 4.2 s and not used"
	}
	for i := range 5 {
		a := s.Alarms[1]
		a.Occurrence, a.Channel = uint64(10+i), "emergency_pressure"
		s.Alarms = append(s.Alarms, a)
	}
	s.Links = append(s.Links, dashboard.LinkView{Source: "second plant gateway", State: "never connected", SinceMs: now.UnixMilli() - 5e6, Detail: "connection refused by the broker at its address"})
	s.Recorder = "stopped: no space left on the device, nothing has been kept since 14:02"
	return s
}

// atTheCrown is a block that has come to rest above the limit: nothing moves, the
// alarm stands.
func atTheCrown(seq uint64, now time.Time) *dashboard.Snapshot {
	s := base(seq, now)
	s.Estimate.Height = num(43.9)
	a := overhoistAlarm(now, "emergency")
	a.Alarm, a.Title = "crown_limit_passed", "Crown limit passed"
	a.Response = "Set the brake and hold. Look at the block. Lower away from the crown only after the supervisor agrees and the floor is clear."
	s.Alarms = []dashboard.AlarmView{a}
	return s
}

// near is a block that has 2.7 s left, before any alarm.
func near(seq uint64, now time.Time) *dashboard.Snapshot { return raising(seq, now, 36.7, 1.2, 2.7) }

// blind is a rig whose position reference is void and whose height sensor is lost.
func blind(seq uint64, now time.Time) *dashboard.Snapshot {
	s := base(seq, now)
	e := &s.Estimate
	*e = dashboard.EstimateView{
		Activity: "unknown", HookLoad: num(1486), BrakeMargin: num(1.9), LineWork: num(412.6), Blind: "both",
		BrakeTemperature: num(231), BrakeTemperatureHi: num(296), HeightSource: "none",
	}
	lost := func(i int, reason string, age float64) {
		s.Channels[i].Value, s.Channels[i].Quality, s.Channels[i].Reason, s.Channels[i].AgeS = nil, "bad", reason, num(age)
	}
	lost(1, "lost", 41)
	lost(2, "lost", 41)
	lost(3, "not calibrated", 0.1)
	s.Channels[4].Quality, s.Channels[4].Reason = "uncertain", "frozen"
	s.Answers = []dashboard.AnswerView{
		{Name: "crown", State: "gone", Why: "block height lost, drum not calibrated"},
		{Name: "floor", State: "gone", Why: "block height lost, drum not calibrated"},
		{Name: "brake heat", State: "degraded", Why: "drum speed lost 41 s ago: bound grows"},
		{Name: "friction", State: "gone", Why: "no application seen since drum speed was lost"},
		{Name: "auxiliary", State: "gone", Why: "drum speed lost"},
		{Name: "brake margin", State: "good"},
	}
	s.Alarms = []dashboard.AlarmView{{
		Alarm: "blind", Title: "Blind to crown and floor", State: "unacknowledged", Priority: "high",
		Reason: "neither height witness can be used", Occurrence: 1, Version: 2, SinceMs: now.Add(-41 * time.Second).UnixMilli(),
		Sounds: true, Active: true, CanAck: true, Hidden: 3,
		Meaning:     "The monitor cannot say where the block would come to rest.",
		Consequence: "No stop-margin alarm can come.", Response: "Go by the rig's own indicators; restore a height reading or set the reference.",
	}}
	s.Links[0] = dashboard.LinkView{Source: "plant", State: "lost", SinceMs: now.Add(-41 * time.Second).UnixMilli(), Detail: "connection reset"}
	s.Recorder = "disk space low: 1.2 GB left"
	return s
}

// desk records what people ask, and refuses what refuse says.
type desk struct {
	mu     sync.Mutex
	acts   []ingest.Act
	refuse error
}

func (d *desk) Act(rig string, act ingest.Act) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if rig != rigName {
		return fmt.Errorf("no rig %q", rig)
	}
	d.acts = append(d.acts, act)
	return d.refuse
}

func (d *desk) taken() []ingest.Act {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]ingest.Act(nil), d.acts...)
}

// eventually polls ok until it holds, and fails the test after a time that a busy machine
// does not need: it tells a page that never does from one that is late.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	const limit = time.Minute
	for end := time.Now().Add(limit); ; {
		if ok() {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("not within %v: %s", limit, what)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func dashboardOf(d *desk) dashboard.Options { return dashboard.Options{Desk: d} }
