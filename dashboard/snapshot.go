// Package dashboard serves the pages and the WebSocket that show what the monitor
// knows, and takes acknowledgements from them.
//
// It may not compute physics or decide an alarm: it shows what it is given.
package dashboard

import "hoistward/ingest"

// Snapshot is everything a page needs to draw one rig at one instant: the server
// sends whole snapshots. A nil number is "not known". Numbers are SI but for the
// units in their names.
type Snapshot struct {
	Seq        uint64        `json:"seq"`
	ServerTime string        `json:"server_time"` // RFC 3339 UTC, ms
	ServerMs   int64         `json:"server_ms"`   // the same, ms since 1970
	Rig        string        `json:"rig"`
	NewestMs   int64         `json:"newest_ms"`     // receipt of the newest reading, ms since 1970; 0 = never
	SilenceMs  int64         `json:"silence_ms"`    // a reading this old, ms, is no longer the present: three usual intervals, at least two seconds
	ClockAhead *float64      `json:"clock_ahead_s"` // source clock less ours
	Mast       Mast          `json:"mast"`
	Ratings    Ratings       `json:"ratings"`
	Estimate   EstimateView  `json:"estimate"`
	Work       WorkView      `json:"work"`           // what the hoist is at, and what hangs on it
	Channels   []ChannelView `json:"channels"`       // mapped channels, in channel order
	Answers    []AnswerView  `json:"answers"`        // what can be answered, and how well
	Alarms     []AlarmView   `json:"alarms"`         // standing and unacknowledged, most urgent first
	Shelved    []AsideView   `json:"shelved"`        // by a person, with an end
	Removed    []AsideView   `json:"out_of_service"` // by a person, until returned
	Rate       RateView      `json:"alarm_rate"`
	Service    ServiceView   `json:"service"` // what the service log comes to
	Links      []LinkView    `json:"links"`
	Rejects    []RejectView  `json:"rejects"`  // most frequent first
	Recorder   string        `json:"recorder"` // "", or what is wrong
	Sick       []string      `json:"sick"`     // what is wrong with the monitor itself, the worst first
}

// Mast is the scale of the mast strip, m above the floor.
type Mast struct {
	CrownHeight float64 `json:"crown_height_m"`
	CrownLimit  float64 `json:"crown_limit_m"`
	CrownSaver  float64 `json:"crown_saver_m"`
	FloorLimit  float64 `json:"floor_limit_m"`
}

// Ratings are the ends of the bars.
type Ratings struct {
	HookLoad *float64 `json:"hook_load_kN"` // greatest allowed; nil = not stated
	Amber    float64  `json:"amber_C"`
	Red      float64  `json:"red_C"`
	Margin   float64  `json:"margin"` // brake margin low below this
}

// EstimateView is detect.Estimate as JSON; the names are those of the estimates file.
type EstimateView struct {
	Activity           string   `json:"activity"`
	Height             *float64 `json:"height_m"`
	Velocity           *float64 `json:"velocity_mps"`
	Acceleration       *float64 `json:"acceleration_mps2"`
	HookLoad           *float64 `json:"hook_load_kN"`
	RestUp             *float64 `json:"rest_up_m"`
	RestUpBound        *float64 `json:"rest_up_bound_m"`
	RestDown           *float64 `json:"rest_down_m"`
	RestDownBound      *float64 `json:"rest_down_bound_m"`
	CrownRoom          *float64 `json:"crown_room_m"`
	FloorRoom          *float64 `json:"floor_room_m"`
	SecondsToAct       *float64 `json:"seconds_to_act"` // nil with NothingAhead: no limit ahead
	NothingAhead       bool     `json:"nothing_ahead"`
	CannotStop         bool     `json:"cannot_stop"`
	SafeLowering       *float64 `json:"safe_lowering_mps"`
	BrakeTemperature   *float64 `json:"brake_temperature_C"`
	BrakeTemperatureHi *float64 `json:"brake_temperature_bound_C"`
	Friction           *float64 `json:"friction_factor"`
	FrictionLow        *float64 `json:"friction_low"`
	FrictionHigh       *float64 `json:"friction_high"`
	BrakeMargin        *float64 `json:"brake_margin"`
	AuxiliaryShare     *float64 `json:"auxiliary_share"`
	LineWork           *float64 `json:"line_work_MJ"`
	Blind              string   `json:"blind"` // "", "crown", "floor", "both"
	HeightSource       string   `json:"height_source"`
}

// WorkView is what the hoist's motion is part of, and how many more such stands the
// brake bears.
type WorkView struct {
	Operation     string   `json:"operation"` // unknown, drilling, reaming, connection, tripping_in, tripping_out, slip_and_cut, holding
	InSlips       bool     `json:"in_slips"`
	BlockWeight   *float64 `json:"block_weight_kN"`  // learned, of the empty block
	StringWeight  *float64 `json:"string_weight_kN"` // learned, block included; nil = none yet
	Stands        int      `json:"stands"`           // since watching began
	StandsToAmber *float64 `json:"stands_to_amber"`  // at the pace of the last stands; nil = not known, or never
	StandsToRed   *float64 `json:"stands_to_red"`
	NeverAmber    bool     `json:"never_amber"` // at that pace
	NeverRed      bool     `json:"never_red"`
	BrakeSettles  *float64 `json:"brake_settles_C"` // at that pace
}

// ChannelView is one instrument's state.
type ChannelView struct {
	Name    string   `json:"name"`
	Value   *float64 `json:"value"` // in Unit; nil = no value
	Unit    string   `json:"unit"`
	AgeS    *float64 `json:"age_s"`   // nil = never came
	Quality string   `json:"quality"` // good, uncertain, bad
	Reason  string   `json:"reason"`
}

// AnswerView says how well one question can be answered now.
type AnswerView struct {
	Name  string `json:"name"`  // "crown", "floor", "brake heat", "friction", "auxiliary", "brake margin"
	State string `json:"state"` // good, degraded, gone
	Why   string `json:"why"`
}

// AlarmView is one alarm as the page lists it.
type AlarmView struct {
	Alarm       string   `json:"alarm"`
	Channel     string   `json:"channel,omitempty"`
	Title       string   `json:"title"`
	State       string   `json:"state"`
	Priority    string   `json:"priority"` // emergency, high, medium, low
	Reason      string   `json:"reason"`
	Value       *float64 `json:"value"`
	Limit       *float64 `json:"limit"`
	Unit        string   `json:"unit"`
	Occurrence  uint64   `json:"occurrence"`
	Version     uint64   `json:"version"`
	SinceMs     int64    `json:"since_ms"`
	InputBad    bool     `json:"input_bad"`
	Sounds      bool     `json:"sounds"`
	Active      bool     `json:"active"` // condition present
	CanAck      bool     `json:"can_ack"`
	CanReset    bool     `json:"can_reset"`
	Hidden      int      `json:"hidden"` // children suppressed by design under this one
	CanSilence  bool     `json:"can_silence"`
	Shelvable   bool     `json:"shelvable"`
	SeenBy      string   `json:"acknowledged_by,omitempty"`
	Chatters    bool     `json:"chatters"` // raised three times or more within a minute
	Stale       bool     `json:"stale"`    // active for more than 24 h
	Meaning     string   `json:"meaning"`
	Causes      string   `json:"causes"`
	Consequence string   `json:"consequence"`
	Response    string   `json:"response"`
	TimeToAct   string   `json:"time_to_act"` // in words, of the catalogue
}

// AsideView is an alarm that a person has put aside.
type AsideView struct {
	Alarm    string `json:"alarm"`
	Channel  string `json:"channel,omitempty"`
	Title    string `json:"title"`
	State    string `json:"state"` // underneath
	Priority string `json:"priority"`
	Active   bool   `json:"active"` // condition present
	Person   string `json:"person"`
	Reason   string `json:"reason"`
	UntilMs  int64  `json:"until_ms"` // end of a shelf, ms since 1970; 0 = until it is returned
}

// RateView is how many alarms the rig's operator position has had lately.
type RateView struct {
	Hour   int  `json:"hour"`
	TenMin int  `json:"ten_min"`
	Flood  bool `json:"flood"` // from above 10 in ten minutes until below 5
}

// ServiceView is what the log of proof tests and line service comes to. A time of 0 is
// "not on record".
type ServiceView struct {
	CrownSaverProven bool     `json:"crown_saver_proven"`
	CrownSaverWhy    string   `json:"crown_saver_why"` // why it is not
	CrownSaverMs     int64    `json:"crown_saver_test_ms"`
	CrownSaverBy     string   `json:"crown_saver_test_by"`
	RunOn            *float64 `json:"run_on_m"`           // measured
	RunOnPredicted   *float64 `json:"run_on_predicted_m"` // expected
	RunOnBound       *float64 `json:"run_on_bound_m"`     // 99 % stay below
	BrakeMs          int64    `json:"brake_test_ms"`
	BrakePassed      bool     `json:"brake_test_passed"`
	LineMovedMs      int64    `json:"line_moved_ms"` // slipped or cut
	LineCutMs        int64    `json:"line_cut_ms"`
	SinceCut         *float64 `json:"line_work_since_cut_MJ"`
	Goal             *float64 `json:"line_work_goal_MJ"`
	ReferenceMs      int64    `json:"reference_ms"`
	ReferenceBy      string   `json:"reference_by"`
}

// LinkView is one source's connection.
type LinkView struct {
	Source  string `json:"source"`
	State   string `json:"state"`
	SinceMs int64  `json:"since_ms"`
	Detail  string `json:"detail"`
}

// RejectView is one count of what was refused.
type RejectView struct {
	Source string `json:"source"`
	Reason string `json:"reason"`
	Count  uint64 `json:"count"`
	Last   string `json:"last"` // a short piece of the newest one
}

// Desk takes what people ask. Act returns when the act is on disk, or the reason
// why it was refused.
type Desk interface {
	Act(rig string, act ingest.Act) error
}
