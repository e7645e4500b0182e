package detect

import (
	"math"

	"hoistward/ingest"
)

// judge fills in the findings. Each detector has its own function; what it found
// last is in d.result and gives the deadband.
func (d *Detector) judge(now float64, m *margin) {
	f := &d.result.Findings
	f[Overhoist] = d.confirm(Overhoist, d.judgeOverhoist(m, f[Overhoist].Condition))
	f[CrownLimitPassed] = d.confirm(CrownLimitPassed, d.judgeCrownPassed(m, f[CrownLimitPassed].Condition))
	f[FloorApproach] = d.confirm(FloorApproach, d.judgeFloor(m, f[FloorApproach].Condition))
	f[CannotStop] = d.confirm(CannotStop, d.judgeCannotStop(m))
	f[LoweringTooFast] = d.confirm(LoweringTooFast, d.judgeLowering(m, f[LoweringTooFast].Condition))
	f[BrakeFade] = d.friction.judge(f[BrakeFade].Condition)
	f[BrakeHot] = d.judgeHeat(Medium, HotterThanAmber, f[BrakeHot].Condition)
	f[BrakeVeryHot] = d.judgeHeat(High, HotterThanRed, f[BrakeVeryHot].Condition)
	f[BrakeMarginLow] = d.judgeMargin(now, f[BrakeMarginLow].Condition)
	f[HeightsDisagree] = d.judgeHeights(now)
	f[PositionNotCalibrated] = d.judgeMap(now)
	f[Overload] = d.load.overload()
	f[BlindFinding] = d.judgeBlind(now, m)
	f[ClockDisagrees] = d.clock.judge()
	f[SourceLost] = d.judgeSource(now)
	f[AuxiliaryLost] = d.judgeAuxiliaryLost()
	f[AuxiliaryWeak] = d.judgeAuxiliaryWeak()
	f[EmergencyBrakeSet] = d.judgeEmergencySet(now)
	f[CrownSaverTripped] = d.judgeCrownSaver(now)
	f[BrakeCreep] = d.judgeCreep(now)
	f[BrakeHeadingHot] = d.heading.judge(f[BrakeHeadingHot].Condition)
	f[DriveDidNotRelease] = d.judgeDrive(now)
	f[BrakeDrag] = d.judgeDrag()
	f[BrakePressureLow] = d.judgePressureLow(now)
	f[CoolantHot] = d.judgeCoolantHot(now, f[CoolantHot].Condition)
	f[CoolantFlowLow] = d.judgeCoolantFlow(now)
	d.judgeChannels(now)
}

// confirm lets a stop-margin finding count from the second frame on that shows it:
// one reading alone raises nothing, and no time is lost beyond it (PHYSICS section
// 10: one confirmed sample pair).
func (d *Detector) confirm(k Kind, f Finding) Finding {
	switch {
	case f.Condition != Present:
		d.pending[k] = false
		return f
	case d.result.Findings[k].Condition == Present || d.pending[k] && d.newFrame:
		return f
	}
	d.pending[k] = true
	return absent(f.Value, f.Limit, f.Unit)
}

const (
	actTime      = 1.5  // s, raise (ALARMS: high at 1.5 s)
	actTimeLight = 0.5  // s, of a light block over the floor
	actClear     = 1.8  // s, cleared above
	limitBand    = 0.10 // m, deadband of the height alarms
	marginBand   = 0.05 // relative, deadband of the brake margin
	speedBand    = 0.90 // lowering too fast clears below this part of the mark
)

// judgeOverhoist finds a rest point bound that will pass the crown limit within
// the time to act while the block moves up.
func (d *Detector) judgeOverhoist(m *margin, was Condition) Finding {
	if m.blind&BlindCrown != 0 {
		return undecided()
	}
	limit := float64(d.rig.Mast.CrownLimit)
	v := d.pos.motion.x[ixV]
	if v <= stillSpeed || !(m.toAct <= threshold(was)) {
		return absent(m.restUpBound, limit, "m")
	}
	return present(urgencyOf(m.toAct), RestAboveCrownLimit, m.restUpBound, limit, "m")
}

func threshold(was Condition) float64 {
	if was == Present {
		return actClear
	}
	return actTime
}

func urgencyOf(toAct float64) Urgency {
	if toAct <= 0 {
		return Emergency
	}
	return High
}

func (d *Detector) judgeCrownPassed(m *margin, was Condition) Finding {
	if m.blind&BlindCrown != 0 {
		return undecided()
	}
	high, _ := d.pos.envelope()
	top, limit := high+d.pos.heightBound(), float64(d.rig.Mast.CrownLimit)
	mark := limit
	if was == Present {
		mark -= limitBand
	}
	if top > mark {
		return present(Emergency, HeightAboveCrownLimit, top, limit, "m")
	}
	return absent(top, limit, "m")
}

// judgeFloor finds a rest point bound that will pass the floor limit while a load
// goes down. A light block is landed by hand on every stand, so for it the time to act
// is shorter.
func (d *Detector) judgeFloor(m *margin, was Condition) Finding {
	if m.blind&BlindFloor != 0 || !Known(m.toAct) {
		return undecided()
	}
	limit := float64(d.rig.Mast.FloorLimit)
	mark := threshold(was)
	if !d.load.loaded {
		mark -= actTime - actTimeLight
	}
	if d.pos.motion.x[ixV] >= -stillSpeed || !(m.toAct <= mark) {
		return absent(m.restDownBound, limit, "m")
	}
	return present(urgencyOf(m.toAct), RestBelowFloorLimit, m.restDownBound, limit, "m")
}

func (d *Detector) judgeCannotStop(m *margin) Finding {
	switch {
	case m.blind == BlindCrown|BlindFloor:
		return undecided()
	case m.cannotStop:
		return present(Emergency, BrakeCannotWin, math.Abs(d.pos.motion.x[ixV]), NotKnown(), "m/s")
	}
	return absent(math.Abs(d.pos.motion.x[ixV]), NotKnown(), "m/s")
}

func (d *Detector) judgeLowering(m *margin, was Condition) Finding {
	if m.blind&BlindFloor != 0 || !Known(m.safeLowering) {
		return undecided()
	}
	v, mark := -d.pos.motion.x[ixV], m.safeLowering
	if was == Present {
		mark *= speedBand
	}
	if d.load.loaded && v > mark+leastExcess {
		return present(High, FasterThanSafeLowering, v, m.safeLowering, "m/s")
	}
	return absent(v, m.safeLowering, "m/s")
}

// leastExcess keeps creeping the last decimetres to the slips from counting as
// lowering too fast, m/s: the block's creep speed (PHYSICS section 2: 0.15 to 0.25).
const leastExcess = 0.25

func (d *Detector) judgeHeat(u Urgency, c Cause, was Condition) Finding {
	if !d.heatKnown() {
		return undecided()
	}
	mark := d.rig.Heat.Amber
	if c == HotterThanRed {
		mark = d.rig.Heat.Red
	}
	return d.heat.judge(mark, u, c, was)
}

func (d *Detector) judgeMargin(now float64, was Condition) Finding {
	margin, limit := d.result.Estimate.BrakeMargin, d.rig.Service.HoldFactor
	if !Known(margin) || !(limit > 0) {
		return undecided()
	}
	mark := limit
	if was == Present {
		mark *= 1 + marginBand
	}
	if margin < mark && d.load.loaded {
		return present(High, CapacityBelowFactor, margin, limit, "times the load")
	}
	return absent(margin, limit, "times the load")
}

func (d *Detector) judgeHeights(now float64) Finding {
	if !d.pos.tied || !d.ins[ingest.BlockHeight].live(now) || !d.ins[ingest.DrumCounts].live(now) {
		return undecided()
	}
	gap := math.Abs(d.pos.apart)
	if d.pos.disagree {
		return present(High, WitnessesApart, gap, apartLimit, "m")
	}
	return absent(gap, apartLimit, "m")
}

// judgeMap finds a void drum-wrap map where the map is what gives the height: a
// rig without counts has only its sensor, and nothing to calibrate.
func (d *Detector) judgeMap(now float64) Finding {
	counts := d.ins[ingest.DrumCounts].mapped && d.rig.Drawworks.Encoder.CountsPerRevolution > 0
	switch {
	case d.pos.mapCause == CountsNotTied && now < firstWait:
		return undecided()
	case counts && d.pos.mapCause != NoCause:
		return present(High, d.pos.mapCause, NotKnown(), NotKnown(), "")
	}
	return absent(NotKnown(), NotKnown(), "")
}

func (d *Detector) judgeBlind(now float64, m *margin) Finding {
	switch {
	case m.blind == 0:
		return absent(NotKnown(), NotKnown(), "")
	case now < firstWait && !d.pos.started:
		return undecided()
	}
	f := present(High, m.why, NotKnown(), NotKnown(), "")
	f.Blind = m.blind
	return f
}

// judgeSource finds a rig from which nothing at all arrives.
func (d *Detector) judgeSource(now float64) Finding {
	newest, patience := math.Inf(-1), lostLeast
	for c := range ingest.NumChannels {
		if i := &d.ins[c]; i.named > 0 || i.seen {
			newest = max(newest, max(i.named, i.at))
			patience = max(patience, i.patience())
		}
	}
	silent := now - newest
	switch {
	case !d.framed && now < firstWait:
		return undecided()
	case !d.framed:
		return present(High, NothingArrives, now, firstWait, "s")
	case silent > patience:
		return present(High, NothingArrives, silent, patience, "s")
	}
	return absent(silent, patience, "s")
}

func (d *Detector) judgeChannels(now float64) {
	for c := range ingest.NumChannels {
		i := &d.ins[c]
		if !i.mapped && i.doubt == NoCause {
			continue // undecided since the start
		}
		d.setChannel(ReadingLost, c, i.lost(now))
		d.setChannel(ReadingLate, c, i.judgeLate(now))
		d.setChannel(ReadingFrozen, c, d.judgeFrozen(c, now))
		if plain := i.plain(now); !plain || !i.toldPlain {
			d.setChannel(ReadingOutOfRange, c, i.outOfRange())
			d.setChannel(ReadingImpossibleStep, c, i.impossibleStep(now))
			d.setChannel(ReadingUnitConflict, c, i.unitConflict(now))
			i.toldPlain = plain
		}
	}
}

func (d *Detector) setChannel(k ChannelKind, c ingest.Channel, f Finding) {
	f.Channel = c
	if f.Condition == Present && minimum(c) {
		f.Urgency = High
	}
	d.result.Channels[k][c] = f
}

// plain tells whether range, step and unit of the newest value are as they should be,
// about which nothing more is to be said: those three findings are then absent and the
// same from frame to frame.
func (i *instrument) plain(now float64) bool {
	return i.doubt == NoCause && i.quality != ingest.Bad && i.heard(now) && !(i.strayed > 0 && now-i.strayed < saidFor)
}
