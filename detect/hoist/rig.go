package hoist

import (
	"math"
	"time"

	"hoistward/ingest/units"
)

// Rig is what is known of one hoist before any reading comes: its dimensions,
// brakes, limits, and how sure each is. Package configs reads it from a file and
// checks it; Validate says what cannot be.
type Rig struct {
	Name           string // as in topics, recordings and the journal
	Drawworks      Drawworks
	Line           Line
	Reeving        Reeving
	TravellingMass units.Kilogram // block, hook or top drive, and what always hangs there
	Mast           Mast
	Reference      Reference
	Service        ServiceBrake
	Emergency      EmergencyBrake
	Heat           HeatModel
	Auxiliary      AuxiliaryBrake
	Uncertainty    Uncertainty
	Due            Due
}

// Due says when tests and line service are due. Local rules come first.
type Due struct {
	CrownSaver units.Second        // longest time between two proof tests; 0 = after line service only
	Brake      units.Second        // longest time between two holding tests of the brake; 0 = none asked for
	CutLength  units.Metre         // of line that is cut at a time; 0 = not stated, no goal
	LineGoal   units.JoulePerMetre // of line work a length cut; 0 = not stated, CutGoal of the line's size
}

// WorkGoal returns the line work at which the line is to be cut, NaN where it is not
// known.
func (r *Rig) WorkGoal() units.Joule {
	goal := r.Due.LineGoal
	if goal == 0 {
		goal = CutGoal(r.Line.Diameter)
	}
	if !(r.Due.CutLength > 0) {
		return units.Joule(math.NaN())
	}
	return units.Joule(float64(goal) * float64(r.Due.CutLength))
}

// Drawworks is the machine that turns the drum.
type Drawworks struct {
	RatedPower   units.Watt   // input rating
	RatedLoad    units.Newton // greatest static hook load allowed; 0 = not stated
	Drum         Drum
	Encoder      Encoder
	DriveRelease units.Second // from trip to no drive torque
}

// Drum is a grooved drum with the line wound in layers.
type Drum struct {
	RootDiameter  units.Metre // rope seat
	GroovePitch   units.Metre
	WrapsPerLayer float64
	LayerRise     float64              // rise a layer in line diameters, 0.84 to 1.00, calibrated
	Inertia       units.KilogramMetre2 // all that turns with the drum, drive released
}

// Encoder is the counter on the drum shaft.
type Encoder struct {
	CountsPerRevolution float64 // all edges, quadrature included; 0 = none fitted
	CounterBits         uint    // the source's counter wraps here, 8 to 53
}

// Line is the drilling line.
type Line struct {
	Diameter         units.Metre
	MetallicArea     units.SquareMetre
	ElasticModulus   units.Pascal
	BreakingStrength units.Newton
	FastLineLength   units.Metre
	DeadLineLength   units.Metre
}

// Reeving is the block and tackle.
type Reeving struct {
	Lines        int     // parts of line between the blocks, even
	SheaveFactor float64 // tension ratio across one rolling sheave, above 1
}

// Mast holds the heights of the block that matter, from the rig floor.
type Mast struct {
	CrownHeight    units.Metre // block height at contact
	CrownLimit     units.Metre // the block must come to rest below this
	CrownSaverTrip units.Metre // height at which the crown saver trips
	FloorLimit     units.Metre // the block must come to rest above this
}

// Reference is the known point of the drum-wrap map. Void after a slip or cut
// until it is set again.
type Reference struct {
	Set         bool // false: the map is void
	BlockHeight units.Metre
	Wraps       float64      // wraps on the drum then, dead wraps included
	Counts      float64      // encoder counts then
	HasCounts   bool         // Counts was stated; else the first height reading ties counts to wraps
	HookLoad    units.Newton // hook load when it was taken
	SetAt       time.Time
}

// BrakeKind tells how a service brake grips.
type BrakeKind uint8

// The kinds of service brake.
const (
	DiscBrake BrakeKind = iota
	BandBrake
)

// ServiceBrake is the brake that the driller modulates. Disc brakes use
// Calipers, PistonArea; band brakes use WrapAngle, Bands, LiveTension.
type ServiceBrake struct {
	Kind            BrakeKind
	Calipers        int
	PistonArea      units.SquareMetre // one piston, one side
	EffectiveRadius units.Metre
	Bands           int
	WrapAngle       float64      // rad, of one band
	LiveTension     units.Newton // slack-end tension of one band at full effort
	Friction        float64      // at commissioning, cold
	FullPressure    units.Pascal
	DeadTime        units.Second // from trip to first torque
	RiseTime        units.Second // from first torque to full
	Fade            FadeCurve
	HoldFactor      float64 // least capacity over static demand before "brake margin low"
}

// FadePoint is one point of a lining's fade curve.
type FadePoint struct {
	Temperature units.Kelvin
	Factor      float64 // of the cold friction
}

// FadeCurve is a lining's friction against temperature, as a factor of the cold
// value: straight lines between points in rising temperature, held outside.
type FadeCurve []FadePoint

// EmergencyBrake is the set of spring-set, pressure-released calipers.
type EmergencyBrake struct {
	Calipers        int          // 0 = none fitted
	SpringForce     units.Newton // one caliper
	ReleasePressure units.Pascal
	EffectiveRadius units.Metre
	Friction        float64
}

// HeatModel is the brake's heat capacity and its ways to lose heat.
type HeatModel struct {
	Mass         units.Kilogram
	SpecificHeat units.JoulePerKilogramKelvin
	CoolingArea  units.SquareMetre
	Emissivity   float64
	Ambient      units.Kelvin // air about the brake; 20 °C where a file does not say
	Amber        units.Kelvin
	Red          units.Kelvin
	RingShare    float64                   // of the mass, that the friction ring has; 0 = not stated, 0.40
	ExchangeTime units.Second              // in which ring and body even out; 0 = not stated, 9.3 s
	WaterFlow    units.CubicMetrePerSecond // of cooling water; 0 = none
}

// AuxiliaryKind tells what carries most of the lowering work.
type AuxiliaryKind uint8

// The kinds of auxiliary brake.
const (
	NoAuxiliary AuxiliaryKind = iota
	EddyCurrent
	Hydrodynamic
	MotorBraking
)

// AuxiliaryBrake is the brake that takes most of the heat while lowering.
type AuxiliaryBrake struct {
	Kind        AuxiliaryKind
	PeakTorque  units.NewtonMetre     // at PeakSpeed; for MotorBraking the torque limit
	PeakSpeed   units.RadianPerSecond // for Hydrodynamic the speed at which PeakTorque is reached
	PowerLimit  units.Watt            // MotorBraking: what the drive or resistor takes
	FullCurrent units.Ampere          // EddyCurrent: coil current at full excitation; 0 = not stated
}

// Uncertainty is one standard deviation of each thing the stop depends on.
type Uncertainty struct {
	Friction float64 // of the friction coefficient, absolute
	DeadTime units.Second
	RiseTime units.Second
	Release  units.Second
	Height   units.Metre
	HookLoad float64 // relative
	Inertia  float64 // relative
}
