package trial

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/simulator"
)

// Each scorer is shown cases made by hand, whose right score is known.

// ended returns what a judge came to, and the rows in which it found fault.
func ended(j judge) (t tally, rows []string) {
	j.end(&t, func(row, _ string, _ float64) { rows = append(rows, row) })
	return t, rows
}

type plainTrip struct{ plain, lost simulator.Rest }

func (p plainTrip) Trip(loseAuxiliary bool) simulator.Rest {
	if loseAuxiliary {
		return p.lost
	}
	return p.plain
}

func resting(highest, lowest float64) simulator.Rest {
	return simulator.Rest{Highest: highest, Lowest: lowest, Stopped: true}
}

func TestStopsUp(t *testing.T) {
	nan := math.NaN()
	for name, c := range map[string]struct {
		answer, bound, speed float64
		inside               int
		expected, excess     float64 // NaN = not scored
	}{
		"right":           {31.0, 31.3, 1.0, 1, 0.1, 0.2},
		"just inside":     {31.1, 31.1, 1.0, 1, 0.0, 0.0},
		"bound passed":    {31.0, 31.05, 1.0, 0, 0.1, -0.05},
		"slow is not hit": {31.0, 31.3, 0.4, 1, nan, nan},
		"no answer":       {nan, nan, 1.0, 0, math.Inf(1), math.Inf(1)},
	} {
		s := &stops{}
		s.probe(&simulator.Truth{Velocity: c.speed, AuxTorque: 5},
			&detect.Estimate{RestUp: c.answer, RestUpBound: c.bound, RestDown: 0, RestDownBound: 0},
			plainTrip{plain: resting(31.1, 29), lost: resting(99, 0)})
		got, rows := ended(s)
		if got.stops != 1 || got.inside != c.inside || (len(rows) == 0) != (c.inside == 1) {
			t.Errorf("%s: %d stops, %d inside, rows %v; want 1, %d", name, got.stops, got.inside, rows, c.inside)
		}
		near(t, name+": expected", median(got.expected), c.expected)
		near(t, name+": excess", median(got.excessUp), c.excess)
		if len(got.excessDown) > 0 {
			t.Errorf("%s: a rising block counts as lowering", name)
		}
	}
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.IsNaN(want) && math.IsNaN(got) || got == want {
		return
	}
	if !(math.Abs(got-want) < 1e-9) {
		t.Errorf("%s: got %g, want %g", what, got, want)
	}
}

// Going down, sharpness is of the stop with the auxiliary brake lost, where it did
// the braking; the expected rest is of the plain one.
func TestStopsDown(t *testing.T) {
	probe := func(aux, friction float64, r plainTrip) tally {
		s := &stops{}
		s.probe(&simulator.Truth{Velocity: -0.8, AuxTorque: aux, BrakeTorque: friction},
			&detect.Estimate{RestDown: 9.5, RestDownBound: 8.0}, r)
		got, _ := ended(s)
		return got
	}
	r := plainTrip{plain: resting(11, 9.4), lost: resting(11, 8.3)}
	got := probe(100, 0, r)
	if got.stops != 2 || got.inside != 2 {
		t.Errorf("%d stops, %d inside; want 2 and 2", got.stops, got.inside)
	}
	near(t, "expected", median(got.expected), 0.1)
	near(t, "excess", median(got.excessDown), 0.3)
	if got = probe(50, 50, r); got.stops != 2 || len(got.excessDown) != 0 {
		t.Errorf("half by the friction brake: %+v, want two stops and no sharpness", got)
	}
	if got = probe(0, 100, r); got.stops != 1 || len(got.excessDown) != 0 {
		t.Errorf("all by the friction brake: %+v, want one stop and no sharpness", got)
	}
	r.lost = simulator.Rest{Highest: 11, Lowest: 0, Contact: simulator.FloorContact}
	if got = probe(100, 0, r); got.stops != 2 || got.inside != 1 || len(got.excessDown) != 0 {
		t.Errorf("a floor contact: %+v, want it outside the bound and not in the sharpness", got)
	}
}

func raised(alarm string) []alarms.Event {
	return []alarms.Event{{Alarm: alarm, Event: alarms.EventRaised}}
}

// A block that would come to rest at 30 m + 1 m/s more with each second: the watcher
// acts at 41 − 1.5 = 39.5 m, at 9.5 s; contact can be kept off till 14 s.
func runUp(alarmAt float64, alarm string, clearedAt float64) *contacts {
	c := newContacts(&hoist.Rig{Mast: hoist.Mast{CrownHeight: 44, CrownLimit: 41, FloorLimit: 1.5}})
	for k := 0; k <= 150; k++ {
		at := float64(k) / 10
		if at == alarmAt {
			c.stands.take(raised(alarm), at)
		}
		if at == clearedAt {
			c.stands.take([]alarms.Event{{Alarm: alarm, Event: alarms.EventCleared}}, at)
		}
		rest := resting(30+at, 28)
		if rest.Highest > 44 {
			rest = simulator.Rest{Highest: 44, Contact: simulator.CrownContact}
		}
		c.kept = append(c.kept, instant{at, plainTrip{plain: rest}})
	}
	c.contact, c.at, c.alarmed = simulator.CrownContact, 15, c.since(simulator.CrownContact)
	return c
}

func TestContacts(t *testing.T) {
	for name, c := range map[string]struct {
		alarmAt         float64
		alarm           string
		cleared         float64
		inTime, silence int
	}{
		"in time":          {12.9, "overhoist", -1, 1, 0},
		"just in time":     {13.0, "overhoist", -1, 1, 0},
		"late":             {13.2, "overhoist", -1, 0, 0},
		"silent":           {-1, "", -1, 0, 1},
		"let go of":        {10.0, "overhoist", 11.0, 0, 1},
		"of the other end": {10.0, "floor_approach", -1, 0, 1},
	} {
		got, rows := ended(runUp(c.alarmAt, c.alarm, c.cleared))
		if got.contacts != 1 || got.avoidable != 1 || got.inTime != c.inTime || got.silent != c.silence {
			t.Errorf("%s: %+v, want avoidable, in time %d, silent %d", name, got, c.inTime, c.silence)
		}
		if (len(rows) == 0) != (c.inTime == 1) {
			t.Errorf("%s: rows %v", name, rows)
		}
	}
	c := runUp(-1, "", -1)
	last, ok := c.last()
	if !ok || c.kept[last].at != 14 {
		t.Errorf("last moment %v at %g s, want 14 s", ok, c.kept[last].at)
	}
}

// With the limit near the crown the watcher acts 1.5 s before it: at 43.5 − 1.5 m,
// 12 s, 2 s before the last moment.
func TestWatcher(t *testing.T) {
	c := runUp(-1, "", -1)
	c.rig.Mast.CrownLimit = 43.5
	last, _ := c.last()
	near(t, "watcher", c.watcher(last), 12)
	c.rig.Mast.CrownLimit = 45 // at 13.5 s: half a second is not a second
	near(t, "watcher of a late limit", c.watcher(last), 13.5)
	if got, _ := ended(c); got.avoidable != 0 {
		t.Errorf("%+v, want not avoidable", got)
	}
	c.rig.Mast.CrownLimit = 46 // he would act too late for anybody
	near(t, "watcher of a limit above the crown", c.watcher(last), math.Inf(1))
	if got, _ := ended(c); got.avoidable != 0 {
		t.Errorf("%+v, want not avoidable", got)
	}
}

// Going down it is the floor's alarms that count, and the lowest point: rest falls by
// 1 m/s from 10 m, the watcher acts at 1.5 + 1.5 m, 7 s, and contact is off till 9.9 s.
func TestContactBelow(t *testing.T) {
	for alarm, inTime := range map[string]int{"floor_approach": 1, "lowering_too_fast": 1, "cannot_stop": 1, "overhoist": 0, "crown_limit_passed": 0} {
		c := newContacts(&hoist.Rig{Mast: hoist.Mast{CrownHeight: 44, CrownLimit: 41, FloorLimit: 1.5}})
		c.stands.take(raised(alarm), 8)
		for k := 0; k <= 110; k++ {
			at := float64(k) / 10
			rest := resting(43, 10-at)
			if rest.Lowest <= 0 {
				rest = simulator.Rest{Contact: simulator.FloorContact}
			}
			c.kept = append(c.kept, instant{at, plainTrip{plain: rest}})
		}
		c.contact, c.at, c.alarmed = simulator.FloorContact, 11, c.since(simulator.FloorContact)
		last, _ := c.last()
		if w := c.watcher(last); !(w >= 7 && w <= 7.41) { // he is followed back 2.5 s and little further
			t.Errorf("watcher at %g s", w)
		}
		if got, _ := ended(c); got.avoidable != 1 || got.inTime != inTime || got.silent != 1-inTime {
			t.Errorf("%s: %+v, want in time %d", alarm, got, inTime)
		}
	}
}

// A contact that comes out of nothing is nobody's to avoid: the retarding torque goes
// when it is too late already.
func TestContactNotAvoidable(t *testing.T) {
	c := newContacts(&hoist.Rig{Mast: hoist.Mast{CrownHeight: 44, CrownLimit: 41, FloorLimit: 1.5}})
	for k := range 50 {
		rest := resting(20, 15-float64(k)/10)
		if k > 40 {
			rest = simulator.Rest{Contact: simulator.FloorContact}
		}
		c.kept = append(c.kept, instant{float64(k) / 10, plainTrip{plain: rest}})
	}
	c.contact, c.at, c.alarmed = simulator.FloorContact, 5, math.Inf(1)
	if got, rows := ended(c); got.contacts != 1 || got.avoidable != 0 || got.silent != 0 || len(rows) != 0 {
		t.Errorf("%+v, %v; want a contact that nobody could avoid", got, rows)
	}
}

func TestHeights(t *testing.T) {
	h := &heights{}
	for _, e := range []float64{0.03, -0.04, math.NaN()} {
		h.see(&moment{fresh: true, truth: &simulator.Truth{Height: 10}, est: &detect.Estimate{Height: 10 + e}})
	}
	h.see(&moment{truth: &simulator.Truth{Height: 10}, est: &detect.Estimate{Height: 99}}) // of an older sample
	got, rows := ended(h)
	near(t, "root", got.height.root(), math.Sqrt((0.03*0.03+0.04*0.04)/2))
	near(t, "worst", got.worst, 0.04)
	if len(rows) != 0 {
		t.Errorf("rows %v, want none at 40 mm", rows)
	}
	h.see(&moment{fresh: true, truth: &simulator.Truth{Height: 10}, est: &detect.Estimate{Height: 10.06}})
	if _, rows = ended(h); len(rows) != 1 {
		t.Errorf("rows %v, want one at 60 mm", rows)
	}
}

func TestScoresAndTable(t *testing.T) {
	good := tally{
		stops: 100, inside: 99, expected: []float64{0.1, 0.2, 0.1}, excessUp: []float64{0.3, 0.4}, excessDown: []float64{0.6},
		contacts: 12, avoidable: 10, inTime: 10, stands: 2000, nuisance: 1, height: meanSquare{4, 4 * 0.0004}, worst: 0.05,
		heat: meanSquare{2, 2 * 225}, heatSeen: 100, heatUnder: 95, friction: meanSquare{1, 0.0004}, fade: 100, fadeFound: 99,
		auxiliary: 100, auxiliaryFound: 99, sensor: 100, sensorFound: 99,
	}
	s := good.scores(7, 9)
	near(t, "expected", float64(s.ExpectedError), 0.1)
	near(t, "up", float64(s.ExcessUp), 0.35)
	near(t, "nuisance", float64(s.Nuisance), 0.5)
	near(t, "height", float64(s.HeightRMS), 20)
	for _, r := range s.Rows() {
		if r.Verdict != Met {
			t.Errorf("%s: %s against %s: %v, want met", r.Score, r.Got, r.Goal, r.Verdict)
		}
	}
	bad := tally{
		stops: 100, inside: 98, expected: []float64{0.16}, excessUp: []float64{0.36}, excessDown: []float64{math.Inf(1)},
		avoidable: 10, inTime: 9, silent: 1, stands: 1000, nuisance: 1, height: meanSquare{1, 0.0005}, worst: 0.051, falseFade: 2,
		heat: meanSquare{1, 256}, heatSeen: 100, heatUnder: 94, friction: meanSquare{1, 0.0005}, fade: 100, fadeFound: 98,
		auxiliary: 100, auxiliaryFound: 98, sensor: 100, sensorFound: 98,
	}
	s = bad.scores(7, 9)
	for _, r := range s.Rows() {
		if r.Verdict != Missed {
			t.Errorf("%s: %s against %s: %v, want missed", r.Score, r.Got, r.Goal, r.Verdict)
		}
	}
	s = (&tally{}).scores(7, 9)
	for _, r := range s.Rows() {
		if r.Verdict != NothingToJudge {
			t.Errorf("%s: %s: %v, want nothing to judge", r.Score, r.Got, r.Verdict)
		}
	}
	text, err := json.Marshal(s)
	if err != nil || !strings.Contains(string(text), `"bound_coverage":null`) {
		t.Errorf("%s, %v; want null where there is nothing", text, err)
	}
	var table strings.Builder
	if err := s.WriteTable(&table); err != nil || strings.Contains(table.String(), "NaN") {
		t.Errorf("%v\n%s", err, table.String())
	}
}

func TestWriteFailures(t *testing.T) {
	var w strings.Builder
	f := Failure{Case: 3, Kind: FadeCase, Rig: "R2", Row: "fade", What: "not found", At: 1500 * time.Millisecond}
	g := Failure{Case: 4, Row: "bound"}
	if err := WriteFailures(&w, []Failure{f, g, f, f}, 2); err != nil {
		t.Fatal(err)
	}
	line := "  case 3 (fade, R2) at 1.5 s: fade: not found\n"
	if want := "\nfade: 3 not good enough\n" + line + line + "\nbound: 1 not good enough\n  case 4 (stop, ) at 0.0 s: bound: \n"; w.String() != want {
		t.Errorf("got\n%s\nwant\n%s", w.String(), want)
	}
}

// Two tallies add up in every one of their fields; what is worst stays the worse.
func TestMerge(t *testing.T) {
	fill := func(by int) (t tally) {
		v := reflect.ValueOf(&t).Elem()
		for i := range v.NumField() {
			f := reflect.NewAt(v.Field(i).Type(), v.Field(i).Addr().UnsafePointer()).Elem()
			switch x := f.Addr().Interface().(type) {
			case *int:
				*x = by * (i + 1)
			case *float64:
				*x = float64(by)
			case *[]float64:
				*x = []float64{float64(by * (i + 1))}
			case *meanSquare:
				*x = meanSquare{by, float64(by)}
			}
		}
		return t
	}
	got, other := fill(1), fill(2)
	got.merge(&other)
	want := fill(3)
	want.worst = 2
	want.expected, want.excessUp, want.excessDown = append(fill(1).expected, fill(2).expected...), append(fill(1).excessUp, fill(2).excessUp...), append(fill(1).excessDown, fill(2).excessDown...)
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestMedian(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 100 {
		x := make([]float64, 1+r.IntN(9))
		for i := range x {
			x[i] = r.NormFloat64()
		}
		m, under, over := median(x), 0, 0
		for _, v := range x {
			if v < m {
				under++
			}
			if v > m {
				over++
			}
		}
		if under != over {
			t.Fatalf("median %g of %v has %d under and %d over", m, x, under, over)
		}
	}
	if !math.IsNaN(median(nil)) {
		t.Error("the median of nothing is a number")
	}
}
