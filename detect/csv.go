package detect

import (
	"math"
	"strconv"
)

// CSVHeader is the first line of an estimates file, without its line end.
const CSVHeader = "time,activity,height_m,velocity_mps,acceleration_mps2,hook_load_kN,rest_up_m,rest_up_bound_m," +
	"rest_down_m,rest_down_bound_m,crown_room_m,floor_room_m,seconds_to_act,safe_lowering_mps," +
	"brake_temperature_C,brake_temperature_bound_C,friction_factor,friction_low,friction_high,brake_margin," +
	"auxiliary_share,line_work_MJ,blind,height_source"

const csvTime = "2006-01-02T15:04:05.000Z"

// AppendCSV appends e as one line of an estimates file, without its line end. The
// bytes depend on e alone. A number that is not known is empty; one that has no end
// (no limit ahead, a block that cannot be stopped) is inf or -inf.
func AppendCSV(dst []byte, e *Estimate) []byte {
	dst = e.Time.UTC().AppendFormat(dst, csvTime)
	dst = append(dst, ',')
	dst = append(dst, e.Activity.String()...)
	for _, x := range e.Numbers() {
		dst = append(dst, ',')
		dst = appendNumber(dst, x)
	}
	dst = append(dst, ',')
	dst = append(dst, e.Blind.String()...)
	dst = append(dst, ',')
	return append(dst, e.HeightSource.String()...)
}

// Numbers returns the columns of CSVHeader that are numbers, in its order. NaN = not
// known, an infinity = without end.
func (e *Estimate) Numbers() [20]Number {
	return [...]Number{
		e.Height, e.Velocity, e.Acceleration, e.HookLoad, e.RestUp, e.RestUpBound, e.RestDown, e.RestDownBound,
		e.CrownRoom, e.FloorRoom, e.SecondsToAct, e.SafeLowering, e.BrakeTemperature, e.BrakeTemperatureHi,
		e.Friction, e.FrictionLow, e.FrictionHigh, e.BrakeMargin, e.AuxiliaryShare, e.LineWork,
	}
}

// Texts returns the columns of CSVHeader that are words, but time, in its order.
func (e *Estimate) Texts() [3]string {
	return [...]string{e.Activity.String(), e.Blind.String(), e.HeightSource.String()}
}

// TextColumns are the names of what Texts returns.
var TextColumns = [3]string{"activity", "blind", "height_source"}

func appendNumber(dst []byte, x Number) []byte {
	switch {
	case math.IsNaN(x):
		return dst
	case math.IsInf(x, 1):
		return append(dst, "inf"...)
	case math.IsInf(x, -1):
		return append(dst, "-inf"...)
	}
	return strconv.AppendFloat(dst, x, 'g', -1, 64)
}
