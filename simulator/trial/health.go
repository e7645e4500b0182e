package trial

import (
	"fmt"
	"math"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/simulator"
)

// ordinary judges stands in which nothing is wrong: every stop-margin alarm is a
// nuisance, and a fade that is found is found falsely, as is every other alarm of the
// highest priority.
type ordinary struct {
	stands   int
	nuisance []alarms.Event
	fades    []alarms.Event
	at       []float64
	fadesAt  []float64
	urgent   []alarms.Event
	urgentAt []float64
}

var stopMargin = map[string]bool{
	"overhoist": true, "crown_limit_passed": true, "floor_approach": true, "cannot_stop": true, "lowering_too_fast": true,
}

func (o *ordinary) see(m *moment) {
	o.stands = m.truth.Stand
	for i := range m.events {
		e := &m.events[i]
		switch {
		case e.Event != alarms.EventRaised:
		case stopMargin[e.Alarm]:
			o.nuisance, o.at = append(o.nuisance, *e), append(o.at, m.at)
		case e.Alarm == "brake_fade":
			o.fades, o.fadesAt = append(o.fades, *e), append(o.fadesAt, m.at)
		case e.Priority == alarms.Emergency:
			o.urgent, o.urgentAt = append(o.urgent, *e), append(o.urgentAt, m.at)
		}
	}
}

func (o *ordinary) end(t *tally, fail func(row, what string, at float64)) {
	t.stands += o.stands
	t.nuisance += len(o.nuisance)
	t.falseFade += len(o.fades)
	t.falseUrgent += len(o.urgent)
	for i := range o.urgent {
		fail("false emergency", o.urgent[i].Alarm+": "+o.urgent[i].Reason, o.urgentAt[i])
	}
	for i := range o.nuisance {
		fail("nuisance", o.nuisance[i].Alarm+": "+o.nuisance[i].Reason, o.at[i])
	}
	for i := range o.fades {
		fail("false fade", o.fades[i].Reason, o.fadesAt[i])
	}
}

// An application of the brake is braking that shows friction: the lining pressed by a
// tenth of full pressure or more with the drum turning, for at least a second, and
// most of the braking done by it. It goes on until the drum stands or the brake is let off
// to half of that: a pressure that wavers about a tenth is one application, not many. Beside an auxiliary brake that does most, a quarter
// of the friction is less than the few per cent to which loads are known.
const (
	appliedPressure = 0.10
	appliedLetOff   = 0.05
	appliedTurning  = 1.5 // rad/s
	appliedLeast    = 1.0 // s
)

// applications counts applications of the brake by the truth.
type applications struct {
	full  float64 // Pa
	begun float64 // s; NaN = the brake is not applied
	n     int
	mu    float64 // mean friction of the newest finished one
	sum   float64
	k     int
	own   float64 // sum of its torque less the auxiliary brake's, N·m
}

func newApplications(rig *hoist.Rig) applications {
	return applications{full: float64(rig.Service.FullPressure), begun: math.NaN()}
}

// see takes a sample and tells whether an application has just ended.
func (a *applications) see(x *simulator.Truth) bool {
	least := appliedPressure
	if !math.IsNaN(a.begun) {
		least = appliedLetOff
	}
	if x.BrakePressure >= least*a.full && math.Abs(x.DrumSpeed) > appliedTurning {
		if math.IsNaN(a.begun) {
			a.begun, a.sum, a.k, a.own = x.Time, 0, 0, 0
		}
		a.sum += x.Friction
		a.k++
		a.own += x.BrakeTorque - x.AuxTorque
		return false
	}
	ended := x.Time-a.begun > appliedLeast && a.own >= 0 // not so with NaN
	if ended {
		a.n++
		a.mu = a.sum / float64(a.k)
	}
	a.begun = math.NaN()
	return ended
}

// fade judges a loss of friction. The estimate is judged a second after the third
// sound application, against the mean friction that the plant had in it; where none
// is given, what the stop answers take without evidence, as commissioned, is judged.
type fade struct {
	rig     *hoist.Rig
	fault   int
	sound   applications
	faded   applications
	struck  float64 // s; +Inf = not yet
	judgeAt float64 // s; NaN = not due
	wanted  float64
	err     float64 // NaN = not judged
	errAt   float64
	words   string
	found   float64 // s; +Inf = not found
	second  float64 // when the second faded application ended
	early   int     // finds before there was anything to find
	firstAt float64
}

func newFade(rig *hoist.Rig, fault int) *fade {
	inf, nan := math.Inf(1), math.NaN()
	return &fade{rig: rig, fault: fault, sound: newApplications(rig), faded: newApplications(rig),
		struck: inf, judgeAt: nan, err: nan, found: inf, second: inf}
}

// afterApplication is how long after an application its evidence may take to count, s.
const afterApplication = 1.0

func (f *fade) see(m *moment) {
	if at, ok := m.run.Struck(f.fault); ok && math.IsInf(f.struck, 1) {
		f.struck = at.Seconds()
	}
	f.take(m)
}

func (f *fade) take(m *moment) {
	gone := m.at >= f.struck
	for i := range m.events {
		if e := &m.events[i]; e.Alarm == "brake_fade" && e.Event == alarms.EventRaised {
			if gone {
				f.found = math.Min(f.found, m.at)
			} else {
				f.early++
				f.firstAt = m.at
			}
		}
	}
	switch {
	case gone:
		if f.faded.see(m.truth) && f.faded.n == 2 {
			f.second = m.at
		}
	case f.sound.see(m.truth) && f.sound.n == 3:
		f.judgeAt, f.wanted = m.at+afterApplication, f.sound.mu/f.rig.Service.Friction
	}
	if m.at >= f.judgeAt && math.IsNaN(f.err) && !gone {
		got := 1.0
		if m.est != nil && detect.Known(m.est.Friction) {
			got = m.est.Friction
		}
		f.err, f.errAt = got-f.wanted, m.at
		f.words = fmt.Sprintf("friction factor %.3f after three applications, true %.3f", got, f.wanted)
	}
}

// decided is true once the time in which the loss had to be found is over.
func (f *fade) decided(at float64) bool { return at > f.second+afterApplication }

func (f *fade) end(t *tally, fail func(row, what string, at float64)) {
	if !math.IsNaN(f.err) {
		t.friction.add(f.err)
		if math.Abs(f.err) > 2*goalFriction {
			fail("friction", f.words, f.errAt)
		}
	}
	if f.early > 0 {
		t.falseFade += f.early
		fail("false fade", "found before there was one", f.firstAt)
	}
	if math.IsInf(f.second, 1) {
		return // the brake was not applied twice since
	}
	t.fade++
	if f.found <= f.second+afterApplication {
		t.fadeFound++
		return
	}
	fail("fade", fmt.Sprintf("friction lost at %.1f s, second application over at %.1f s, %s", f.struck, f.second, foundBy(f.found)), f.second)
}

// foundBy says when something was found; a case may end before it is.
func foundBy(at float64) string {
	if math.IsInf(at, 1) {
		return "not found in time"
	}
	return fmt.Sprintf("found at %.2f s", at)
}

// auxiliary judges the loss of the auxiliary brake at speed.
type auxiliary struct {
	fault   int
	struck  float64
	carried float64 // share of the braking just before
	now     float64
	found   float64
	early   int // finds before there was anything to find
	firstAt float64
}

func newAuxiliary(fault int) *auxiliary {
	return &auxiliary{fault: fault, struck: math.Inf(1), found: math.Inf(1)}
}

const (
	auxiliaryTime = 1.0 // s
	// carriedLeast is the share of the braking below which its loss is not one at
	// speed that could be seen.
	carriedLeast = 0.2
)

func (a *auxiliary) see(m *moment) {
	if at, ok := m.run.Struck(a.fault); ok && math.IsInf(a.struck, 1) {
		a.struck, a.carried = at.Seconds(), a.now
	}
	a.take(m)
}

func (a *auxiliary) take(m *moment) {
	a.now = m.truth.AuxTorque / math.Max(1, m.truth.AuxTorque+m.truth.BrakeTorque)
	for i := range m.events {
		if e := &m.events[i]; e.Alarm == "auxiliary_brake_lost" && e.Event == alarms.EventRaised {
			if m.at >= a.struck {
				a.found = math.Min(a.found, m.at)
			} else if a.early++; a.early == 1 {
				a.firstAt = m.at
			}
		}
	}
}

// decided is true once the time in which the loss had to be found is over.
func (a *auxiliary) decided(at float64) bool { return at > a.struck+auxiliaryTime }

// end counts the case. A find that stood before the loss is a false one, and the loss has
// to be found anew.
func (a *auxiliary) end(t *tally, fail func(row, what string, at float64)) {
	if a.early > 0 {
		t.falseUrgent += a.early
		fail("false emergency", "auxiliary_brake_lost: found before it was lost", a.firstAt)
	}
	if math.IsInf(a.struck, 1) || a.carried < carriedLeast {
		return
	}
	t.auxiliary++
	if a.found <= a.struck+auxiliaryTime {
		t.auxiliaryFound++
		return
	}
	fail("auxiliary", fmt.Sprintf("lost at %.2f s with %.0f %% of the braking, %s", a.struck, 100*a.carried, foundBy(a.found)), a.struck)
}

// temperature judges the brake's temperature from two hours on. The truth is the
// friction ring's: it is what fades the lining.
type temperature struct {
	after float64 // s
	err   meanSquare
	under int
	worst float64
	words string
	at    float64
}

func (h *temperature) see(m *moment) {
	if m.at < h.after || !m.fresh {
		return
	}
	ring := m.truth.Ring - 273.15
	mid, high := m.est.BrakeTemperature, m.est.BrakeTemperatureHi
	if !detect.Known(mid) { // no answer: as wrong as the air's temperature is
		mid = 20
	}
	e := mid - ring
	h.err.add(e)
	if high >= ring {
		h.under++
	}
	if math.Abs(e) > math.Abs(h.worst) {
		h.worst, h.at = e, m.at
		h.words = fmt.Sprintf("brake %.0f °C shown, bound %.0f °C, friction ring %.0f °C, body %.0f °C", mid, high, ring, m.truth.Body-273.15)
	}
}

func (h *temperature) end(t *tally, fail func(row, what string, at float64)) {
	t.heat.merge(h.err)
	t.heatSeen += h.err.n
	t.heatUnder += h.under
	if h.err.n > 0 && (h.err.root() > goalHeat || share(h.under, h.err.n) < goalHeatCoverage) {
		fail("temperature", fmt.Sprintf("RMS %.1f K, under the bound %.0f %%; at worst %s", h.err.root(), 100*share(h.under, h.err.n), h.words), h.at)
	}
}
