package dashboard

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
)

const needNow = int64(1_000_000)

// calmTile is a rig of which nothing is asked.
func calmTile(name string, change func(*Tile)) Tile {
	t := Tile{
		Rig: name, NewestMs: needNow - 100, NothingAhead: true, BrakeHi: Num(90),
		Amber: Num(200), Red: Num(300), BrakeMargin: Num(3), MarginLow: Num(1.5),
	}
	if change != nil {
		change(&t)
	}
	return t
}

func rigsOf(tiles []Tile) (names []string) {
	for i := range tiles {
		names = append(names, tiles[i].Rig)
	}
	return names
}

func TestOrderByNeed(t *testing.T) {
	want := []Tile{ // each line needs a person more than the next
		calmTile("q cannot stop", func(t *Tile) { t.CannotStop = true }),
		calmTile("p two seconds", func(t *Tile) { t.SecondsToAct = Num(2) }),
		calmTile("o nine seconds, hot", func(t *Tile) { t.SecondsToAct, t.BrakeHi = Num(9), Num(400) }),
		calmTile("n past red", func(t *Tile) { t.BrakeHi = Num(310) }),
		calmTile("m margin 0.3", func(t *Tile) { t.BrakeMargin = Num(0.3) }),
		calmTile("l past amber", func(t *Tile) { t.BrakeHi = Num(220) }),
		calmTile("k never heard", func(t *Tile) { t.NewestMs = 0 }),
		calmTile("l lost", func(t *Tile) { t.NewestMs = needNow - 2001 }),
		calmTile("l lost, slow", func(t *Tile) { t.NewestMs, t.SilenceMs = needNow-15001, 15000 }),
		calmTile("j blind both ways", func(t *Tile) { t.Blind = "both" }),
		calmTile("i blind to the crown", func(t *Tile) { t.Blind = "crown" }),
		calmTile("h brake not known", func(t *Tile) { t.BrakeHi = nil }),
		calmTile("g high", func(t *Tile) { t.Priority = "high" }),
		calmTile("f medium", func(t *Tile) { t.Priority = "medium" }),
		calmTile("e low", func(t *Tile) { t.Priority = "low" }),
		calmTile("a calm", nil),
		calmTile("b a minute to act", func(t *Tile) { t.SecondsToAct = Num(60) }),
		calmTile("c just not lost", func(t *Tile) { t.NewestMs = needNow - 2000 }),
		calmTile("d reports every 5 s", func(t *Tile) { t.NewestMs, t.SilenceMs = needNow-15000, 15000 }),
	}
	got := slices.Clone(want)
	slices.Reverse(got)
	OrderByNeed(got, needNow)
	if !slices.Equal(rigsOf(got), rigsOf(want)) {
		t.Errorf("order\n got %q\nwant %q", rigsOf(got), rigsOf(want))
	}
}

func TestLastValuesOfALostRigAreNotBelieved(t *testing.T) {
	tiles := []Tile{
		calmTile("lost, was hot", func(t *Tile) { t.NewestMs, t.SecondsToAct, t.BrakeHi = 1, Num(1), Num(500) }),
		calmTile("hot now", func(t *Tile) { t.BrakeHi = Num(201) }),
	}
	OrderByNeed(tiles, needNow)
	if tiles[0].Rig != "hot now" {
		t.Errorf("first is %q, want the rig whose state is known", tiles[0].Rig)
	}
}

func anyNumber(r *rand.Rand) *float64 {
	x := []float64{0, -1, 1, 5, 29, 31, 200, 300, math.NaN(), math.Inf(1), math.Inf(-1)}
	if i := r.IntN(len(x) + 3); i < len(x) {
		return &x[i]
	}
	return nil
}

// anySnapshot holds numbers of every kind, those that are none included.
func anySnapshot(r *rand.Rand, name string) *Snapshot {
	s := &Snapshot{Rig: name, NewestMs: []int64{0, needNow - 5000, needNow}[r.IntN(3)]}
	for _, v := range []reflect.Value{reflect.ValueOf(&s.Estimate).Elem(), reflect.ValueOf(&s.Mast).Elem(), reflect.ValueOf(&s.Ratings).Elem()} {
		for i := range v.NumField() {
			switch v.Field(i).Interface().(type) {
			case *float64:
				v.Field(i).Set(reflect.ValueOf(anyNumber(r)))
			case float64:
				if p := anyNumber(r); p != nil {
					v.Field(i).SetFloat(*p)
				}
			}
		}
	}
	s.Estimate.CannotStop = r.IntN(8) == 0
	s.Estimate.Blind = []string{"", "crown", "floor", "both"}[r.IntN(4)]
	if p := []string{"", "low", "medium", "high", "emergency"}[r.IntN(5)]; p != "" {
		s.Alarms = []AlarmView{{Alarm: "x", Priority: p, CanAck: true}}
	}
	return s
}

// For any snapshots: a tile can be written as JSON, the order is total and does not
// depend on how the tiles came, and fewer seconds never move a rig back.
func TestOrderByNeedProperties(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	for range 2000 {
		tiles := make([]Tile, 12)
		for i := range tiles {
			tiles[i] = TileOf(anySnapshot(r, string(rune('a'+i))))
			if _, err := json.Marshal(tiles[i]); err != nil {
				t.Fatalf("tile as JSON: %v", err)
			}
		}
		for i := range tiles {
			for j := range tiles {
				a, b := compareNeed(&tiles[i], &tiles[j], needNow), compareNeed(&tiles[j], &tiles[i], needNow)
				if a != -b || (a == 0) != (i == j) {
					t.Fatalf("compare %d, reversed %d:\n%+v\n%+v", a, b, tiles[i], tiles[j])
				}
			}
		}
		first := slices.Clone(tiles)
		OrderByNeed(first, needNow)
		r.Shuffle(len(tiles), func(i, j int) { tiles[i], tiles[j] = tiles[j], tiles[i] })
		OrderByNeed(tiles, needNow)
		if !slices.Equal(rigsOf(first), rigsOf(tiles)) {
			t.Fatalf("order depends on how tiles came: %q, %q", rigsOf(first), rigsOf(tiles))
		}
		at := r.IntN(len(tiles))
		moved := tiles[at].Rig
		tiles[at].SecondsToAct = Num(0)
		OrderByNeed(tiles, needNow)
		if now := slices.Index(rigsOf(tiles), moved); now > at {
			t.Fatalf("rig %s fell from %d to %d with no seconds left", moved, at, now)
		}
	}
}

func TestTileOfTakesTheFirstAlarmAndCountsTheUnseen(t *testing.T) {
	got := TileOf(&Snapshot{Rig: "r", Alarms: []AlarmView{
		{Alarm: "overhoist", Title: "Overhoist", Priority: "emergency", CanAck: true}, {Alarm: "blind", Priority: "high"}}})
	aside := TileOf(&Snapshot{Rig: "r", Alarms: []AlarmView{
		{Alarm: "brake_hot", Priority: "high", State: "shelved"}, {Alarm: "clock", Title: "Clock", Priority: "low", State: "out_of_service"}}})
	if aside.Alarms != 0 || aside.Priority != "" || aside.Title != "" {
		t.Errorf("what a person has put aside stands on the tile: %+v", aside)
	}
	if got.Alarm != "overhoist" || got.Title != "Overhoist" || got.Priority != "emergency" || got.Alarms != 2 || got.Unseen != 1 {
		t.Errorf("got %+v", got)
	}
}

// Amber and red set to one value leave no scale to measure heat by: at that value the
// heat cannot be told, and must not hide a margin that can.
func TestHeatWithoutAScaleDoesNotHideTheMargin(t *testing.T) {
	tiles := []Tile{
		calmTile("a margin 1", func(t *Tile) { t.BrakeMargin = Num(1) }),
		calmTile("b margin 0.1", func(t *Tile) { t.BrakeHi, t.Red, t.BrakeMargin = Num(200), Num(200), Num(0.1) }),
	}
	OrderByNeed(tiles, needNow)
	if tiles[0].Rig != "b margin 0.1" {
		t.Errorf("first is %q, want the least margin", tiles[0].Rig)
	}
}
