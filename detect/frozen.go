package detect

import (
	"math"

	"hoistward/ingest"
)

// Frozen finds a height, count or drum speed that keeps one value while another
// witness of the motion shows that it should change.
//
//	evidence    value unchanged for frozenFor, another witness above frozenSpeed
//	then        the value is not believed, from there until it changes
//	undecided   no value, or no other witness
//
// A value that may well stand still (a block at rest, a pump that is off) is never
// judged: without motion there is nothing to see.
const (
	frozenFor   = 2.0  // s without a change
	frozenSpeed = 0.15 // m/s of the block that the other witness must show
)

func (d *Detector) judgeFrozen(c ingest.Channel, now float64) Finding {
	i := &d.ins[c]
	still := now - i.changed
	switch {
	case !i.heard(now):
		return undecided()
	case i.frozen:
		return present(Medium, UnchangedWhileMoving, still, frozenFor, "s")
	}
	if w := d.otherWitness(c, now); still > frozenFor && w > frozenSpeed {
		i.frozen = true
		d.pos.distrust(c)
		return present(Medium, UnchangedWhileMoving, still, frozenFor, "s")
	}
	return absent(still, frozenFor, "s")
}

// otherWitness returns the block's speed by a witness other than c, m/s; 0 where
// there is none.
func (d *Detector) otherWitness(c ingest.Channel, now float64) float64 {
	speed, counts := &d.ins[ingest.DrumSpeed], &d.ins[ingest.DrumCounts]
	switch {
	case (c == ingest.BlockHeight || c == ingest.DrumCounts) && speed.live(now):
		return math.Abs(speed.v) * d.pos.radius() / float64(d.rig.Reeving.Lines)
	case c == ingest.DrumSpeed && counts.live(now) && d.pos.tied && now-counts.changed < frozenFor:
		return math.Abs(d.pos.motion.x[ixV])
	}
	return 0
}
