package trial

import (
	"math"
	"time"

	"hoistward/ingest"
	"hoistward/simulator"
)

// sensor is ordinary work in which one instrument begins to lie while the block
// moves: it stands still, is gone, spikes, counts in another unit, or a counter wraps
// where it says, or where nobody said.
func (d *drawer) sensor() {
	s := &d.c.scenario
	s.Duration = 150 * time.Second
	s.Driller = simulator.Driller{Task: simulator.TripIn, Begin: "lower_loaded", Wait: 1.5, Pace: 3}
	if d.chance(0.5) {
		s.Driller.Task, s.Driller.Begin = simulator.TripOut, "raise_loaded"
	}
	s.Initial.Latched, s.Initial.InSlips = true, false
	channels := []ingest.Channel{ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.BrakePressure}
	counts := d.c.base.Drawworks.Encoder.CountsPerRevolution > 0
	if counts {
		channels = append(channels, ingest.DrumCounts)
	}
	c := channels[d.r.IntN(len(channels))]
	f := simulator.Fault{Channel: c, While: raising | lowering, Speed: 0.3, At: time.Duration(d.between(4, 20) * 1e9)}
	what := [...]string{"frozen", "lost", "spikes", "swapped unit"}[d.r.IntN(4)]
	if counts && d.chance(0.2) {
		d.wraps(f)
		return
	}
	switch what {
	case "frozen", "lost":
		f.Kind = what
	case "spikes":
		f.Kind, f.Value = "spikes", d.spike(c)
	case "swapped unit":
		f.Kind, f.Value = "swapped_unit", d.otherUnit(c)
	}
	s.Faults = []simulator.Fault{f}
	d.c.lie = lie{what: what, channel: c, by: f.Value}
}

// wraps lets the counter go round: at its own width, which is no fault, or at a
// width of 16 bits that the rig file does not know of, seen as a jump by 65,536.
func (d *drawer) wraps(f simulator.Fault) {
	s, enc := &d.c.scenario, d.c.base.Drawworks.Encoder
	bits := enc.CounterBits
	if bits == 0 {
		bits = 32
	}
	if d.chance(0.5) || bits <= 16 {
		s.Driller.Task, s.Driller.Begin = simulator.TripOut, "raise_loaded"
		s.Initial.HasCounts = true
		s.Initial.Counts = math.Floor(math.Ldexp(1, int(bits)) - d.between(1, 8)*enc.CountsPerRevolution)
		d.c.lie = lie{what: "wraps at its width", channel: ingest.DrumCounts, fault: -1}
		return
	}
	f.Kind, f.Channel, f.Value = "counter_jump", ingest.DrumCounts, -65536
	s.Faults = []simulator.Fault{f}
	d.c.lie = lie{what: "wraps at another width", channel: ingest.DrumCounts}
}

// spike is how far a spiking instrument strays, SI: beyond what could be motion or
// load within one sample.
func (d *drawer) spike(c ingest.Channel) float64 {
	sign := float64(1 - 2*d.r.IntN(2))
	switch c {
	case ingest.HookLoad:
		return d.between(0.6, 2) * (d.c.scenario.Initial.StringMass + float64(d.c.base.TravellingMass)) * gravity
	case ingest.BlockHeight:
		return sign * d.between(4, 20)
	case ingest.DrumSpeed:
		return sign * d.between(15, 60)
	case ingest.DrumCounts:
		return sign * d.between(3, 20) * d.c.base.Drawworks.Encoder.CountsPerRevolution
	}
	return d.between(0.4, 1) * float64(d.c.base.Service.FullPressure)
}

// otherUnit is the factor by which an instrument that speaks another unit is off.
func (d *drawer) otherUnit(c ingest.Channel) float64 {
	factors := map[ingest.Channel][]float64{
		ingest.HookLoad:      {0.2248, 4.4482, 2.2046, 0.1020}, // klbf, kN; lb for kg; t for 10 kN
		ingest.BlockHeight:   {3.2808, 0.3048},                 // ft, m
		ingest.DrumSpeed:     {9.5493, 0.10472},                // rpm, rad/s
		ingest.BrakePressure: {14.504, 0.06895, 10, 0.1},       // psi, bar, MPa
		ingest.DrumCounts:    {4, 0.25},                        // edges for lines
	}[c]
	return factors[d.r.IntN(len(factors))]
}
