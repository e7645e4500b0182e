package detect

import (
	"math"

	"hoistward/ingest"
)

// plausible bounds what any hoist can show, SI: far beyond every rating, there to keep
// a number that cannot be from being reckoned with where the source's own range was
// not stated (a field CSV has none). Chosen here, common practice being well inside.
var plausible = [ingest.NumChannels]struct{ low, high float64 }{
	ingest.HookLoad:           {-1e6, 30e6},
	ingest.BlockHeight:        {-50, 150},
	ingest.DrumSpeed:          {-200, 200},
	ingest.DrumCounts:         {-math.MaxInt64, math.MaxInt64},
	ingest.BrakePressure:      {-10e6, 200e6},
	ingest.EmergencyPressure:  {-10e6, 200e6},
	ingest.DriveTorque:        {-5e6, 5e6},
	ingest.DriveEngaged:       {0, 1},
	ingest.AuxiliaryCurrent:   {-1e4, 1e4},
	ingest.BrakeTemperature:   {150, 2000},
	ingest.CoolantTemperature: {150, 2000},
	ingest.DeadLineTension:    {-1e6, 5e6},
	ingest.CrownSaver:         {0, 1},
	ingest.BitDepth:           {-500, 20000},
}

// mostPressure is how far a brake pressure can lie above the rig's full one, relative:
// the relief valve's own band, and a little for a file that states a working value.
const mostPressure = 1.5

// believable returns v, or v as out of range where no hoist, or not this one, can show
// it.
func (d *Detector) believable(c ingest.Channel, v ingest.Value) ingest.Value {
	x, ok := v.Float()
	if !ok {
		return v
	}
	if !(x >= plausible[c].low && x <= plausible[c].high) {
		return ingest.BadValue(ingest.OutOfRange)
	}
	if full := float64(d.rig.Service.FullPressure); c == ingest.BrakePressure && full > 0 && !(x <= mostPressure*full) {
		return ingest.BadValue(ingest.OutOfRange)
	}
	return v
}
