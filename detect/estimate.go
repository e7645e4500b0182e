// Package detect works out, for one rig, where the block is and whether it can
// still be stopped, how hot and how good its brakes are, and what is wrong with
// the instruments. Step takes one frame and gives one estimate and the findings.
//
// It may not read a clock, start a goroutine, log, or allocate in steady state.
package detect

import (
	"math"
	"time"
)

// Number is a quantity that may be not known. NaN means not known, inside this
// package and its readers only: it is written as empty in CSV and null in JSON.
type Number = float64

// NotKnown is the Number that is not known.
func NotKnown() Number { return math.NaN() }

// Known tells whether x is known.
func Known(x Number) bool { return !math.IsNaN(x) }

// Estimate is what the monitor makes of one frame. Every field is in the unit of
// its column in the estimates file; NaN is "not known" and is written empty.
type Estimate struct {
	Time               time.Time
	Activity           Activity
	Height             Number // height_m, of the block above the floor
	Velocity           Number // velocity_mps, up positive
	Acceleration       Number // acceleration_mps2
	HookLoad           Number // hook_load_kN
	RestUp             Number // rest_up_m, highest height if the trip came now
	RestUpBound        Number // rest_up_bound_m, 99 % of stops stay below
	RestDown           Number // rest_down_m
	RestDownBound      Number // rest_down_bound_m
	CrownRoom          Number // crown_room_m, crown limit less RestUpBound
	FloorRoom          Number // floor_room_m, RestDownBound less floor limit
	SecondsToAct       Number // seconds_to_act, to the nearer limit ahead; +Inf = none ahead
	SafeLowering       Number // safe_lowering_mps
	BrakeTemperature   Number // brake_temperature_C
	BrakeTemperatureHi Number // brake_temperature_bound_C
	Friction           Number // friction_factor, present over commissioned
	FrictionLow        Number // friction_low
	FrictionHigh       Number // friction_high
	BrakeMargin        Number // brake_margin, capacity over static demand
	AuxiliaryShare     Number // auxiliary_share of the braking, 0 to 1
	StandsToAmber      Number // at the pace of the last stands; +Inf = never; not in the estimates file
	StandsToRed        Number // alike
	BrakeSettles       Number // °C where the brake's temperature settles at that pace; not in the estimates file
	LineWork           Number // line_work_MJ since the session began
	CannotStop         bool   // no rest point in the direction of travel
	Blind              Blind
	HeightSource       HeightSource
}

// Activity is what the hoist is doing.
type Activity uint8

// The activities.
const (
	ActivityUnknown Activity = iota
	Still
	RaisingLight
	RaisingLoaded
	LoweringLight
	LoweringLoaded
	InSlips
)

// String returns the word of the estimates file.
func (a Activity) String() string {
	return [...]string{"unknown", "still", "raising_light", "raising_loaded",
		"lowering_light", "lowering_loaded", "in_slips"}[min(a, InSlips)]
}

// Blind says which stop-margin answer cannot be given.
type Blind uint8

// The bits of Blind.
const (
	BlindCrown Blind = 1 << iota
	BlindFloor
)

// String returns the word of the estimates file.
func (b Blind) String() string { return [...]string{"", "crown", "floor", "both"}[b&3] }

// HeightSource says which witness the height comes from.
type HeightSource uint8

// The height sources.
const (
	NoHeight HeightSource = iota
	FromBoth
	FromDrum
	FromSensor
)

// String returns the word of the estimates file.
func (s HeightSource) String() string {
	return [...]string{"none", "drum+sensor", "drum", "sensor"}[min(s, FromSensor)]
}
