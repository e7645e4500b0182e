package carry

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

type leaf struct {
	F float64
	s string
	b bool
}

type tree struct {
	self   *tree
	at     time.Time
	ages   map[string][]int32
	leaves []leaf
	three  [3]leaf
	one    *leaf    // into three
	two    []leaf   // part of three
	same   []leaf   // leaves again
	whole  *[3]leaf // three
	f32    float32
	u      uint16
	d      time.Duration
	empty  []byte
	none   []byte
}

func grown() *tree {
	t := &tree{
		at: time.Date(2026, 3, 1, 4, 5, 6, 789, time.FixedZone("", 3600)), ages: map[string][]int32{"a": {1, -2}, "b": nil, "c": {}},
		leaves: []leaf{{math.Inf(-1), "x", true}, {math.Copysign(0, -1), "", false}}, f32: 1.5, u: 65535, d: -time.Hour, empty: []byte{},
	}
	t.self, t.same, t.one, t.two, t.whole = t, t.leaves, &t.three[1], t.three[1:3], &t.three
	t.three[2].F = math.Float64frombits(0x7ff8000000000123) // a NaN of its own
	return t
}

func codecFor[T any](t *testing.T, o ...Option) *Codec {
	t.Helper()
	c, err := For[T](o...)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestWhatIsCarriedIsTheSame(t *testing.T) {
	c, in, out := codecFor[tree](t), grown(), &tree{}
	b, err := c.Append(nil, in)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Read(b, out); err != nil {
		t.Fatal(err)
	}
	if bits := math.Float64bits(out.three[2].F); bits != 0x7ff8000000000123 {
		t.Errorf("the NaN is %x", bits)
	}
	if !math.Signbit(out.leaves[1].F) {
		t.Error("minus zero lost its sign")
	}
	in.three[2].F, out.three[2].F = 0, 0
	if !out.at.Equal(in.at) || out.at.Format(time.RFC3339Nano) != in.at.Format(time.RFC3339Nano) {
		t.Errorf("%v, want %v", out.at, in.at)
	}
	out.at = in.at
	if !reflect.DeepEqual(in, out) {
		t.Errorf("%+v, want %+v", out, in)
	}
	if out.none != nil || out.empty == nil {
		t.Error("nil and empty are mixed up")
	}
	// What was one thing is one thing.
	out.one.F, out.two[1].F, out.same[0].s, out.self.u = 7, 8, "seen", 9
	if out.three[1].F != 7 || out.three[2].F != 8 || out.whole[1].F != 7 || out.leaves[0].s != "seen" || out.u != 9 {
		t.Errorf("a part was copied: %+v", out)
	}
}

func TestTheSameValueGivesTheSameBytes(t *testing.T) {
	c := codecFor[tree](t)
	first, _ := c.Append(nil, grown())
	for range 20 {
		if b, _ := c.Append(nil, grown()); string(b) != string(first) {
			t.Fatal("other bytes")
		}
	}
}

type holdsFunc struct{ In struct{ F func() } }
type holdsChan struct{ C []chan int }
type holdsAny struct{ M map[string]any }
type holdsLock struct{ Z *time.Location }

func TestRefusals(t *testing.T) {
	for _, x := range []struct {
		make func() error
		want string
	}{
		{func() error { _, err := For[holdsFunc](); return err }, "holdsFunc.In.F is a func"},
		{func() error { _, err := For[holdsChan](); return err }, "holdsChan.C[] is a chan"},
		{func() error { _, err := For[holdsAny](); return err }, "holdsAny.M[] is a interface"},
		{func() error { _, err := For[holdsLock](); return err }, "another module"},
		{func() error { _, err := codecFor[tree](t).Append(nil, tree{}); return err }, "want a pointer"},
		{func() error {
			in := grown()
			in.same = append(make([]leaf, 0, 4), leaf{}, leaf{}, leaf{})
			in.leaves = in.same[:2] // the shorter is written first, the longer begins in it
			_, err := codecFor[tree](t).Append(nil, in)
			return err
		}, "share memory in part"},
	} {
		if err := x.make(); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%v, want %q", err, x.want)
		}
	}
}

type before struct{ A, B float64 }
type after struct{ B, A float64 }

func TestOtherFieldsAreAnotherFingerprint(t *testing.T) {
	if codecFor[before](t).Fingerprint() == codecFor[after](t).Fingerprint() {
		t.Error("two types are one")
	}
	if first, again := codecFor[before](t), codecFor[before](t); first.Fingerprint() != again.Fingerprint() {
		t.Error("one type is two")
	}
}

type word string

func TestConstantsGoByName(t *testing.T) {
	type text struct{ words []word }
	known := map[string]word{"w": "a long text"}
	c := codecFor[text](t, ByName(func(*word) string { return "w" }, func(s string) (word, bool) { w, ok := known[s]; return w, ok }))
	b, err := c.Append(nil, &text{[]word{"a long text"}})
	if err != nil || len(b) > 6 {
		t.Fatalf("%d bytes, %v", len(b), err)
	}
	var out text
	if err := c.Read(b, &out); err != nil || out.words[0] != "a long text" {
		t.Errorf("%v, %v", out, err)
	}
	if _, err := c.Append(nil, &text{[]word{"changed"}}); err == nil {
		t.Error("a constant that was changed is carried as what it was")
	}
}

// Damaged bytes give an error or another value, and what is read can be used and
// carried again.
func TestDamagedBytesDoNoHarm(t *testing.T) {
	c := codecFor[tree](t)
	good, err := c.Append(nil, grown())
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		b := append([]byte(nil), good...)
		for range rapid.IntRange(1, 4).Draw(t, "n") {
			b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "byte")
		}
		b = b[:rapid.IntRange(0, len(b)).Draw(t, "length")]
		var out tree
		if c.Read(b, &out) == nil {
			for i := range out.two {
				out.two[i].s += "."
			}
			_, _ = c.Append(nil, &out)
		}
	})
}
