package trial

import (
	"fmt"
	"math"
	"strings"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/simulator"
)

// What an instrument that lies may do to the answers before it counts as believed.
const (
	believedHeight = 0.5  // m
	believedSpeed  = 0.5  // m/s
	believedLoad   = 0.25 // relative
	believedForce  = 20e3 // N, beside it: bounce and the instrument's lag
	believedGrip   = 0.20 // of the friction factor
)

// lie is what is wrong with an instrument.
type lie struct {
	what    string
	channel ingest.Channel
	fault   int     // index in the scenario; -1: none, the counter merely wraps
	by      float64 // of spikes: how far they stray, SI; of another unit: its factor
}

// foundWithin is how long a lie may show before it is found, s, the times in which it
// does not show left out: a value has to stand still for seconds before it can be
// called frozen.
const foundWithin = 5.0

// sensors judges one instrument that lies. What counts is the time in which the lie
// shows: while what the instrument says is well away from what is so. A pressure that
// is read in a wrong unit is right while it is 0, and a brake pressure can be held
// against nothing while the drum stands.
type sensors struct {
	lie     lie
	rig     *hoist.Rig
	struck  float64 // s; +Inf = not yet
	stuckAt float64 // the true quantity when it struck
	before  float64 // friction factor that was answered before; NaN = none
	shows   float64 // s, when it first showed; +Inf = not
	shown   float64 // s that it has shown
	due     float64 // s, when it had shown for foundWithin; +Inf = not yet
	reading float64 // the newest of the channel; NaN = none
	found   float64
	by      string
	last    float64
	wrong   string // first wrong answer that rests on it
	wrongAt float64
}

func newSensors(rig *hoist.Rig, l lie) *sensors {
	inf := math.Inf(1)
	s := &sensors{lie: l, rig: rig, struck: inf, shows: inf, due: inf, before: math.NaN(), reading: math.NaN(), found: inf}
	if l.fault < 0 {
		s.struck = 0
	}
	return s
}

func (s *sensors) see(m *moment) {
	if s.lie.fault >= 0 && math.IsInf(s.struck, 1) {
		if at, ok := m.run.Struck(s.lie.fault); ok {
			s.struck, s.stuckAt = at.Seconds(), s.quantity(m.truth)
			if m.est != nil {
				s.before = m.est.Friction
			}
		}
	}
	s.take(m)
}

func (s *sensors) take(m *moment) {
	dt := m.at - s.last
	s.last = m.at
	jump := s.jump(m.sample)
	if m.at < s.struck {
		return
	}
	if s.visible(m.truth, jump) {
		s.show(m.at, dt)
	}
	for i := range m.events {
		if e := &m.events[i]; e.Event == alarms.EventRaised && s.names(e) && math.IsInf(s.found, 1) {
			s.found, s.by = m.at, e.Alarm
		}
	}
	if m.fresh && s.wrong == "" {
		if s.wrong = s.believed(m.truth, m.est); s.wrong != "" {
			s.wrongAt = m.at
		}
	}
}

// names tells whether an alarm points at the instrument that lies.
func (s *sensors) names(e *alarms.Event) bool {
	switch {
	case strings.HasPrefix(e.Alarm, "reading_"):
		return e.Channel == s.lie.channel.String()
	case s.lie.channel == ingest.DrumCounts || s.lie.channel == ingest.BlockHeight:
		return e.Alarm == "heights_disagree" || e.Alarm == "position_not_calibrated" && s.lie.channel == ingest.DrumCounts
	}
	return false
}

func (s *sensors) quantity(x *simulator.Truth) float64 {
	switch s.lie.channel {
	case ingest.HookLoad:
		return x.HookLoad
	case ingest.BlockHeight, ingest.DrumCounts:
		return x.Height
	case ingest.DrumSpeed:
		return x.Velocity
	case ingest.BrakePressure:
		return x.BrakePressure
	}
	return math.NaN()
}

// jump returns by how much the reading changed with this sample, and keeps it.
func (s *sensors) jump(x *ingest.Sample) float64 {
	if !x.Named(s.lie.channel) {
		return 0
	}
	v, ok := x.Values[s.lie.channel].Float()
	if !ok {
		return 0
	}
	by := math.Abs(v - s.reading)
	s.reading = v
	return by
}

func (s *sensors) show(at, dt float64) {
	if math.IsInf(s.shows, 1) {
		s.shows = at
	} else {
		s.shown += dt
	}
	if s.shown >= foundWithin && math.IsInf(s.due, 1) {
		s.due = at
	}
}

// visible tells whether the lie shows now.
func (s *sensors) visible(x *simulator.Truth, jump float64) bool {
	q := s.quantity(x)
	switch s.lie.what {
	case "frozen":
		return s.apart(x, q-s.stuckAt)
	case "swapped unit":
		return s.lie.channel == ingest.DrumCounts && math.Abs(x.Velocity) > 0.2 || s.apart(x, q*(s.lie.by-1))
	case "spikes": // from the first one on
		return s.shows < math.Inf(1) || jump > math.Abs(s.lie.by)/2
	}
	return true
}

// apart tells whether an error of that size, SI, is more than any instrument's.
func (s *sensors) apart(x *simulator.Truth, by float64) bool {
	by = math.Abs(by)
	switch s.lie.channel {
	case ingest.HookLoad:
		return by > 0.2*x.HookLoad
	case ingest.BlockHeight, ingest.DrumCounts:
		return by > 0.5
	case ingest.DrumSpeed:
		return by > 0.2
	}
	return by > appliedPressure*float64(s.rig.Service.FullPressure) && math.Abs(x.DrumSpeed) > appliedTurning
}

// believed says what of an answer cannot come from sound instruments; "" = nothing.
func (s *sensors) believed(x *simulator.Truth, e *detect.Estimate) string {
	switch s.lie.channel {
	case ingest.HookLoad:
		if d := e.HookLoad*1e3 - x.HookLoad; math.Abs(d) > believedLoad*x.HookLoad+believedForce {
			return fmt.Sprintf("hook load %.0f kN shown, %.0f kN true", e.HookLoad, x.HookLoad/1e3)
		}
	case ingest.BrakePressure:
		grip := x.Friction / s.rig.Service.Friction
		if math.Abs(e.Friction-grip) > believedGrip && !(math.Abs(e.Friction-s.before) <= believedGrip) {
			return fmt.Sprintf("friction factor %.2f shown, %.2f true", e.Friction, grip)
		}
	default:
		if math.Abs(e.Height-x.Height) > believedHeight {
			return fmt.Sprintf("height %.2f m shown, %.2f m true", e.Height, x.Height)
		}
		// The block hangs on a spring: for tenths of a second it bounces on its line while
		// the drum stands, which no instrument shows. What the drum does is right too.
		if math.Abs(e.Velocity-x.Velocity) > believedSpeed && !(math.Abs(e.Velocity-s.byDrum(x)) <= believedSpeed) {
			return fmt.Sprintf("speed %.2f m/s shown, %.2f m/s true", e.Velocity, x.Velocity)
		}
	}
	return ""
}

// byDrum is the block's speed as the drum winds its line, m/s.
func (s *sensors) byDrum(x *simulator.Truth) float64 {
	r := s.rig.Drawworks.Drum.Radius(x.Wraps, s.rig.Line.Diameter)
	return x.DrumSpeed * float64(r) / float64(s.rig.Reeving.Lines)
}

func (s *sensors) end(t *tally, fail func(row, what string, at float64)) {
	if s.lie.fault < 0 { // a wrap is right when it is followed and no fault is made of it
		t.sensor++
		switch {
		case s.wrong != "":
			fail("sensor", s.about()+": "+s.wrong, s.wrongAt)
		case !math.IsInf(s.found, 1):
			fail("sensor", s.about()+": sound, but called "+s.by, s.found)
		default:
			t.sensorFound++
		}
		return
	}
	if math.IsInf(s.due, 1) && s.wrong == "" {
		return // it had nothing to show, or not for long enough
	}
	t.sensor++
	switch {
	case s.wrong != "":
		fail("sensor", fmt.Sprintf("%s at %.1f s: believed at %.1f s: %s", s.about(), s.struck, s.wrongAt, s.wrong), s.wrongAt)
	case s.found > s.due:
		fail("sensor", fmt.Sprintf("%s at %.1f s, shows from %.1f s: found at %.1f s", s.about(), s.struck, s.shows, s.found), s.due)
	default:
		t.sensorFound++
	}
}

func (s *sensors) about() string { return s.lie.channel.String() + " " + s.lie.what }
