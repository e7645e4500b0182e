package dashboard

import (
	"cmp"
	"math"
	"slices"
	"strings"
)

// Tile is one rig as a page of many rigs shows it: what is needed to draw a small
// mast strip with its stopping shadow and a heat bar, and to order rigs by need.
// A nil number is "not known"; no number of it is ever NaN or infinite.
type Tile struct {
	Rig          string   `json:"rig"`
	Seq          uint64   `json:"seq"`
	ServerMs     int64    `json:"server_ms"`
	NewestMs     int64    `json:"newest_ms"`  // receipt of the newest reading, ms since 1970; 0 = never
	SilenceMs    int64    `json:"silence_ms"` // a reading older than that says nothing of now
	Activity     string   `json:"activity"`
	CrownHeight  *float64 `json:"crown_height_m"`
	CrownLimit   *float64 `json:"crown_limit_m"`
	FloorLimit   *float64 `json:"floor_limit_m"`
	Height       *float64 `json:"height_m"`
	Velocity     *float64 `json:"velocity_mps"`
	RestUp       *float64 `json:"rest_up_m"`
	RestUpHi     *float64 `json:"rest_up_bound_m"`
	RestDown     *float64 `json:"rest_down_m"`
	RestDownHi   *float64 `json:"rest_down_bound_m"`
	SecondsToAct *float64 `json:"seconds_to_act"` // nil with NothingAhead: no limit ahead
	NothingAhead bool     `json:"nothing_ahead"`
	CannotStop   bool     `json:"cannot_stop"`
	BrakeHi      *float64 `json:"brake_temperature_bound_C"`
	Amber        *float64 `json:"amber_C"`
	Red          *float64 `json:"red_C"`
	BrakeMargin  *float64 `json:"brake_margin"`
	MarginLow    *float64 `json:"margin"` // brake margin low below this
	Blind        string   `json:"blind"`  // "", "crown", "floor", "both"
	Alarms       int      `json:"alarms"`
	Unseen       int      `json:"unacknowledged"`
	Priority     string   `json:"priority"` // of the most urgent alarm, "" = none
	Alarm        string   `json:"alarm"`
	Title        string   `json:"title"`
}

// TileOf returns the tile of snap. It keeps nothing of snap.
func TileOf(snap *Snapshot) Tile {
	e, m := &snap.Estimate, &snap.Mast
	t := Tile{
		Rig: snap.Rig, Seq: snap.Seq, ServerMs: snap.ServerMs, NewestMs: snap.NewestMs, SilenceMs: snap.SilenceMs, Activity: e.Activity,
		CrownHeight: Num(m.CrownHeight), CrownLimit: Num(m.CrownLimit), FloorLimit: Num(m.FloorLimit),
		Height: finite(e.Height), Velocity: finite(e.Velocity),
		RestUp: finite(e.RestUp), RestUpHi: finite(e.RestUpBound),
		RestDown: finite(e.RestDown), RestDownHi: finite(e.RestDownBound),
		SecondsToAct: finite(e.SecondsToAct), NothingAhead: e.NothingAhead, CannotStop: e.CannotStop,
		BrakeHi: finite(e.BrakeTemperatureHi), Amber: Num(snap.Ratings.Amber), Red: Num(snap.Ratings.Red),
		BrakeMargin: finite(e.BrakeMargin), MarginLow: Num(snap.Ratings.Margin),
		Blind: e.Blind,
	}
	for i := range snap.Alarms {
		a := &snap.Alarms[i]
		if a.putAside() {
			continue
		}
		if t.Alarms == 0 {
			t.Priority, t.Alarm, t.Title = a.Priority, a.Alarm, a.Title
		}
		t.Alarms++
		if a.CanAck {
			t.Unseen++
		}
	}
	return t
}

// putAside: a person has shelved it or taken it out of service. It stands in a list of
// its own.
func (a *AlarmView) putAside() bool { return a.State == "shelved" || a.State == "out_of_service" }

// rounded returns t with its numbers to a thousandth: millimetres, milliseconds. Forty
// rigs ten times a second are sent so.
func (t Tile) rounded() Tile {
	for _, p := range []**float64{
		&t.CrownHeight, &t.CrownLimit, &t.FloorLimit, &t.Height, &t.Velocity, &t.RestUp, &t.RestUpHi, &t.RestDown,
		&t.RestDownHi, &t.SecondsToAct, &t.BrakeHi, &t.Amber, &t.Red, &t.BrakeMargin, &t.MarginLow,
	} {
		if *p != nil {
			*p = Num(math.Round(**p*1000) / 1000) // beyond 1e305 the product overflows: not known
		}
	}
	return t
}

// finite returns a copy of p, or nil where it is nil or not finite.
func finite(p *float64) *float64 {
	if p == nil {
		return nil
	}
	return Num(*p)
}

// needSeconds, s: an end that is further away calls for nobody yet. Our own choice.
const needSeconds = 30.0

// SilenceLeastMs is the least SilenceMs of a snapshot.
const SilenceLeastMs = 2000

// need is what rigs are ordered by, the first that differs deciding.
type need struct {
	seconds float64 // to act, least first; needSeconds = none within that
	brake   float64 // worst first; 0 = below amber with margin enough, 1 = at red
	unseen  int     // what cannot be told, most first
	loud    int     // rank of the most urgent alarm, highest first
}

// OrderByNeed sorts tiles as of nowMs (ms since 1970, the server's clock): least
// seconds to act, then worst brake, then what cannot be told (no reading for 2 s
// before blind both ways, one way, brake heat not known), then the most urgent
// alarm, then by name, so that the same tiles always come in the same order. The
// last values of a rig without readings are not believed: it counts as one of
// which nothing can be told.
func OrderByNeed(tiles []Tile, nowMs int64) {
	slices.SortFunc(tiles, func(a, b Tile) int { return compareNeed(&a, &b, nowMs) })
}

func compareNeed(a, b *Tile, nowMs int64) int {
	return cmp.Or(compareSteps(a.need(nowMs), b.need(nowMs)), strings.Compare(a.Rig, b.Rig))
}

func (t *Tile) need(nowMs int64) need {
	n := need{seconds: needSeconds, loud: loudness(t.Priority)}
	if t.lost(nowMs) {
		n.unseen = 4
		return n
	}
	if t.CannotStop {
		n.seconds = 0
	} else if t.SecondsToAct != nil {
		n.seconds = min(needSeconds, max(0, *t.SecondsToAct))
	}
	n.brake = max(excess(t.BrakeHi, t.Amber, t.Red), excess(t.BrakeMargin, t.MarginLow, new(float64)))
	switch {
	case t.Blind == "both":
		n.unseen = 3
	case t.Blind != "":
		n.unseen = 2
	case t.BrakeHi == nil:
		n.unseen = 1
	}
	return n
}

// lost: the newest reading is older than the rig's limit of silence, or none ever came.
func (t *Tile) lost(nowMs int64) bool {
	return t.NewestMs == 0 || nowMs-t.NewestMs > max(t.SilenceMs, SilenceLeastMs)
}

// excess says how far x has gone from where concern begins (0) to the end of the
// scale (1, and on beyond it); 0 where it cannot be told.
func excess(x, from, to *float64) float64 {
	if x == nil || from == nil || to == nil {
		return 0
	}
	part := (*x - *from) / (*to - *from)
	if !(part > 0) { // also NaN, where both ends are one
		return 0
	}
	return part
}

func loudness(priority string) int {
	return 1 + slices.Index([]string{"low", "medium", "high", "emergency"}, priority)
}
