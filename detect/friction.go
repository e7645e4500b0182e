package detect

import (
	"math"

	"hoistward/detect/hoist"
)

// friction keeps the health of the lining, present friction over what it was at
// commissioning at the same temperature, and finds its loss.
//
//	evidence    pieces of application of the brake, each a factor and its standard
//	            deviation, from the drum's momentum (lining)
//	factor      random walk, hoist.FrictionTracker, commissioned value as prior
//	reference   mean of the first referenceFrom pieces, commissioned value as prior
//	fade        any of
//	            – Page's test for a loss of lossLooked against the factor just before
//	              (hoist.LossTest): sudden loss, within two pieces
//	            – upper end of the interval against the reference below fadePart of it:
//	              slow fade
//	            – upper end of the interval against commissioned below fadePart: a
//	              brake that is low from the start
//	at rest     a load held proves a lower bound only; creep on a steady pressure an
//	            equality (followStandstill)
//	undecided   fewer than fadeNeeds pieces
//
// Reference and factor share the errors of all evidence (sheave loss, calibration of load
// and gauge), so these cancel; the interval against commissioned has them in it. That the
// friction ring is hotter than is known is an error of the slow answers only.
//
// Source: PHYSICS sections 9 and 20.
type friction struct {
	low, up      hoist.FrictionTracker // lowering; raising, bands only
	band         bool
	reference    hoist.FrictionTracker
	sure         hoist.FrictionTracker // by evidence without the auxiliary brake taken as idle
	loss, back   hoist.LossTest
	lost         bool
	before       float64 // factor before the loss that is suspected or found
	beforeVar    float64
	hot          float64 // relative error of the fade expected at the present temperature
	applications int
	lastAt       float64 // event time of the newest piece
	lastZ        float64
	lastSD       float64
	common       float64 // relative error that all pieces share
	logPressure  float64 // mean of ln(full/p) of the evidence
}

const (
	healthLeast = 0.25
	// healthStart is the spread at commissioning: the trade's lining range 0.35 to 0.45.
	healthStart = 0.15
	// healthWalk is the drift a piece; after a loss the factor is known to freshStart.
	healthWalk = 0.008
	freshStart = 0.10
	// sureStart, idleBand and idleLeast bound what counts as an idle auxiliary brake.
	sureStart = 0.09
	idleBand  = 2.0
	idleLeast = 0.03
	// referenceFrom pieces make the reference.
	referenceFrom = 12
	// lossLooked is the loss that is looked for (PHYSICS section 22). One piece counts
	// for lossMost at most, and two are needed for lossMark: e^6 is 400 pieces at
	// worst, and far more where the spreads stated are too wide.
	lossLooked = 0.25
	lossMost   = 4.0
	lossMark   = 6.0
	// sheaveSpread is the relative error of the fast line's share of the hook load: a
	// sheave factor of 1.04 known to 0.002, half of n + 1 times. pressureLaw is that of
	// friction a unit of ln p: F = k Pᵃ, a 0.80 to 1.25 for all linings (SAE 740415),
	// here for one of known kind.
	sheaveSpread = 0.011
	pressureLaw  = 0.02
	z95          = hoist.Z95 // two-sided 95 %
	// fadePart is the alarm mark on the interval's upper end (PHYSICS section 4); it
	// clears above fadeClear.
	fadePart  = 0.85
	fadeClear = 0.90
	fadeNeeds = 2 // pieces
	// heldSpread is that of what a load held or creeping proves: friction at rest is
	// above that in motion by up to a tenth (common practice).
	heldSpread = 0.08
)

func newFriction(rig *hoist.Rig) friction {
	f := friction{
		low: hoist.NewFrictionTracker(healthStart, healthWalk), up: hoist.NewFrictionTracker(healthStart, healthWalk),
		reference: hoist.NewFrictionTracker(healthStart, 0), sure: hoist.NewFrictionTracker(sureStart, healthWalk),
		band:   rig.Service.Kind == hoist.BandBrake,
		loss:   hoist.LossTest{Loss: lossLooked, Most: lossMost, Mark: lossMark},
		back:   hoist.LossTest{Loss: lossLooked, Most: lossMost, Mark: lossMark},
		common: math.Hypot(sheaveSpread, rig.Uncertainty.HookLoad),
	}
	return f
}

// of returns the tracker of that direction: a band's two sides wear apart, but until
// raising has shown its own, its lining is that of lowering.
func (f *friction) of(dir hoist.Direction) *hoist.FrictionTracker {
	if f.band && dir == hoist.Raising && f.up.Applications > 0 {
		return &f.up
	}
	return &f.low
}

// couldBe tells whether a factor that leaves nothing to an auxiliary brake of unknown
// excitation is one that the lining can have, by the evidence in which that brake could
// not do much. An auxiliary brake can only add, so a low one always could be.
func (f *friction) couldBe(z float64) bool {
	return z < f.sure.Factor+idleBand*math.Sqrt(f.sure.Variance)+idleLeast
}

// saysAll tells whether a piece, as far as it has come, would find the loss, or speaks for
// one as loudly as one piece may: to make it longer would add nothing.
func (f *friction) saysAll(z, sd float64) bool {
	t, before, v := f.loss, f.before, f.beforeVar
	if t.Sum == 0 {
		before, v = f.low.Factor, f.low.Variance
	}
	found := t.Take(z, before, sd*sd+v)
	return !f.lost && f.applications > 0 && (found || t.Sum >= f.loss.Sum+lossMost)
}

// take takes a piece of evidence: factor z with its standard deviation.
func (f *friction) take(z, sd float64, q *piece, t float64) {
	if q.idle == 0 {
		f.sure.Take(z, sd)
	}
	if f.band && q.dir == hoist.Raising {
		f.up.Take(z, sd)
		return
	}
	f.test(z, sd)
	f.low.Take(z, sd)
	if f.reference.Applications < referenceFrom && !f.lost && f.loss.Sum == 0 {
		f.reference.Take(z, sd)
	}
	if x := -math.Log(max(q.pressure/q.w, pressed)); f.applications == 0 {
		f.logPressure = x
	} else {
		f.logPressure += 0.2 * (x - f.logPressure)
	}
	f.lastZ, f.lastSD, f.lastAt = z, sd, t
	f.applications++
}

// test looks for a sudden loss, and after one for the friction's return: against the
// factor as it was before the first piece that speaks for it.
func (f *friction) test(z, sd float64) {
	if f.loss.Sum == 0 && f.back.Sum == 0 && !f.lost {
		f.before, f.beforeVar = f.low.Factor, f.low.Variance
	}
	v := sd*sd + f.beforeVar
	switch {
	case f.applications == 0:
	case !f.lost && f.loss.Take(z, f.before, v), f.lost && f.back.TakeReturn(z, f.before, v):
		f.lost = !f.lost
		f.loss.Sum, f.back.Sum = 0, 0
		f.low.Renew(f.lastZ, max(f.lastSD, freshStart)) // the other lining: what was known is not of it
	}
}

// hold takes a load held at rest: the lining grips at least as bound says. One that does
// is not as far gone as a loss that is suspected.
func (f *friction) hold(bound float64) {
	if f.applications > 0 && bound > f.low.Factor {
		f.low.AtLeast(bound, heldSpread)
	}
	if bound > (1-lossLooked/2)*f.before {
		f.loss.Sum = 0
	}
}

// health is the factor that the stop answers use: as commissioned until there is
// evidence.
func (f *friction) health() float64 {
	if f.applications == 0 {
		return 1
	}
	return f.low.Factor
}

// sd is one standard deviation of the health at full pressure, where stops are made:
// the evidence's, the shared errors', and what the lining's friction changes by from
// the pressures of the evidence up to full.
func (f *friction) sd() float64 {
	law := pressureLaw * f.logPressure * f.low.Factor
	return math.Hypot(math.Hypot(math.Sqrt(f.low.Variance), f.common*f.low.Factor), law)
}

// interval is the 95 % interval of the health as the evidence shows it.
func (f *friction) interval() (low, high float64) { return f.low.Interval(math.Hypot(f.common, f.hot)) }

func (f *friction) judge(was Condition) Finding {
	if f.applications < fadeNeeds {
		return undecided()
	}
	part := fadePart
	if was == Present {
		part = fadeClear
	}
	_, high := f.low.Interval(f.hot)
	_, top := f.interval()
	own := part * f.reference.Factor
	switch {
	case f.lost:
		return present(High, FrictionBelowExpected, f.low.Factor, fadePart*f.before, "")
	case high < own:
		return present(High, FrictionBelowExpected, f.low.Factor, fadePart*f.reference.Factor, "")
	case top < part:
		return present(High, FrictionBelowExpected, top, fadePart, "")
	}
	return absent(top, fadePart, "")
}
