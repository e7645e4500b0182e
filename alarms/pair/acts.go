package pair

import (
	"time"

	"hoistward/alarms"
	"hoistward/ingest"
)

// MostActs bounds the acts that a member holds out for the other.
const MostActs = 200

// Acts are what people did at one member, retained on a topic that it alone writes. The
// number of the newest is the version: what the other has not taken yet is beyond the
// version that it keeps on its disk.
type Acts struct {
	Member string `json:"member"`
	Acts   []Made `json:"acts"` // by number, oldest first
}

// Made is one act with its number: ms since 1970, or one more than the number before.
type Made struct {
	N   uint64     `json:"n"`
	Rig string     `json:"rig"`
	At  time.Time  `json:"at"` // by the member's clock
	Act ingest.Act `json:"act"`
}

// Add takes an act that was made here.
func (a *Acts) Add(rig string, at time.Time, act *ingest.Act) {
	n := uint64(max(1, at.UnixMilli()))
	if last := len(a.Acts); last > 0 {
		n = max(n, a.Acts[last-1].N+1)
	}
	a.Acts = append(a.Acts, Made{n, rig, at.UTC(), *act})
	if over := len(a.Acts) - MostActs; over > 0 {
		a.Acts = append([]Made(nil), a.Acts[over:]...)
	}
}

// Join takes what an earlier run of this member held out.
func (a *Acts) Join(before *Acts) {
	var out []Made
	for _, m := range before.Acts {
		if len(a.Acts) == 0 || m.N < a.Acts[0].N {
			out = append(out, m)
		}
	}
	a.Acts = append(out, a.Acts...)
	if over := len(a.Acts) - MostActs; over > 0 {
		a.Acts = a.Acts[over:]
	}
}

// Newest returns the version.
func (a *Acts) Newest() uint64 {
	if n := len(a.Acts); n > 0 {
		return a.Acts[n-1].N
	}
	return 0
}

// After returns the acts beyond a version.
func (a *Acts) After(version uint64) []Made {
	for i := range a.Acts {
		if a.Acts[i].N > version {
			return a.Acts[i:]
		}
	}
	return nil
}

// Here returns the act that does to our alarm what was done to the other's; false where
// it must not be done: ours came after the act, so the person has not seen it.
func (m *Made) Here(from string, a *alarms.Alarm) (ingest.Act, bool) {
	act := m.Act
	if act.Reason == "" {
		act.Reason = "made at member " + from + ", " + m.At.Format("15:04:05Z")
	}
	if act.OfService() || act.Do == ingest.DoShelve || act.Do == ingest.DoUnshelve || act.Do == ingest.DoOutOfService || act.Do == ingest.DoReturnToService {
		return act, true
	}
	if a == nil || a.Raised > alarms.At(m.At) {
		return act, false
	}
	act.Occurrence, act.Version = a.Occurrence, a.Version
	return act, true
}
