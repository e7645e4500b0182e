package dashboard

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"
)

// Order keeps rigs in the order of need, steadily enough for a person to point at one:
// need is told in steps, a rig that needs more moves forward at once, one that needs
// less moves back only when it has needed less for keepPlaceMs. Rigs of the same step
// stand by name. The zero value is ready; it is a value of data and time alone.
type Order struct {
	rigs map[string]place
}

type place struct {
	step   need
	lastMs int64 // when it last needed so much
}

// keepPlaceMs is about a connection with the block standing between two stands: a rig
// that trips steadily keeps its place. This project's own choice.
const keepPlaceMs = 15_000

// Next returns the names of the rigs of tiles in order, as of nowMs (ms since 1970, the
// server's clock). Rigs that are not among tiles are forgotten.
func (o *Order) Next(tiles []Tile, nowMs int64) []string {
	next := make(map[string]place, len(tiles))
	for i := range tiles {
		now := place{tiles[i].need(nowMs).inSteps(), nowMs}
		held, known := o.rigs[tiles[i].Rig]
		if known && compareSteps(held.step, now.step) < 0 && nowMs-held.lastMs < keepPlaceMs {
			now = held
		}
		next[tiles[i].Rig] = now
	}
	o.rigs = next
	return slices.SortedFunc(maps.Keys(next), func(a, b string) int {
		return cmp.Or(compareSteps(next[a].step, next[b].step), strings.Compare(a, b))
	})
}

// Steps of need: this project's own choices. Overhoist is raised at 1.5 s.
var secondSteps = []float64{0, 1.5, 3, 5, 10}

const brakeSteps = 4 // from amber to red, and on beyond it

// inSteps returns n with seconds and brake made coarse. Above the last step of seconds
// no end calls for anybody.
func (n need) inSteps() need {
	at, _ := slices.BinarySearch(secondSteps, n.seconds)
	n.seconds = needSeconds
	if at < len(secondSteps) {
		n.seconds = secondSteps[at]
	}
	n.brake = math.Ceil(min(n.brake, 2) * brakeSteps)
	return n
}

func compareSteps(x, y need) int {
	return cmp.Or(cmp.Compare(x.seconds, y.seconds), cmp.Compare(y.brake, x.brake),
		cmp.Compare(y.unseen, x.unseen), cmp.Compare(y.loud, x.loud))
}
