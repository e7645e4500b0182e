package configs

import (
	"fmt"
	"slices"
	"strings"

	"hoistward/ingest"
)

// hoistChannels are those whose times are compared with each other: a stop is worked
// out from all of them at one moment.
var hoistChannels = []ingest.Channel{
	ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.DrumCounts, ingest.BrakePressure,
}

func (s *Source) clockOf(c ingest.Channel) ingest.Clock {
	if at := s.Mapping.Channels[c].Topic; at < len(s.Mapping.Topics) {
		return s.Mapping.Topics[at].Clock
	}
	return s.Mapping.Clock
}

// noteClocks notes where of the hoist channels of one rig some bear their source's
// time and others the moment of receipt. Stamps of two sources may come of clocks that
// are kept together, and are not noted.
func noteClocks(r *reader, sources []Source) []Note {
	var notes []Note
	for i := range sources {
		rig := ""
		if w := sources[i].WITS; w != nil {
			rig = w.Rig
		}
		var by [2][]string // channels by their clock
		for _, c := range hoistChannels {
			for j := range sources {
				s := &sources[j]
				if !s.Mapping.Channels[c].Mapped || j != i && s.WITS != nil && s.WITS.Rig != rig {
					continue
				}
				if k := s.clockOf(c); !slices.Contains(by[k], c.String()) {
					by[k] = append(by[k], c.String())
				}
			}
		}
		stamped, received := by[ingest.SourceClock], by[ingest.ReceiptClock]
		if len(stamped) == 0 || len(received) == 0 {
			continue
		}
		n := Note{r.file, r.lineOf("sources"), fmt.Sprintf(
			"two clocks in one rig: %s as stamped by the source, %s by the moment of receipt: what is worked out from both is off by the clock's difference and the way here, and more than a second apart the readings that lie behind are refused",
			strings.Join(stamped, ", "), strings.Join(received, ", "))}
		if !slices.Contains(notes, n) {
			notes = append(notes, n)
		}
	}
	return notes
}
