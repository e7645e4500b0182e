package dashboard

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

var writesItself = reflect.TypeFor[json.Marshaler]()

// fill puts numbers that are not finite into v, wherever a number can be, and returns
// how many are behind pointers: those are counted.
func fill(t *testing.T, r *rand.Rand, v reflect.Value, where string, own bool) (counted int) {
	bad := []float64{math.NaN(), math.Inf(1), math.Inf(-1)}[r.IntN(3)]
	own = own || v.Type().Implements(writesItself)
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(bad)
		if !own {
			t.Errorf("%s is a plain number, which cannot say that it is not known", where)
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		if v.Type().Elem().Kind() == reflect.Float64 {
			v.Elem().SetFloat(bad)
			return 1
		}
		return fill(t, r, v.Elem(), where, own)
	case reflect.Struct:
		for i := range v.NumField() {
			counted += fill(t, r, v.Field(i), where+"."+v.Type().Field(i).Name, own)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range v.Len() {
			counted += fill(t, r, v.Index(i), where+"[]", own)
		}
	case reflect.Map, reflect.Interface, reflect.Array, reflect.Float32:
		t.Errorf("%s is a %s, which clean does not go into", where, v.Kind())
	case reflect.String:
		v.SetString("x")
	}
	return counted
}

// numbers returns how many numbers of v are finite and how many are not.
func numbers(v reflect.Value) (finite, bad int) {
	switch v.Kind() {
	case reflect.Float64:
		if Num(v.Float()) == nil {
			return 0, 1
		}
		return 1, 0
	case reflect.Pointer:
		if !v.IsNil() {
			return numbers(v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f, b := numbers(v.Field(i))
			finite, bad = finite+f, bad+b
		}
	case reflect.Slice:
		for i := range v.Len() {
			f, b := numbers(v.Index(i))
			finite, bad = finite+f, bad+b
		}
	}
	return finite, bad
}

// Whatever number of a snapshot is not finite, all that leaves for a page is JSON, says
// null there, and counts it; the snapshot stays as it was.
func TestNoNumberThatIsNotFiniteLeaves(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 26))
	for range 20 {
		var snap Snapshot
		counted := fill(t, r, reflect.ValueOf(&snap).Elem(), "Snapshot", false)
		_, before := numbers(reflect.ValueOf(snap))
		if counted < 30 || before <= counted {
			t.Fatalf("%d numbers filled, %d of them counted: the test no longer reaches them", before, counted)
		}
		text, cleaned, err := marshal(&snap)
		if err != nil || cleaned != counted {
			t.Fatalf("%d numbers cleaned (%v), want %d", cleaned, err, counted)
		}
		if _, after := numbers(reflect.ValueOf(snap)); after != before {
			t.Fatalf("marshal changed the snapshot: %d numbers that are not finite, were %d", after, before)
		}
		var back Snapshot
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		// What writes itself has plain numbers, which read null as 0: the rest must be nil.
		if n := strings.Count(string(text), "null"); n < counted {
			t.Fatalf("%d nulls in the text, want %d at the least", n, counted)
		}
		_, row, err := New(Options{}).frameOf(&snap)
		if err != nil || !json.Valid(row.text) || !json.Valid(row.alarms.text) {
			t.Fatalf("row: %v, tile %s, alarms %s", err, row.text, row.alarms.text)
		}
	}
}

// One bad number anywhere takes no other with it.
func TestOneBadNumberTakesNoOtherWithIt(t *testing.T) {
	var snap Snapshot
	fill(t, rand.New(rand.NewPCG(1, 1)), reflect.ValueOf(&snap).Elem(), "Snapshot", false)
	good(reflect.ValueOf(&snap).Elem())
	all, _ := numbers(reflect.ValueOf(snap))
	for _, p := range []**float64{&snap.Work.BlockWeight, &snap.Service.SinceCut, &snap.Service.RunOn, &snap.Estimate.Height, &snap.Alarms[1].Limit} {
		kept := *p
		*p = new(math.NaN())
		text, cleaned, err := marshal(&snap)
		var back Snapshot
		if e := json.Unmarshal(text, &back); e != nil || err != nil || cleaned != 1 {
			t.Fatalf("%d cleaned: %v, %v", cleaned, err, e)
		}
		if f, _ := numbers(reflect.ValueOf(back)); f != all-1 {
			t.Errorf("%d numbers arrived, want %d", f, all-1)
		}
		*p = kept
	}
}

func good(v reflect.Value) {
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(1.25)
	case reflect.Pointer:
		good(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			good(v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			good(v.Index(i))
		}
	}
}

// A tile is sent to the thousandth, and one that cannot be rounded is not known.
func TestTileIsRounded(t *testing.T) {
	tile := Tile{Height: Num(18.23456), Velocity: Num(-0.0004), BrakeHi: Num(1e306), RestUp: nil}
	before := *tile.Height
	got := tile.rounded()
	if *got.Height != 18.235 || *got.Velocity != 0 || got.BrakeHi != nil || got.RestUp != nil || *tile.Height != before {
		t.Errorf("got %v %v %v %v, height kept %v", *got.Height, *got.Velocity, got.BrakeHi, got.RestUp, *tile.Height)
	}
}
