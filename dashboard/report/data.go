package report

import (
	"time"

	"hoistward/alarms"
	"hoistward/alarms/whatif"
)

// Report is all that a report says. Exactly one of Incident and Tour is set.
type Report struct {
	Rig      string      `json:"rig"`
	Software string      `json:"software"` // that made the report
	Zone     string      `json:"zone"`     // in which the page shows times; the data are in UTC
	From     time.Time   `json:"from"`     // of the window, by receipt; both ends belong to it
	To       time.Time   `json:"to"`
	Empty    string      `json:"empty,omitempty"` // why the report has nothing to say
	Sessions []Session   `json:"sessions"`        // in force in the window, in order
	Sources  []Recording `json:"recordings"`
	Problems []string    `json:"problems"` // what of the recordings could not be used
	Entries  Range       `json:"entries"`  // that were played up to the end of the window
	Limits   []Limit     `json:"limits"`   // of the rig file in force at the end
	Series   []Series    `json:"series"`
	Extremes []Extreme   `json:"extremes"`
	Before   []Standing  `json:"standing_before"`
	After    []Standing  `json:"standing_after"`
	Aside    []Aside     `json:"put_aside"` // shelved or out of service at the end
	Alarms   []Alarm     `json:"alarms"`
	Rows     []Row       `json:"rows"` // what happened, by time
	Omitted  Omitted     `json:"omitted"`
	Outages  []Spell     `json:"outages"`
	Incident *Incident   `json:"incident,omitempty"`
	Tour     *Tour       `json:"tour,omitempty"`
}

// Incident is what an incident report has beside.
type Incident struct {
	At       time.Time `json:"at"`
	Channels []Strip   `json:"channels"`
	WhatIfs  []WhatIf  `json:"what_if"`
	Sweep    *Sweep    `json:"sweep,omitempty"`
}

// Tour is what a tour report has beside.
type Tour struct {
	Figures    alarms.Figures `json:"figures"`
	Targets    []Target       `json:"targets"`
	Stands     int            `json:"stands"`
	Operations []Share        `json:"operations"`
	LineWork   Work           `json:"line_work"`
	Service    []ServiceRow   `json:"service_log"`
	CrownSaver string         `json:"crown_saver"` // proof at the end, in words
	Blind      float64        `json:"blind_s"`     // time without an answer for crown or floor
}

// Session is a run of the monitor: what was in force.
type Session struct {
	Since    time.Time `json:"since"`
	Software string    `json:"software"` // that recorded
	RigHash  string    `json:"rig_file_sha256"`
}

// Recording is a file that the report was made from; see record.Contents.
type Recording struct {
	File      string    `json:"file"`
	Rig       string    `json:"rig"`
	Entries   uint64    `json:"entries"`
	FirstSeq  uint64    `json:"first_seq"`
	LastSeq   uint64    `json:"last_seq"`
	First     time.Time `json:"first_received"`
	Last      time.Time `json:"last_received"`
	EntryHash string    `json:"entries_sha256"`
	FileHash  string    `json:"file_sha256"`
	LogBeside bool      `json:"log_beside"`
	Damage    []string  `json:"damage,omitempty"`
}

// Range is a range of entries.
type Range struct {
	Count    uint64    `json:"count"`
	InWindow uint64    `json:"in_window"`
	FirstSeq uint64    `json:"first_seq"`
	LastSeq  uint64    `json:"last_seq"`
	First    time.Time `json:"first_received"`
	Last     time.Time `json:"last_received"`
}

// Limit is a figure of the rig file.
type Limit struct {
	Name  string   `json:"name"`
	Key   string   `json:"key"` // in the rig file
	Value *float64 `json:"value"`
	Unit  string   `json:"unit"`
}

// Extreme is the most or the least of an estimate in the window.
type Extreme struct {
	Name  string    `json:"name"`
	Value float64   `json:"value"`
	Unit  string    `json:"unit"`
	At    time.Time `json:"at"`
}

// Standing is an alarm that was not normal at an end of the window.
type Standing struct {
	Alarm    string    `json:"alarm"`
	Title    string    `json:"title"`
	Channel  string    `json:"channel,omitempty"`
	Priority string    `json:"priority"`
	State    string    `json:"state"`
	Since    time.Time `json:"raised"`
	Reason   string    `json:"reason"`
}

// Aside is an alarm that a person has put aside.
type Aside struct {
	Alarm   string    `json:"alarm"`
	Title   string    `json:"title"`
	Channel string    `json:"channel,omitempty"`
	How     string    `json:"how"` // shelved, out of service
	Person  string    `json:"person"`
	Reason  string    `json:"reason"`
	Until   time.Time `json:"until,omitzero"`
}

// Alarm is one occurrence that was raised in the window.
type Alarm struct {
	N          int       `json:"n"` // its number in the figures
	At         time.Time `json:"at"`
	Alarm      string    `json:"alarm"`
	Title      string    `json:"title"`
	Channel    string    `json:"channel,omitempty"`
	Priority   string    `json:"priority"` // the highest that it had in the window
	Bars       int       `json:"-"`
	Hidden     string    `json:"hidden,omitempty"` // shelved, suppressed, out of service
	Reason     string    `json:"reason"`
	Value      *float64  `json:"value"`
	Limit      *float64  `json:"limit"`
	Unit       string    `json:"unit"`
	ToAct      *float64  `json:"seconds_to_act"` // when it was raised; null = see ToActWords
	ToActWords string    `json:"to_act"`
	Height     *float64  `json:"height_m"`
	Velocity   *float64  `json:"velocity_mps"`
	Acked      time.Time `json:"acknowledged_at,omitzero"`
	AckedBy    string    `json:"acknowledged_by,omitempty"`
	Waited     *float64  `json:"waited_s"` // from raised or worsened to acknowledged
	Cleared    time.Time `json:"cleared_at,omitzero"`
	called     time.Time
	occurrence uint64
}

// Row is one line of what happened.
type Row struct {
	At   time.Time `json:"at"`
	Kind string    `json:"kind"` // alarm, act, link, reading, hoist, answer, session, gap
	Text string    `json:"text"`
	Bars int       `json:"-"`           // of the alarm's priority
	N    int       `json:"n,omitempty"` // of the alarm
}

// Omitted counts what the bounds of the lists left out.
type Omitted struct {
	Rows    int `json:"rows"`
	Alarms  int `json:"alarms"`
	Outages int `json:"outages"`
}

// Spell is a time in which something was not as it should be.
type Spell struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"` // zero = beyond the window
	What string    `json:"what"`
	Why  string    `json:"why"`
}

// WhatIf is one change of the rig file and what it would have led to.
type WhatIf struct {
	Words  string         `json:"words"`
	Result *whatif.Result `json:"result"`
	Failed string         `json:"failed,omitempty"`
}

// Sweep is one key of the rig file through several values.
type Sweep struct {
	Key    string         `json:"key"`
	Alarm  string         `json:"alarm"`
	Points []whatif.Point `json:"points"`
}

// Target is a figure of the alarms beside its published target.
type Target struct {
	Name   string `json:"name"`
	Value  string `json:"value"`
	Target string `json:"target"`
	Met    string `json:"met"` // yes, no, or why it cannot be said
	Source string `json:"source"`
}

// Share is how long the hoist was at one operation.
type Share struct {
	Operation string  `json:"operation"`
	Seconds   float64 `json:"seconds"`
}

// Work is the line's work, MJ.
type Work struct {
	InWindow float64  `json:"in_window_MJ"`
	SinceCut *float64 `json:"since_cut_MJ"`
	Goal     *float64 `json:"goal_MJ"`
}

// ServiceRow is an entry of the service log.
type ServiceRow struct {
	At     time.Time `json:"at"`
	Person string    `json:"person"`
	Text   string    `json:"text"`
}
