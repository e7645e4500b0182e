package publish

import (
	"strconv"

	"hoistward/ingest"
)

// form is how a channel is written: the SI value less shift, over factor, with so
// many decimals.
type form struct {
	factor, shift float64
	digits        int
	unit          string // its symbol in a site file; empty for counts and on/off
}

const rpm = 0.104719755119659775 // rad/s, 2π/60

// forms are the units of the project's own JSON: kN, m, rpm, MPa, kN·m, A, °C.
var forms = [ingest.NumChannels]form{
	ingest.HookLoad:           {1e3, 0, 2, "kN"},
	ingest.BlockHeight:        {1, 0, 4, "m"},
	ingest.DrumSpeed:          {rpm, 0, 3, "rpm"},
	ingest.DrumCounts:         {1, 0, 0, ""},
	ingest.BrakePressure:      {1e6, 0, 4, "MPa"},
	ingest.EmergencyPressure:  {1e6, 0, 4, "MPa"},
	ingest.DriveTorque:        {1e3, 0, 3, "kN.m"},
	ingest.DriveEngaged:       {1, 0, 0, ""},
	ingest.AuxiliaryCurrent:   {1, 0, 2, "A"},
	ingest.BrakeTemperature:   {1, 273.15, 2, "degC"},
	ingest.CoolantTemperature: {1, 273.15, 2, "degC"},
	ingest.DeadLineTension:    {1e3, 0, 3, "kN"},
	ingest.CrownSaver:         {1, 0, 0, ""},
	ingest.BitDepth:           {1, 0, 3, "m"},
}

// Unit returns the unit that c is published in, as a site file writes it; "" for
// counts and on/off channels.
func Unit(c ingest.Channel) string { return forms[c].unit }

const stamp = "2006-01-02T15:04:05.000Z"

// Append writes s as one JSON object in the project's own form and units: "t" in
// UTC with milliseconds, then each channel that s names, null for no value.
func Append(b []byte, s *ingest.Sample) []byte {
	b = append(b, `{"t":"`...)
	b = s.Time.UTC().AppendFormat(b, stamp)
	b = append(b, '"')
	for c := range ingest.NumChannels {
		if !s.Named(c) {
			continue
		}
		b = append(b, ',', '"')
		b = append(b, c.String()...)
		b = append(b, '"', ':')
		v, ok := s.Values[c].Float()
		if !ok {
			b = append(b, "null"...)
			continue
		}
		f := forms[c]
		b = strconv.AppendFloat(b, (v-f.shift)/f.factor, 'f', f.digits, 64)
	}
	return append(b, '}')
}
