package watch

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"hoistward/alarms"
	"hoistward/detect/hoist"
)

// limitsOf lists the figures that the rig's alarms go by: those of the rig file, by
// their keys there, and the delays of the catalogue.
func limitsOf(rig *hoist.Rig, b *board) []alarms.Limit {
	m := &rig.Mast
	list := []alarms.Limit{
		{Alarm: "overhoist", Name: "mast.crown_limit", Value: float64(m.CrownLimit), Unit: "m"},
		{Alarm: "crown_limit_passed", Name: "mast.crown_limit", Value: float64(m.CrownLimit), Unit: "m"},
		{Alarm: "floor_approach", Name: "mast.floor_limit", Value: float64(m.FloorLimit), Unit: "m"},
		{Alarm: "crown_saver_not_proven", Name: "mast.crown_saver_trip", Value: float64(m.CrownSaverTrip), Unit: "m"},
		{Alarm: "brake_hot", Name: "brakes.heat.amber", Value: rig.Heat.Amber.Celsius(), Unit: "degC"},
		{Alarm: "brake_very_hot", Name: "brakes.heat.red", Value: rig.Heat.Red.Celsius(), Unit: "degC"},
		{Alarm: "brake_margin_low", Name: "brakes.service.hold_factor", Value: rig.Service.HoldFactor},
		{Alarm: "overload", Name: "drawworks.rated_load", Value: float64(rig.Drawworks.RatedLoad) / 1e3, Unit: "kN"},
	}
	due, goal := &rig.Due, float64(rig.WorkGoal())/1e6
	list = append(list, alarms.Limit{Alarm: "crown_saver_not_proven", Name: "due.crown_saver", Value: float64(due.CrownSaver) / 3600, Unit: "h"},
		alarms.Limit{Alarm: "brake_not_proven", Name: "due.brake", Value: float64(due.Brake) / 3600, Unit: "h"})
	if goal > 0 {
		list = append(list, alarms.Limit{Alarm: "line_work_over", Name: "due.line_goal", Value: goal, Unit: "MJ"})
	}
	last := ""
	for i := range b.slots {
		r := b.slots[i].rule()
		if r.Name == last {
			continue // the next channel of the same alarm
		}
		last = r.Name
		list = append(list, alarms.Limit{Alarm: r.Name, Name: "on_delay", Value: r.OnDelay.Seconds(), Unit: "s"},
			alarms.Limit{Alarm: r.Name, Name: "off_delay", Value: r.OffDelay.Seconds(), Unit: "s"})
	}
	return list
}

// auditLimits writes a line for each figure that is another than when the state was
// saved. The alarms keep their state and are judged by the new figure from here on.
func (b *board) auditLimits(rig string, now time.Time, was, is []alarms.Limit) {
	before := map[[2]string]float64{}
	for _, l := range was {
		before[[2]string{l.Alarm, l.Name}] = l.Value
	}
	for _, l := range is {
		old, known := before[[2]string{l.Alarm, l.Name}]
		if !known || old == l.Value {
			continue
		}
		e := b.audit(rig, now, l.Alarm, alarms.EventLimitChanged, fmt.Sprintf("%s was %s, is %s", l.Name, figure(old, l.Unit), figure(l.Value, l.Unit)))
		e.Value, e.Limit, e.Unit = old, l.Value, l.Unit
	}
}

func figure(x float64, unit string) string {
	text := strconv.FormatFloat(x, 'g', 6, 64)
	if unit != "" {
		text += " " + unit
	}
	return text
}

// audit adds a journal line that is no change of an alarm's state; the line may be
// filled further.
func (b *board) audit(rig string, now time.Time, alarm string, kind alarms.EventKind, reason string) *alarms.Event {
	e := alarms.Event{Time: now, Rig: rig, Alarm: alarm, Event: kind, Reason: reason, Value: math.NaN(), Limit: math.NaN()}
	if s := b.named(alarm, ""); s != nil && s.memory != nil {
		a := &s.alarm
		e.State, e.Priority, e.Occurrence, e.Version = a.Shown(), a.Priority, a.Occurrence, a.Version
	}
	b.events = append(b.events, e)
	return &b.events[len(b.events)-1]
}
