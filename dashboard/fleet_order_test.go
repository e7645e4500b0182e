package dashboard

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// calmFleet is rigs a to e, of which nothing is asked at now.
func calmFleet(now int64) []Tile {
	var tiles []Tile
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		tiles = append(tiles, calmTile(name, func(t *Tile) { t.NewestMs = now }))
	}
	return tiles
}

func TestARigInNeedMovesForwardAtOnceAndBackLate(t *testing.T) {
	var o Order
	at := func(ms int64, seconds float64, want ...string) {
		t.Helper()
		tiles := calmFleet(needNow + ms)
		if seconds < needSeconds {
			tiles[3].SecondsToAct, tiles[3].NothingAhead = Num(seconds), false
		}
		if got := o.Next(tiles, needNow+ms); !slices.Equal(got, want) {
			t.Fatalf("after %d ms with %g s to act: %q, want %q", ms, seconds, got, want)
		}
	}
	at(0, 30, "a", "b", "c", "d", "e")
	at(100, 4, "d", "a", "b", "c", "e")
	at(200, 30, "d", "a", "b", "c", "e")
	at(15_099, 30, "d", "a", "b", "c", "e")
	at(15_100, 30, "a", "b", "c", "d", "e") // 15 s after it last needed so much
}

// A block that goes up and down all day gives other seconds every moment: within a step
// nothing moves, and neither does it while the rig needs as much again before its time.
func TestSteadyWorkMovesNothing(t *testing.T) {
	var o Order
	var before []string
	r := rand.New(rand.NewPCG(4, 4))
	for ms := int64(0); ms < 120_000; ms += 100 {
		tiles := calmFleet(needNow + ms)
		for i := range tiles {
			t := &tiles[i]
			if ms/10_000%2 == 0 { // ten seconds of motion, ten of a connection
				t.SecondsToAct = Num(5.1 + 4.8*r.Float64())
			}
			if t.Rig == "e" {
				t.BrakeHi = Num(226 + 20*r.Float64()) // a quarter to half of the way from amber to red
			}
		}
		names := o.Next(tiles, needNow+ms)
		if before != nil && !slices.Equal(names, before) {
			t.Fatalf("after %d ms %q became %q", ms, before, names)
		}
		before = names
	}
	if before[0] != "e" {
		t.Errorf("first is %q, want e, whose brake is hot", before[0])
	}
}

// For any tiles at any times: each rig is there once; a rig that needs more, by steps,
// than another ever did within the time of keeping stands before it.
func TestOrderProperties(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 1))
	for range 200 {
		var o Order
		now := needNow
		for range 40 {
			now += r.Int64N(8000)
			tiles := make([]Tile, 6)
			for i := range tiles {
				tiles[i] = TileOf(anySnapshot(r, string(rune('a'+i))))
				if tiles[i].NewestMs != 0 {
					tiles[i].NewestMs += now - needNow
				}
			}
			names := o.Next(tiles, now)
			sorted := slices.Sorted(slices.Values(names))
			if !slices.Equal(sorted, []string{"a", "b", "c", "d", "e", "f"}) {
				t.Fatalf("rigs %q", names)
			}
			for i := range tiles {
				step := tiles[i].need(now).inSteps()
				if held := o.rigs[tiles[i].Rig].step; compareSteps(held, step) > 0 {
					t.Fatalf("%s stands by %+v and needs %+v", tiles[i].Rig, held, step)
				}
			}
			for i := 1; i < len(names); i++ {
				if compareSteps(o.rigs[names[i-1]].step, o.rigs[names[i]].step) > 0 {
					t.Fatalf("%s stands before %s and needs less", names[i-1], names[i])
				}
			}
		}
	}
}

func TestARigThatIsGoneIsForgotten(t *testing.T) {
	var o Order
	o.Next(calmFleet(needNow), needNow)
	if got := o.Next(calmFleet(needNow)[:2], needNow); !slices.Equal(got, []string{"a", "b"}) || len(o.rigs) != 2 {
		t.Errorf("%q, %d kept, want a and b", got, len(o.rigs))
	}
}
