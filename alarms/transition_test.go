package alarms

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// The whole table of ISA-18.2 / IEC 62682 without delays: a row for each state, a
// cell for each input or act: the state after it and the events. "=" is no change,
// "x" an act that is refused. Where the standards leave a choice, the package
// comment says which was taken.
const transitions = `
rule   state | false      true       worse               milder     bad         suppress                 acknowledge    silence     reset    shelve     remove  unshelve     return                 restart
plain  ?     | n          U:raised   U:raised            U:raised   =           h:suppressed             x              x           x        z:shelved  o:out_of_service  x            x                      =
plain  n     | =          U:raised   U:raised            U:raised   =           h:suppressed             x              x           x        z:shelved  o:out_of_service  x            x                      =
plain  U     | r:cleared  =          U:worsened          U:eased    U:input_bad h:suppressed             K:acknowledged U:silenced  x        z:shelved  o:out_of_service  x            x                      =
plain  K     | n:cleared  =          U:worsened          K:eased    K:input_bad h:suppressed             x              x           x        z:shelved  o:out_of_service  x            x                      =
plain  r     | =          U:raised   U:raised            U:raised   r:input_bad h:suppressed             n:acknowledged x           x        z:shelved  o:out_of_service  x            x                      =
plain  z     | =          z:raised   U:unshelved+raised  z:raised   =           h:suppressed             x              x           x        z:shelved  o:out_of_service  n:unshelved  x                      =
plain  o     | =          =          =                   =          =           o:suppressed             x              x           x        o:shelved  x  x            n:returned_to_service  =
plain  h     | n:unsuppressed U:unsuppressed+raised U:unsuppressed+raised U:unsuppressed+raised n:unsuppressed = x      x           x        h:shelved  o:out_of_service  x            x                      =
latch  U     | L:cleared  =          U:worsened          U:eased    U:input_bad h:suppressed             K:acknowledged U:silenced  x        x          x  x            x                      =
latch  K     | l:cleared  =          U:worsened          K:eased    K:input_bad h:suppressed             x              x           x        x          x  x            x                      =
latch  L     | =          U:raised   U:raised            U:raised   L:input_bad h:suppressed             l:acknowledged x           x        x          x  x            x                      =
latch  l     | =          U:raised   U:raised            U:raised   l:input_bad h:suppressed             x              x           n:reset  x          x  x            x                      =
`

func TestEveryStateWithEveryEvent(t *testing.T) {
	rules := map[string]*Rule{
		"plain": {Name: "plain", Priority: Medium, Shelvable: true},
		"latch": {Name: "latch", Priority: Medium, Latch: true},
	}
	ways := map[string]string{ // how to come to a state, in the letters of play
		"?": "", "n": ".", "U": "b", "K": "bA", "r": "b.", "L": "b.", "l": "bA.", "z": ".Z", "o": ".O", "h": ".hx",
	}
	lines := strings.Split(strings.TrimSpace(transitions), "\n")
	columns := strings.Fields(lines[0])[3:]
	cells := 0
	for _, line := range lines[1:] {
		row := strings.Fields(line)
		r, from := rules[row[0]], row[1]
		if len(row) != len(columns)+3 {
			t.Fatalf("%q: %d cells, want %d", line, len(row)-3, len(columns))
		}
		for i, column := range columns {
			a := reach(t, r, ways[from])
			if got := string(letter(a)); got != from {
				t.Fatalf("%q leads to %s, want %s", ways[from], got, from)
			}
			now := start.Add(10 * time.Second)
			if from == "z" {
				now = start.Add(2 * time.Second) // before the shelf ends
			}
			if got, want := cell(t, r, a, now, column), row[i+3]; got != want {
				t.Errorf("%s %s, %s: got %s, want %s", row[0], from, column, got, want)
			}
			cells++
		}
	}
	t.Logf("%d cells", cells)
}

func reach(t *testing.T, r *Rule, way string) Alarm {
	t.Helper()
	var a Alarm
	var last Input
	for i, c := range way {
		now := start.Add(time.Duration(i) * time.Second)
		switch c {
		case '.':
			last = Input{Condition: ConditionFalse}
		case 'b':
			last = Input{Condition: ConditionTrue}
		case 'h', 'x':
			last = Input{Condition: map[rune]Condition{'h': ConditionTrue, 'x': ConditionFalse}[c], Suppress: true}
		}
		a, _ = settle(t, r, a, now, last)
		a = act(t, r, a, now, c)
	}
	return a
}

// cell gives a one input or one act and writes what came of it.
func cell(t *testing.T, r *Rule, a Alarm, now time.Time, column string) string {
	t.Helper()
	inputs := map[string]Input{
		"false": {Condition: ConditionFalse}, "true": {Condition: ConditionTrue}, "bad": {},
		"worse":    {Condition: ConditionTrue, Priority: High},
		"milder":   {Condition: ConditionTrue, Priority: Low},
		"suppress": {Condition: ConditionTrue, Suppress: true},
	}
	was := a
	var changes []Change
	if in, ok := inputs[column]; ok {
		a, changes = settle(t, r, a, now, in)
	} else if column == "restart" {
		a = restarted(t, a, now)
	} else {
		var ch Change
		switch column {
		case "acknowledge":
			a, ch = r.Acknowledge(a, now, a.Occurrence, a.Version, "Ivo Brandt")
		case "silence":
			a, ch = r.Silence(a, now, a.Occurrence, a.Version, "Ivo Brandt")
		case "reset":
			a, ch = r.Reset(a, now, a.Occurrence, a.Version, "Ivo Brandt")
		case "shelve":
			a, ch = r.Shelve(a, now, now.Add(time.Hour), "sensor work", "Ivo Brandt")
		case "remove":
			a, ch = r.OutOfService(a, now, "sensor removed", "Ivo Brandt")
		case "unshelve":
			a, ch = r.Unshelve(a, now, "Ivo Brandt")
		case "return":
			a, ch = r.ReturnToService(a, now, "Ivo Brandt")
		default:
			t.Fatalf("no such column: %s", column)
		}
		changes = []Change{ch}
	}
	var events []string
	for _, ch := range changes {
		if ch.Event == EventRefused {
			return "x"
		}
		events = append(events, ch.Event.String())
	}
	state := string(letter(a))
	switch {
	case len(events) == 0 && a.State == was.State && a.Priority == was.Priority:
		return "="
	case len(events) == 0:
		return state
	}
	return fmt.Sprintf("%s:%s", state, strings.Join(events, "+"))
}

// restarted takes a through a saved state and back.
func restarted(t *testing.T, a Alarm, now time.Time) Alarm {
	t.Helper()
	key := Key{"plain", ""}
	b, err := MarshalState(&Saved{Alarms: map[Key]Alarm{key: a}})
	if err != nil {
		t.Fatal(err)
	}
	saved, err := UnmarshalState(b)
	if err != nil {
		t.Fatal(err)
	}
	back, kept := saved.Alarms[key]
	if !kept { // left out: the next evaluation finds it as it was
		return a
	}
	return Resume(back, now)
}

// What comes out of hiding with its condition present is unacknowledged, whoever had
// acknowledged it before.
func TestWhatComesOutOfHidingIsUnseen(t *testing.T) {
	r := Rule{Name: "plain", Priority: Medium, Shelvable: true}
	now := start.Add(3500 * time.Millisecond)
	shelved := reach(t, &r, "bAZ")
	if a, ch := r.Unshelve(shelved, now, "Ivo Brandt"); a.State != Unacknowledged || ch.Event != EventUnshelved || a.Version == shelved.Version {
		t.Errorf("unshelved: %v by %v", a.State, ch.Event)
	}
	if a, all := settle(t, &r, shelved, start.Add(time.Minute), Input{Condition: ConditionTrue}); a.State != Unacknowledged || a.Shelved() || len(all) == 0 || all[0].Event != EventUnshelved {
		t.Errorf("the shelf's end: %+v, %v", a, all)
	}
	removed := reach(t, &r, "bAO")
	if a, _ := r.ReturnToService(removed, now, "Ivo Brandt"); a.State != Unacknowledged {
		t.Errorf("returned to service: %v", a.State)
	}
	hidden, _ := settle(t, &r, reach(t, &r, "bA"), now, Input{Condition: ConditionTrue, Suppress: true})
	if a, _ := settle(t, &r, hidden, now.Add(time.Second), Input{Condition: ConditionTrue}); a.State != Unacknowledged {
		t.Errorf("no longer suppressed: %v", a.State)
	}
}

func TestStaleActsAreRefusedWithAReason(t *testing.T) {
	r := Rule{Name: "plain", Priority: Medium, Shelvable: true}
	a := reach(t, &r, "bA.b") // occurrence 2
	for _, c := range []struct {
		name                string
		occurrence, version uint64
		person, want        string
	}{
		{"the occurrence before", 1, 1, "Ivo Brandt", "occurrence 1 was meant, the alarm is at occurrence 2"},
		{"the occurrence before, with this version", 1, a.Version, "Ivo Brandt", "occurrence 1 was meant"},
		{"an occurrence to come", 3, a.Version, "Ivo Brandt", "occurrence 3 was meant"},
		{"an older version", 2, a.Version - 1, "Ivo Brandt", "the alarm has changed since"},
		{"nobody", 2, a.Version, "", "no person"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, f := range []func(Alarm, time.Time, uint64, uint64, string) (Alarm, Change){r.Acknowledge, r.Silence} {
				is, ch := f(a, start, c.occurrence, c.version, c.person)
				if is != a || ch.Event != EventRefused || !strings.Contains(ch.Refused, c.want) {
					t.Errorf("got %v %q, want refused with %q", ch.Event, ch.Refused, c.want)
				}
			}
		})
	}
	t.Run("it rose after the person looked", func(t *testing.T) {
		seen := a
		now := start.Add(time.Minute)
		worse, _ := settle(t, &r, a, now, Input{Condition: ConditionTrue, Priority: High})
		if is, ch := r.Acknowledge(worse, now, seen.Occurrence, seen.Version, "Ivo Brandt"); ch.Refused == "" || is.State != Unacknowledged {
			t.Errorf("an acknowledgement of medium was taken for high: %v", is.State)
		}
	})
	t.Run("twice", func(t *testing.T) {
		once, _ := r.Acknowledge(a, start, 2, a.Version, "Ivo Brandt")
		if _, ch := r.Acknowledge(once, start, 2, a.Version, "Ana Roos"); !strings.Contains(ch.Refused, "already acknowledged by Ivo Brandt") {
			t.Errorf("got %q", ch.Refused)
		}
	})
}

func TestShelvingAsksForAllOfIt(t *testing.T) {
	r := Rule{Name: "plain", Priority: Medium, Shelvable: true}
	a := reach(t, &r, "b")
	for _, c := range []struct {
		name        string
		until       time.Duration
		why, person string
		want        string
	}{
		{"no reason", time.Hour, "", "Ivo Brandt", "no reason"},
		{"no person", time.Hour, "noise", "", "no person"},
		{"an end now", 0, "noise", "Ivo Brandt", "not in the future"},
		{"an end in the past", -time.Hour, "noise", "Ivo Brandt", "not in the future"},
		{"an end too far", MaxShelf + 1, "noise", "Ivo Brandt", "more than 12h0m0s away"},
		{"the longest", MaxShelf, "noise", "Ivo Brandt", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			now := start.Add(time.Second)
			is, ch := r.Shelve(a, now, now.Add(c.until), c.why, c.person)
			if (c.want == "") != (ch.Refused == "") || !strings.Contains(ch.Refused, c.want) || is.Shelved() != (c.want == "") {
				t.Errorf("got %q, shelved %v, want %q", ch.Refused, is.Shelved(), c.want)
			}
		})
	}
}

// A clock that falls or jumps ends no delay and stops none.
func TestClockJumps(t *testing.T) {
	r := Rule{Name: "slow", Priority: Medium, OnDelay: 3 * time.Second, OffDelay: 2 * time.Second, Shelvable: true}
	yes := Input{Condition: ConditionTrue}
	for _, jump := range []time.Duration{6 * time.Hour, -6 * time.Hour, -50 * 365 * 24 * time.Hour, 50 * 365 * 24 * time.Hour} {
		t.Run(jump.String(), func(t *testing.T) {
			var a Alarm
			now := start
			a, _ = r.Step(a, now, yes)
			now = now.Add(jump)
			a, _ = r.Step(a, now, yes)
			if a.State != Unknown {
				t.Fatalf("the jump ended the on-delay: %v", a.State)
			}
			for range 3 {
				now = now.Add(time.Second)
				a, _ = r.Step(a, now, yes)
			}
			if a.State != Unacknowledged {
				t.Fatalf("the jump stopped the on-delay: %+v", a)
			}
			now = now.Add(time.Second)
			a, _ = r.Step(a, now, Input{Condition: ConditionFalse})
			now = now.Add(jump)
			a, _ = r.Step(a, now, Input{Condition: ConditionFalse})
			if a.State != Unacknowledged {
				t.Fatalf("the jump ended the off-delay: %v", a.State)
			}
			now = now.Add(2 * time.Second)
			a, _ = r.Step(a, now, Input{Condition: ConditionFalse})
			if a.State != ReturnedUnacknowledged {
				t.Fatalf("the jump stopped the off-delay: %+v", a)
			}
		})
	}
	t.Run("a shelf is not longer for it", func(t *testing.T) {
		a := reach(t, &r, ".")
		a, _ = r.Shelve(a, start.Add(time.Second), start.Add(time.Hour), "noise", "Ivo Brandt")
		back := start.Add(-24 * time.Hour)
		a, _ = r.Step(a, back, Input{Condition: ConditionFalse})
		if left := a.ShelvedUntil.since(At(back)); left > MaxShelf {
			t.Errorf("%v left, want %v at most", left, MaxShelf)
		}
	})
}

func TestNaNTripsNothingAndClearsNothing(t *testing.T) {
	nan := 0.0
	nan /= nan
	for _, c := range []struct {
		value, limit float64
		want         Condition
	}{
		{51, 50, ConditionTrue}, {50, 50, ConditionFalse}, {0, 50, ConditionFalse},
		{nan, 50, ConditionBad}, {51, nan, ConditionBad}, {nan, nan, ConditionBad},
	} {
		if got := Over(c.value, c.limit); got != c.want {
			t.Errorf("Over(%v, %v) = %v, want %v", c.value, c.limit, got, c.want)
		}
		if got := Under(c.limit, c.value); got != c.want {
			t.Errorf("Under(%v, %v) = %v, want %v", c.limit, c.value, got, c.want)
		}
	}
	// A value that goes 50 (low), 0, NaN, nothing: low stays low.
	r := Rule{Name: "low", Priority: High}
	var a Alarm
	for i, v := range []float64{50, 0, nan, nan, nan} {
		a, _ = settle(t, &r, a, start.Add(time.Duration(i)*time.Hour), Input{Condition: Under(v, 60)})
	}
	if a.State != Unacknowledged || a.Occurrence != 1 || !a.InputBad {
		t.Errorf("%v, occurrence %d, input bad %v; want unacknowledged, 1, true", a.State, a.Occurrence, a.InputBad)
	}
}

// Noise of ±0.5 about a limit of 100 at 2 Hz for 5 min: one alarm, by the off-delay
// alone; and a second excursion after it has cleared is a second alarm.
func TestChatterIsOneAlarm(t *testing.T) {
	r := Rule{Name: "chatter", Priority: Medium, OffDelay: 2 * time.Second}
	var a Alarm
	raised := 0
	step := func(i int, v float64) {
		var all []Change
		a, all = settle(t, &r, a, start.Add(time.Duration(i)*500*time.Millisecond), Input{Condition: Over(v, 100)})
		for _, ch := range all {
			if ch.Event == EventRaised {
				raised++
			}
		}
	}
	for i := range 600 {
		step(i, 100+[]float64{0.5, -0.5, 0, -0.1, 0.3}[i%5])
	}
	if raised != 1 {
		t.Errorf("raised %d times, want once", raised)
	}
	for i := 600; i < 620; i++ {
		step(i, 90)
	}
	step(620, 101)
	if raised != 2 {
		t.Errorf("raised %d times, want twice", raised)
	}
}

// A priority falls only after the off-delay at a lower one, to the highest of that
// time; bad input or a gap starts it again. So a case that moves about between two
// priorities does not change its version faster than a person can acknowledge it.
func TestPriorityFallsSlowly(t *testing.T) {
	r := Rule{Name: "graded", Priority: High, OffDelay: 2 * time.Second}
	for _, c := range []struct {
		name string
		in   string // a letter a second: e h m l = true at that priority, s = bad, _ = a minute without a step
		want string // the priority after it
	}{
		{"exactly at the off-delay", "ehhhh", "eeehh"},
		{"to the highest of the time", "elmll", "eeemm"},
		{"and on from there", "elmllll", "eeemmll"},
		{"a rise between starts it again", "ehhehhh", "eeeeeeh"},
		{"bad input starts it again", "ehshhh", "eeeeeh"},
		{"a gap starts it again", "eh_hhh", "eeeeeh"},
		{"a rise acts at once", "lmhe", "lmhe"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var a Alarm
			now := start
			letters := map[rune]Priority{'e': Emergency, 'h': High, 'm': Medium, 'l': Low}
			got := ""
			for _, l := range c.in {
				now = now.Add(time.Second)
				switch p, ok := letters[l]; {
				case l == '_':
					now = now.Add(time.Minute)
				case ok:
					a, _ = settle(t, &r, a, now, Input{Condition: ConditionTrue, Priority: p})
				default:
					a, _ = settle(t, &r, a, now, Input{})
				}
				got += a.Priority.String()[:1]
			}
			if got != c.want {
				t.Errorf("in %s: got %s, want %s", c.in, got, c.want)
			}
		})
	}
}
