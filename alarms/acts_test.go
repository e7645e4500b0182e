package alarms

import (
	"strings"
	"testing"
	"time"
)

func TestResetSaysWhyNot(t *testing.T) {
	latch := Rule{Name: "latch", Priority: High, Latch: true, OnDelay: 2 * time.Second}
	for _, c := range []struct{ name, way, want string }{
		{"present", "bbbA", "still present"},
		{"present again, its on-delay running", "bbbA.b", "still present"},
		{"not acknowledged", "bbb.", "acknowledged first"},
		{"normal", ".", "nothing to reset: the alarm is normal"},
		{"latched and acknowledged", "bbbA.", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := reach(t, &latch, c.way)
			is, ch := latch.Reset(a, start.Add(time.Minute), a.Occurrence, a.Version, "Ivo Brandt")
			if (ch.Refused == "") != (c.want == "") || !strings.Contains(ch.Refused, c.want) || a.CanReset() != (c.want == "") {
				t.Errorf("got %q, can reset %v, want %q", ch.Refused, a.CanReset(), c.want)
			}
			if ch.Refused != "" && is != a {
				t.Error("a refused reset changed the alarm")
			}
			if _, ch := latch.Reset(a, start.Add(time.Minute), a.Occurrence, a.Version+1, "Ivo Brandt"); ch.Refused == "" {
				t.Error("a stale reset was taken")
			}
			if _, ch := latch.Reset(a, start.Add(time.Minute), a.Occurrence, a.Version, ""); ch.Refused == "" {
				t.Error("nobody's reset was taken")
			}
		})
	}
}

// A parent that a person has hidden hides nothing itself: a shelf must not silence
// alarms that nobody shelved.
func TestOnlyAParentInViewSuppresses(t *testing.T) {
	r := Rule{Name: "parent", Priority: High, Shelvable: true}
	for way, want := range map[string]bool{".": false, "b": true, "bA": true, "bS": true, "b.": false, "bZ": false, "bO": false, "bOo": true} {
		if got := reach(t, &r, way).Suppresses(); got != want {
			t.Errorf("after %q: %v, want %v", way, got, want)
		}
	}
}

func TestAShelfCoversThePriorityThatWasSeen(t *testing.T) {
	r := Rule{Name: "plain", Priority: Medium, Shelvable: true}
	seen := Input{Condition: ConditionTrue, Priority: High}
	a, _ := settle(t, &r, Alarm{}, start, seen)
	a, _ = r.Shelve(a, start, start.Add(time.Hour), "sensor work", "Ivo Brandt")
	if a, _ = settle(t, &r, a, second(1), seen); !a.Shelved() {
		t.Error("the priority that was shelved ended the shelf")
	}
	if a, _ = settle(t, &r, a, second(2), Input{Condition: ConditionTrue, Priority: Emergency}); a.Shelved() || !a.Sounds() {
		t.Error("a higher one did not end it")
	}
}

func TestAnActByALateClockTakesTheTimeOfTheLastStep(t *testing.T) {
	r := Rule{Name: "plain", Priority: Medium}
	a := reach(t, &r, "..b")
	is, _ := r.Acknowledge(a, start, a.Occurrence, a.Version, "Ivo Brandt")
	if is.Since != At(second(2)) {
		t.Errorf("acknowledged at %v, want %v", is.Since.Time(), second(2))
	}
}

func TestResumeByAClockBehind(t *testing.T) {
	r := Rule{Name: "plain", Priority: Medium}
	a := Resume(reach(t, &r, "..b"), start.Add(-time.Hour))
	if want := At(start.Add(-time.Hour)); a.Since != want || a.Raised != want || a.Evaluated != want {
		t.Errorf("since %v, raised %v, want both %v", a.Since.Time(), a.Raised.Time(), want.Time())
	}
}

// Bad input of a standing alarm is said once, and taken back once it has been good
// for InputBackAfter, the boundary included; of a normal alarm it is a mark only.
func TestBadInputIsSaidOnce(t *testing.T) {
	r := Rule{Name: "plain", Priority: Medium}
	a := reach(t, &r, "b")
	var got []string
	for i, c := range "sbsbbbbs" {
		in := Input{}
		if c == 'b' {
			in.Condition = ConditionTrue
		}
		var all []Change
		a, all = settle(t, &r, a, second(i+1), in)
		word := "-"
		for _, ch := range all {
			word = ch.Event.String()
		}
		got = append(got, word)
	}
	if want := "input_bad - - - - input_back - input_bad"; strings.Join(got, " ") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, " "), want)
	}
	quiet := reach(t, &r, ".")
	if is, all := settle(t, &r, quiet, second(1), Input{}); len(all) != 0 || !is.InputBad {
		t.Errorf("%v, input bad %v; want no event and the mark", all, is.InputBad)
	}
}
