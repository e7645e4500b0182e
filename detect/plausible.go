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

// believable returns v, or v as out of range where no hoist can show it.
func believable(c ingest.Channel, v ingest.Value) ingest.Value {
	if x, ok := v.Float(); ok && !(x >= plausible[c].low && x <= plausible[c].high) {
		return ingest.BadValue(ingest.OutOfRange)
	}
	return v
}
