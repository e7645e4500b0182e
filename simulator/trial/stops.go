package trial

import (
	"fmt"
	"math"
	"math/rand/v2"

	"hoistward/detect"
	"hoistward/simulator"
)

const (
	// probeSpeed is the least speed of a stop that is judged, m/s; at fastStop and
	// above the answer's sharpness is judged too.
	probeSpeed = 0.10
	fastStop   = 0.5
	// byAuxiliary is the share of the retarding torque that the auxiliary brake must
	// have for its loss at the trip to be the loss of the retarding torque.
	byAuxiliary = 0.8
)

// tripper gives the rest of a trip now; a [simulator.Moment] is one.
type tripper interface {
	Trip(loseAuxiliary bool) simulator.Rest
}

// stops takes samples of the motion by chance, reads what the monitor then says of
// the rest, and has the plant really tripped there.
type stops struct {
	rng    *rand.Rand
	chance float64 // of a sample in motion
	probed []stop
}

// stop is one answer beside its truth.
type stop struct {
	at, speed       float64 // s, m/s
	up, lost        bool    // lost: the auxiliary brake is gone at the trip
	answer, bound   float64 // m; NaN = none given
	rest            float64 // m, highest or lowest point
	contact         bool
	retardingIsLost bool // and with it what held the load back
}

func (s *stops) see(m *moment) {
	v := m.truth.Velocity
	if !m.fresh || math.Abs(v) < probeSpeed || s.rng.Float64() >= s.chance {
		return
	}
	s.probe(m.truth, m.est, m.run.Moment())
}

func (s *stops) probe(x *simulator.Truth, e *detect.Estimate, plant tripper) {
	p := stop{at: x.Time, speed: math.Abs(x.Velocity), up: x.Velocity > 0}
	p.answer, p.bound = e.RestDown, e.RestDownBound
	if p.up {
		p.answer, p.bound = e.RestUp, e.RestUpBound
	}
	s.probed = append(s.probed, p.with(plant.Trip(false)))
	if part := x.AuxTorque / (x.AuxTorque + x.BrakeTorque); !p.up && part > 0.05 {
		p.lost, p.retardingIsLost = true, part >= byAuxiliary
		s.probed = append(s.probed, p.with(plant.Trip(true)))
	}
}

func (p stop) with(r simulator.Rest) stop {
	p.rest, p.contact = r.Lowest, r.Contact != simulator.NoEvent || !r.Stopped
	if p.up {
		p.rest = r.Highest
	}
	return p
}

// excess is the bound beyond the truth, m, in the direction of travel.
func (p *stop) excess() float64 {
	if p.up {
		return p.bound - p.rest
	}
	return p.rest - p.bound
}

func (s *stops) end(t *tally, fail func(row, what string, at float64)) {
	for i := range s.probed {
		p := &s.probed[i]
		t.stops++
		// A block that strikes has no rest point; the bound must then lie at the contact
		// or beyond. An answer that is not given is not inside.
		if p.excess() >= 0 {
			t.inside++
		} else {
			fail("bound", p.words(), p.at)
		}
		if p.speed < fastStop || p.contact {
			continue
		}
		if !p.lost {
			t.expected = append(t.expected, orInf(math.Abs(p.answer-p.rest)))
		}
		switch {
		case p.up:
			t.excessUp = append(t.excessUp, orInf(p.excess()))
		case p.retardingIsLost:
			t.excessDown = append(t.excessDown, orInf(p.excess()))
		}
	}
}

func (p *stop) words() string {
	way, lost := "down", ""
	if p.up {
		way = "up"
	}
	if p.lost {
		lost = ", auxiliary brake lost at the trip"
	}
	if p.contact {
		lost += ", struck or did not stop"
	}
	return fmt.Sprintf("%s at %.2f m/s%s: rest %.2f m, expected %.2f m, bound %.2f m", way, p.speed, lost, p.rest, p.answer, p.bound)
}

// orInf makes an answer that is missing the worst that can be.
func orInf(x float64) float64 {
	if math.IsNaN(x) {
		return math.Inf(1)
	}
	return x
}

// heights compares the height shown with the block's.
type heights struct {
	err        meanSquare
	worst      float64
	worstAt    float64
	worstWords string
}

func (h *heights) see(m *moment) {
	if !m.fresh || !detect.Known(m.est.Height) {
		return
	}
	e := m.est.Height - m.truth.Height
	h.err.add(e)
	if math.Abs(e) > h.worst {
		h.worst, h.worstAt = math.Abs(e), m.at
		h.worstWords = fmt.Sprintf("height %.3f m shown, %.3f m true, at %.2f m/s and %.0f kN", m.est.Height, m.truth.Height, m.truth.Velocity, m.truth.HookLoad/1e3)
	}
}

func (h *heights) end(t *tally, fail func(row, what string, at float64)) {
	t.height.merge(h.err)
	t.worst = math.Max(t.worst, h.worst)
	if 1e3*h.worst > goalHeightWorst {
		fail("height", h.worstWords, h.worstAt)
	}
}
