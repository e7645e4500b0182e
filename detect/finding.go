package detect

import (
	"strconv"

	"hoistward/ingest"
)

// Condition is what a detector makes of its evidence. The zero value is
// Undecided: evidence that is missing or bad neither raises nor clears.
type Condition uint8

// The conditions.
const (
	Undecided Condition = iota
	Absent
	Present
)

// Urgency orders findings by the time there is to act.
type Urgency uint8

// The urgencies, least first.
const (
	Low Urgency = iota
	Medium
	High
	Emergency
)

// Finding is one detector's verdict on one frame or tick.
type Finding struct {
	Condition Condition
	Urgency   Urgency
	Value     Number // the figure judged, in Unit; NaN = none
	Limit     Number // what it was judged against
	Unit      string
	Cause     Cause
	Channel   ingest.Channel // what the cause is about, where it is a channel
	Blind     Blind          // which answers cannot be given
}

// Kind names a finding of the whole rig. Its name is that of the alarm it feeds.
type Kind uint8

// The kinds of finding.
const (
	Overhoist Kind = iota
	CrownLimitPassed
	FloorApproach
	CannotStop
	LoweringTooFast
	BrakeFade
	BrakeHot
	BrakeVeryHot
	BrakeMarginLow
	HeightsDisagree
	PositionNotCalibrated
	Overload
	BlindFinding
	ClockDisagrees
	SourceLost
	AuxiliaryLost
	AuxiliaryWeak
	EmergencyBrakeSet
	CrownSaverTripped
	BrakeCreep
	BrakeHeadingHot
	DriveDidNotRelease
	BrakeDrag
	BrakePressureLow
	CoolantHot
	CoolantFlowLow
	NumKinds
)

var kindNames = [NumKinds]string{
	"overhoist", "crown_limit_passed", "floor_approach", "cannot_stop",
	"lowering_too_fast", "brake_fade", "brake_hot", "brake_very_hot",
	"brake_margin_low", "heights_disagree", "position_not_calibrated",
	"overload", "blind", "clock_disagrees", "source_lost",
	"auxiliary_brake_lost", "auxiliary_brake_weak",
	"emergency_brake_set", "crown_saver_tripped", "brake_creep",
	"brake_heading_hot", "drive_did_not_release", "brake_drag", "brake_pressure_low",
	"coolant_hot", "coolant_flow_low",
}

// String returns the alarm's name.
func (k Kind) String() string { return kindNames[k] }

// ChannelKind names a finding of one channel.
type ChannelKind uint8

// The kinds of channel finding.
const (
	ReadingLost ChannelKind = iota
	ReadingFrozen
	ReadingOutOfRange
	ReadingImpossibleStep
	ReadingUnitConflict
	ReadingLate
	NumChannelKinds
)

var channelKindNames = [NumChannelKinds]string{
	"reading_lost", "reading_frozen", "reading_out_of_range", "reading_impossible_step", "reading_unit_conflict", "reading_late",
}

// String returns the alarm's name.
func (k ChannelKind) String() string { return channelKindNames[k] }

// Cause says in which way a finding holds; Describe puts it into words.
type Cause uint8

// The causes.
const (
	NoCause Cause = iota
	RestAboveCrownLimit
	RestBelowFloorLimit
	HeightAboveCrownLimit
	BrakeCannotWin
	FasterThanSafeLowering
	FrictionBelowExpected
	HotterThanAmber
	HotterThanRed
	CapacityBelowFactor
	WitnessesApart
	MapNeverSet
	CountsJumped
	LineSlipped
	CountsNotTied
	LoadAboveRating
	NoHeightKnown
	HeightTooOld
	NoVelocityKnown
	NoHookLoad
	StampsOffset
	NothingArrives
	NoValueSince
	NeverArrived
	SourceSaysNull
	SourceSaysBad
	UnchangedWhileMoving
	OutsideRange
	StrayedFurther
	SpeaksAnotherUnit
	OtherThanCounts
	AuxiliaryGone
	AuxiliaryBelowCurve
	ReleasePressureLost
	CrownSaverSays
	TurnsWhileSet
	OtherThanHeight
	RunsBackward
	TradedPlaces
	HoldsWithTooLittle
	BeyondFullPressure
	ComesLate
	AmberAtThisPace
	PullsAfterLetGo
	ClutchStaysIn
	RubsReleased
	WarmsReleased
	TripLacksPressure
	PressureSinks
	CoolantAboveLimit
	CoolantKeepsHeat
	SaysAnotherUnit // the source itself
	ColderThanHeat
	UnchangedWhileHeated
)

var causeWords = [...]string{
	NoCause:                "",
	RestAboveCrownLimit:    "the block can come to rest above the crown limit",
	RestBelowFloorLimit:    "the block can come to rest below the floor limit",
	HeightAboveCrownLimit:  "the block can already be above the crown limit",
	BrakeCannotWin:         "the brake as it is cannot bring the load to rest",
	FasterThanSafeLowering: "lowering faster than the brake can stop in the room left",
	FrictionBelowExpected:  "the lining grips less than it should at this temperature",
	HotterThanAmber:        "the brake can be hotter than its amber mark",
	HotterThanRed:          "the brake can be hotter than its red mark",
	CapacityBelowFactor:    "brake capacity over static demand is below the factor set",
	WitnessesApart:         "drum and block-height sensor disagree",
	MapNeverSet:            "the drum-wrap map has no reference",
	CountsJumped:           "the drum count jumped: slip, cut, reset or lost counts",
	LineSlipped:            "the drum turned while the block hung off the line: line was slipped",
	CountsNotTied:          "no height reading yet to tie the drum count to the map",
	LoadAboveRating:        "hook load above the rating",
	NoHeightKnown:          "no height of the block is known",
	HeightTooOld:           "the newest height of the block is too old",
	NoVelocityKnown:        "no speed of the block is known",
	NoHookLoad:             "no hook load is known",
	StampsOffset:           "the source's clock differs from ours",
	NothingArrives:         "nothing arrives from this rig",
	NoValueSince:           "no value in time",
	NeverArrived:           "mapped, but no value ever came",
	SourceSaysNull:         "the source says: no value",
	SourceSaysBad:          "the source sends what is not a number",
	UnchangedWhileMoving:   "the value stands still while the drum turns",
	OtherThanCounts:        "drum speed and drum count show different speeds: the speed is not used",
	AuxiliaryGone:          "the auxiliary brake gives far less than it did at this speed",
	AuxiliaryBelowCurve:    "the auxiliary brake gives less than its curve at this speed and current",
	ReleasePressureLost:    "release pressure is lost: the spring-set calipers are on",
	CrownSaverSays:         "the crown saver says that it has tripped",
	TurnsWhileSet:          "the drum turns although the brake is pressed hard enough to hold the load",
	OtherThanHeight:        "the drum shows another speed than the block-height sensor: it is not used",
	RunsBackward:           "it runs the other way than the block: the sign is turned, it is not used",
	TradedPlaces:           "two channels have traded places: neither is used",
	HoldsWithTooLittle:     "the brake holds far more than this pressure could: the pressure is not used",
	BeyondFullPressure:     "more than the brake's full pressure can be: not used",
	ComesLate:              "values come, but later than they should",
	StrayedFurther:         "a reading lay further off than the hoist can go between two readings: not used",
	SpeaksAnotherUnit:      "the value changed by the ratio of two units: not used",
	OutsideRange:           "the value is outside its range",
	AmberAtThisPace:        "at the pace of the last stands the brake passes amber",
	ClutchStaysIn:          "the clutch stays in though the brake is set or the crown saver has tripped",
	PullsAfterLetGo:        "the drum still shows drive torque though the drive should be out",
	RubsReleased:           "the brake is released, yet hoisting takes more torque than the load",
	WarmsReleased:          "the brake is released and turning, yet it warms",
	TripLacksPressure:      "the crown saver has tripped, and the brake's pressure does not come to full",
	PressureSinks:          "the brake's pressure sinks slowly and steadily while nobody would ease it",
	CoolantAboveLimit:      "coolant is hotter than its limit",
	CoolantKeepsHeat:       "with the brake idle the coolant keeps its heat: it does not flow",
	SaysAnotherUnit:        "the source says that it sends another unit than the site file states: not used",
	UnchangedWhileHeated:   "the value stands still while the heat put into the brake must change it",
	ColderThanHeat:         "it is colder than the heat put into the brake allows: it is not used",
}

// reason is the cause as the quality of a value.
func (c Cause) reason() ingest.Reason {
	if c == SpeaksAnotherUnit {
		return ingest.UnitConflict
	}
	return ingest.ImpossibleStep
}

// Words returns the cause as a phrase for a person.
func (c Cause) Words() string { return causeWords[c] }

// AppendWords appends a sentence on the finding: cause, value, limit.
func (f *Finding) AppendWords(dst []byte) []byte {
	if f.Blind != 0 {
		dst = append(dst, blindWords[f.Blind&3]...)
	}
	dst = append(dst, f.Cause.Words()...)
	if !Known(f.Value) {
		return dst
	}
	if f.Cause != NoCause {
		dst = append(dst, ": "...)
	}
	dst = appendFigure(dst, f.Value, f.Unit)
	if Known(f.Limit) {
		dst = append(dst, " against "...)
		dst = appendFigure(dst, f.Limit, f.Unit)
	}
	return dst
}

var blindWords = [...]string{
	"", "no answer for the crown: ", "no answer for the floor: ", "no answer for crown and floor: ",
}

func appendFigure(dst []byte, x float64, unit string) []byte {
	dst = strconv.AppendFloat(dst, x, 'f', decimals(unit), 64)
	if unit != "" {
		dst = append(dst, ' ')
		dst = append(dst, unit...)
	}
	return dst
}

func decimals(unit string) int {
	switch unit {
	case "°C", "kN":
		return 0
	case "s":
		return 1
	}
	return 2
}

// absent and present build the two decided findings.
func absent(value, limit Number, unit string) Finding {
	return Finding{Condition: Absent, Value: value, Limit: limit, Unit: unit}
}

func present(u Urgency, c Cause, value, limit Number, unit string) Finding {
	return Finding{Condition: Present, Urgency: u, Cause: c, Value: value, Limit: limit, Unit: unit}
}

func undecided() Finding { return Finding{Value: NotKnown(), Limit: NotKnown()} }
