package dashboard_test

import (
	"time"

	"hoistward/dashboard"
)

type sceneOf func(seq uint64, now time.Time) *dashboard.Snapshot

// state is one state of the page that a person must tell from the others.
type state struct {
	name  string
	scene sceneOf // nil = the server falls silent
	shown string  // JavaScript that holds when the page shows it
	told  string  // words that tell it from the others
}

// states are those that are looked at, by day and by night.
var states = []state{
	{"calm", lowering, `document.getElementById("act").dataset.size === "0" && document.getElementById("no-alarm").checkVisibility() && document.getElementById("aside").hidden`, "No alarm stands."},
	{"overhoist", overhoist, `document.getElementById("act-heading").innerText.includes("above the crown limit")`, "Take the drive off"},
	{"floor", floor, `document.getElementById("act-heading").innerText === "Floor approach"`, "Slow down now"},
	{"fade", fade, `document.querySelector(".alarm .title")?.innerText === "Brake fade"`, "Brake fade"},
	{"blind", blind, `document.getElementById("flag").classList.contains("hatched")`, "Blind to crown and floor"},
	{"shelved", shelved, `!document.getElementById("aside").hidden`, "Shelved: "},
	{"test-due", testDue, `document.getElementById("proof").classList.contains("unproven")`, "not proven"},
	{"degraded", degraded, `document.querySelectorAll('.answer[data-state="degraded"]').length === 2`, "Reading lost"},
	{"sick", sick, `!document.getElementById("sick").hidden`, "Do not rely on this monitor"},
	{"stale", nil, `!document.getElementById("stale").hidden`, "Not live"},
}

// fade is a brake that grips less and less, by its own pressure.
func fade(seq uint64, now time.Time) *dashboard.Snapshot {
	s := lowering(seq, now)
	e := &s.Estimate
	e.Friction, e.FrictionLow, e.FrictionHigh = num(0.71), num(0.66), num(0.77)
	e.BrakeMargin, e.BrakeTemperature, e.BrakeTemperatureHi, e.SafeLowering = num(1.3), num(312), num(338), num(1.1)
	s.Work.StandsToAmber, s.Work.StandsToRed, s.Work.NeverRed = num(0), num(2), false
	s.Alarms = []dashboard.AlarmView{{
		Alarm: "brake_fade", Title: "Brake fade", State: "unacknowledged", Priority: "high", Active: true, Sounds: true, CanAck: true, CanSilence: true,
		Reason: "the lining grips 29 % less than at the start of the tour", Value: num(0.71), Limit: num(0.8), Occurrence: 1, Version: 2,
		SinceMs: now.UnixMilli() - 21000, Shelvable: false,
		Meaning: "More pressure is needed for the same braking than the lining should ask for.", Causes: "Overheated linings; oil, grease or water on discs or bands.",
		Consequence: "The next heavy stand may not be held.", Response: "Set the load in the slips. Let the brake cool and find the cause before the next heavy stand.",
		TimeToAct: "Before the next heavy stand",
	}, {
		Alarm: "brake_hot", Title: "Brake hot", State: "acknowledged", Priority: "medium", Active: true, Shelvable: true, SeenBy: "A. Example", Chatters: true,
		Reason: "at most 338 °C, amber at 250 °C", Occurrence: 3, Version: 7, SinceMs: now.Add(-4 * time.Minute).UnixMilli(), Hidden: 1,
		Meaning: "The brake is above its amber limit.", Causes: "Fast lowering with heavy load; auxiliary brake carrying too little.",
		Consequence: "Friction falls and the lining wears.", Response: "Let the auxiliary brake take more, lower slower.", TimeToAct: "Minutes: a few stands",
	}}
	return s
}

// shelved is a calm rig on which two alarms have been put aside.
func shelved(seq uint64, now time.Time) *dashboard.Snapshot {
	s := lowering(seq, now)
	s.Shelved = []dashboard.AsideView{{Alarm: "coolant_hot", Title: "Coolant hot", State: "unacknowledged", Priority: "medium", Active: true,
		Person: "A. Example", Reason: "sensor work until the afternoon", UntilMs: now.Add(46*time.Minute + 30*time.Second).UnixMilli()}}
	s.Removed = []dashboard.AsideView{{Alarm: "reading_late", Channel: "bit_depth", Title: "Reading late", State: "normal", Priority: "medium",
		Person: "B. Example", Reason: "gateway is being replaced"}}
	s.Alarms = []dashboard.AlarmView{{Alarm: "coolant_hot", Title: "Coolant hot", State: "shelved", Priority: "medium", Active: true, Occurrence: 1, Version: 1}}
	return s
}

// testDue is a rig whose crown saver has not been proven since line was slipped.
func testDue(seq uint64, now time.Time) *dashboard.Snapshot {
	s := lowering(seq, now)
	k := &s.Service
	k.CrownSaverProven, k.CrownSaverWhy = false, "line was slipped or cut "+now.Add(-time.Hour).UTC().Format("2006-01-02 15:04 UTC")+", after the newest proof test"
	k.LineMovedMs, k.ReferenceMs = now.Add(-time.Hour).UnixMilli(), now.Add(-40*time.Minute).UnixMilli()
	k.SinceCut = num(16900)
	s.Alarms = []dashboard.AlarmView{{Alarm: "crown_saver_not_proven", Title: "Crown saver not proven", State: "unacknowledged", Priority: "medium", Active: true, CanAck: true,
		Sounds: true, CanSilence: true, Shelvable: true, Reason: k.CrownSaverWhy, Occurrence: 2, Version: 4, SinceMs: now.Add(-time.Hour).UnixMilli(),
		Meaning: "No passing proof test is on record since line was moved.", Causes: "Line slipped or cut; the test is due.", Consequence: "The last device before the crown may not act.",
		Response: "Test the crown saver at the next connection and enter the result.", TimeToAct: "Before the next trip"},
		{Alarm: "line_work_over", Title: "Line work over its goal", State: "acknowledged", Priority: "medium", Active: true, Shelvable: true, Reason: "line work 16900 MJ since the cut, of 16000 MJ",
			Occurrence: 1, Version: 2, SinceMs: now.Add(-3 * time.Hour).UnixMilli(), Response: "Slip and cut before the next trip."}}
	return s
}

// degraded is a rig that goes on with one witness less.
func degraded(seq uint64, now time.Time) *dashboard.Snapshot {
	s := lowering(seq, now)
	c := &s.Channels[1]
	c.Value, c.Quality, c.Reason, c.AgeS = nil, "bad", "lost", num(41)
	for i := range s.Answers[:2] {
		s.Answers[i].State, s.Answers[i].Why = "degraded", "from the drum alone"
	}
	s.Estimate.HeightSource = "drum"
	s.Alarms = []dashboard.AlarmView{{Alarm: "reading_lost", Channel: "block_height", Title: "Reading lost", State: "unacknowledged", Priority: "medium", Active: true,
		CanAck: true, Sounds: true, CanSilence: true, Shelvable: true, Reason: "no reading for 41 s", Occurrence: 1, Version: 1, SinceMs: now.UnixMilli() - 38000,
		Response: "Go by the rig's own indicator; find out why the reading does not come."}}
	return s
}

// sick is a calm rig whose monitor is not well.
func sick(seq uint64, now time.Time) *dashboard.Snapshot {
	s := lowering(seq, now)
	s.Sick = []string{"The monitor is late: readings wait 2.3 s for their answer.", "The disk of the recordings is nearly full."}
	return s
}
