// Package view turns what a watched rig knows into the snapshot that its page draws.
//
// It may not compute physics or decide an alarm: it copies, converts units and sorts.
package view

import (
	"math"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/dashboard"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/ingest/units"

	"time"
)

// shown is the unit in which a page gets a channel's value.
var shown = [ingest.NumChannels]string{
	ingest.HookLoad: "kN", ingest.BlockHeight: "m", ingest.DrumSpeed: "rpm", ingest.DrumCounts: "",
	ingest.BrakePressure: "MPa", ingest.EmergencyPressure: "MPa", ingest.DriveTorque: "kN.m",
	ingest.DriveEngaged: "", ingest.AuxiliaryCurrent: "A", ingest.BrakeTemperature: "degC",
	ingest.CoolantTemperature: "degC", ingest.DeadLineTension: "kN", ingest.CrownSaver: "", ingest.BitDepth: "m",
}

// ChannelUnit is the unit in which a page gets a channel's value; empty = a number
// without one.
func ChannelUnit(c ingest.Channel) string { return shown[c] }

// Of returns the snapshot of w, numbered seq. rejects are the counts of its source.
func Of(w *watch.Rig, seq uint64, rejects []ingest.Count) *dashboard.Snapshot {
	now := w.Now()
	s := &dashboard.Snapshot{
		Seq: seq, ServerTime: now.Format("2006-01-02T15:04:05.000Z"), ServerMs: now.UnixMilli(), Rig: w.Name(),
		ClockAhead: dashboard.Num(w.ClockAhead()),
		Estimate:   estimate(&w.Result().Estimate), Work: work(w.Result()),
		Channels: channels(w), Answers: answers(w.Result()), Alarms: alarmList(w),
	}
	s.Shelved, s.Removed = aside(w)
	s.Service = service(w)
	s.Rate = dashboard.RateView(w.Rate())
	if n := w.Newest(); !n.IsZero() {
		s.NewestMs = n.UnixMilli()
	}
	s.SilenceMs = silence(w)
	rig := w.Rig()
	s.Mast = dashboard.Mast{
		CrownHeight: float64(rig.Mast.CrownHeight), CrownLimit: float64(rig.Mast.CrownLimit),
		CrownSaver: float64(rig.Mast.CrownSaverTrip), FloorLimit: float64(rig.Mast.FloorLimit),
	}
	s.Ratings = dashboard.Ratings{
		Amber: rig.Heat.Amber.Celsius(), Red: rig.Heat.Red.Celsius(), Margin: rig.Service.HoldFactor,
	}
	if rated := float64(rig.Drawworks.RatedLoad); rated > 0 {
		s.Ratings.HookLoad = dashboard.Num(rated / 1e3)
	}
	w.Links(func(l ingest.Link, since time.Time) {
		if l.Source == watch.RecorderLink {
			if l.State != "recording" {
				s.Recorder = l.State + ": " + l.Detail
			}
			return
		}
		if l.Source == watch.NotifyLink || l.Source == watch.HistorianLink || l.Source == watch.IntakeLink || l.Source == watch.SpaceLink {
			return // an alarm says so
		}
		s.Links = append(s.Links, dashboard.LinkView{Source: l.Source, State: l.State, SinceMs: since.UnixMilli(), Detail: l.Detail})
	})
	for _, r := range rejects {
		s.Rejects = append(s.Rejects, dashboard.RejectView{Source: r.Source, Reason: r.Words, Count: r.N, Last: r.Example})
	}
	return s
}

// silence returns how old, ms, the newest reading may be: the patience with the fastest
// channel, at least two seconds, up to a half second, so that learning is not news.
func silence(w *watch.Rig) int64 {
	least := math.Inf(1)
	for c := range ingest.NumChannels {
		if i := w.Instrument(c); i.Patience < least {
			least = i.Patience
		}
	}
	if math.IsInf(least, 1) {
		return dashboard.SilenceLeastMs
	}
	return max(dashboard.SilenceLeastMs, int64(500*math.Ceil(2*least)))
}

func estimate(e *detect.Estimate) dashboard.EstimateView {
	num := dashboard.Num
	return dashboard.EstimateView{
		Activity: e.Activity.String(),
		Height:   num(e.Height), Velocity: num(e.Velocity), Acceleration: num(e.Acceleration), HookLoad: num(e.HookLoad),
		RestUp: num(e.RestUp), RestUpBound: num(e.RestUpBound), RestDown: num(e.RestDown), RestDownBound: num(e.RestDownBound),
		CrownRoom: num(e.CrownRoom), FloorRoom: num(e.FloorRoom),
		SecondsToAct: num(e.SecondsToAct), NothingAhead: math.IsInf(e.SecondsToAct, 1),
		CannotStop: e.CannotStop, SafeLowering: num(e.SafeLowering),
		BrakeTemperature: num(e.BrakeTemperature), BrakeTemperatureHi: num(e.BrakeTemperatureHi),
		Friction: num(e.Friction), FrictionLow: num(e.FrictionLow), FrictionHigh: num(e.FrictionHigh),
		BrakeMargin: num(e.BrakeMargin), AuxiliaryShare: num(e.AuxiliaryShare), LineWork: num(e.LineWork),
		Blind: e.Blind.String(), HeightSource: e.HeightSource.String(),
	}
}

func work(r *detect.Result) dashboard.WorkView {
	num, k, e := dashboard.Num, &r.Work, &r.Estimate
	return dashboard.WorkView{
		Operation: k.Operation.String(), InSlips: k.InSlips,
		BlockWeight: num(k.BlockWeight / 1e3), StringWeight: num(k.StringWeight / 1e3), Stands: k.Stands,
		StandsToAmber: num(e.StandsToAmber), StandsToRed: num(e.StandsToRed),
		NeverAmber: math.IsInf(e.StandsToAmber, 1), NeverRed: math.IsInf(e.StandsToRed, 1),
		BrakeSettles: num(e.BrakeSettles),
	}
}

func channels(w *watch.Rig) []dashboard.ChannelView {
	var list []dashboard.ChannelView
	for c := range ingest.NumChannels {
		i := w.Instrument(c)
		if !i.Mapped {
			continue
		}
		v := dashboard.ChannelView{
			Name: c.String(), Unit: shown[c], AgeS: dashboard.Num(i.AgeS),
			Quality: i.Value.Quality.String(), Reason: i.Value.Reason.String(),
		}
		if x, ok := i.Value.Float(); ok {
			u, _ := units.Lookup(shown[c])
			v.Value = dashboard.Num(u.FromSI(x))
		}
		list = append(list, v)
	}
	return list
}

func answers(r *detect.Result) []dashboard.AnswerView {
	list := make([]dashboard.AnswerView, 0, detect.NumAnswers)
	for k := range detect.NumAnswers {
		a := r.Answers[k]
		list = append(list, dashboard.AnswerView{Name: k.String(), State: a.Grade.String(), Why: a.Why})
	}
	return list
}

func alarmList(w *watch.Rig) []dashboard.AlarmView {
	var list []dashboard.AlarmView
	for _, s := range w.Standing() {
		if s.Alarm.Suppressed {
			continue // its parent says how many it hides
		}
		list = append(list, dashboard.AlarmView{
			Alarm: s.Rule.Name, Channel: s.Channel, Title: s.Rule.Title,
			State: s.Alarm.Shown().String(), Priority: s.Alarm.Priority.String(), Reason: s.Reason,
			Value: dashboard.Num(s.Finding.Value), Limit: dashboard.Num(s.Finding.Limit), Unit: s.Finding.Unit,
			Occurrence: s.Alarm.Occurrence, Version: s.Alarm.Version, SinceMs: s.Alarm.Since.Time().UnixMilli(),
			InputBad: s.Alarm.InputBad, Sounds: s.Alarm.Sounds(), Active: s.Alarm.Active(),
			CanAck: s.Alarm.CanAcknowledge(), CanReset: s.Alarm.CanReset(), Hidden: s.Hides,
			CanSilence: s.Alarm.Sounds(), Shelvable: s.Rule.Shelvable, SeenBy: s.Alarm.AcknowledgedBy,
			Chatters: s.Chatters, Stale: s.Stale,
			Meaning: s.Rule.Meaning, Causes: s.Rule.Causes, Consequence: s.Rule.Consequence, Response: s.Rule.Response, TimeToAct: s.Rule.TimeToAct,
		})
	}
	return list
}

// aside lists what a person has put aside. An alarm may stand in both lists.
func aside(w *watch.Rig) (shelved, removed []dashboard.AsideView) {
	shelved, removed = []dashboard.AsideView{}, []dashboard.AsideView{}
	for _, s := range w.PutAside() {
		a := s.Alarm
		v := dashboard.AsideView{
			Alarm: s.Rule.Name, Channel: s.Channel, Title: s.Rule.Title, State: a.State.String(),
			Priority: s.Rule.Priority.String(), Active: a.Active(),
		}
		if a.Active() {
			v.Priority = a.Priority.String()
		}
		if a.Shelved() {
			v.Person, v.Reason, v.UntilMs = a.ShelvedBy, a.ShelvedWhy, a.ShelvedUntil.Time().UnixMilli()
			shelved = append(shelved, v)
		}
		if a.OutOfService {
			v.Person, v.Reason, v.UntilMs = a.RemovedBy, a.RemovedWhy, 0
			removed = append(removed, v)
		}
	}
	return shelved, removed
}

func service(w *watch.Rig) dashboard.ServiceView {
	log := w.Service()
	v := dashboard.ServiceView{
		CrownSaverMs: ms(log.CrownSaver.At), CrownSaverBy: log.CrownSaver.By,
		BrakeMs: ms(log.Brake.At), BrakePassed: log.Brake.Passed,
		LineMovedMs: ms(log.LineMoved()), LineCutMs: ms(log.Cut.At), SinceCut: dashboard.Num(log.SinceCut / 1e6),
		Goal:        dashboard.Num(float64(w.Rig().WorkGoal()) / 1e6),
		ReferenceMs: ms(log.Reference.At), ReferenceBy: log.Reference.By,
	}
	v.CrownSaverProven, v.CrownSaverWhy = w.CrownSaverProven()
	if t := log.CrownSaver; t.At != 0 {
		v.RunOn = dashboard.Num(t.RunOn)
		if t.Bound > 0 {
			v.RunOnPredicted, v.RunOnBound = dashboard.Num(t.Predicted), dashboard.Num(t.Bound)
		}
	}
	return v
}

// ms returns an instant in ms since 1970, 0 for never.
func ms(i alarms.Instant) int64 {
	if i == 0 {
		return 0
	}
	return i.Time().UnixMilli()
}
