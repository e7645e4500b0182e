package alarms

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// walk is an alarm under random treatment, and what a slower and simpler reckoning
// expects of it. The reckoning has its own clock, which stands still while the
// alarm's falls, and a list of evaluations instead of instants.
type walk struct {
	rule Rule
	a    Alarm
	now  time.Time
	last time.Time     // the newest time that the alarm has been evaluated at
	run  time.Duration // time that has passed between evaluations
	seen []evaluation
	hid  bool  // it was hidden since the journal last showed its state
	told Alarm // what the journal's lines alone say of it (rule 10)
}

type evaluation struct {
	at time.Duration
	c  Condition
	p  Priority
}

// trueFor reckons the on-delay: the sum over intervals between good true
// evaluations, none counted above the bridge, back to the last good false.
func (w *walk) trueFor() time.Duration {
	var sum, last time.Duration = 0, -1
	for _, e := range w.seen {
		switch {
		case e.c == ConditionFalse:
			sum, last = 0, -1
		case e.c == ConditionTrue && last >= 0:
			sum += min(e.at-last, w.rule.bridge())
			last = e.at
		case e.c == ConditionTrue:
			last = e.at
		}
	}
	return sum
}

// falseFor reckons the off-delay: the time back to the first of the false
// evaluations that follow each other within the bridge.
func (w *walk) falseFor() time.Duration {
	i := len(w.seen) - 1
	for i > 0 && w.seen[i-1].c == ConditionFalse && w.seen[i].at-w.seen[i-1].at <= w.rule.bridge() {
		i--
	}
	return w.run - w.seen[i].at
}

// see takes the clock to what it now reads; one that fell passed no time.
func (w *walk) see(evaluates bool) {
	if w.now.Before(w.last) {
		w.last = w.now
	}
	if evaluates {
		w.run += w.now.Sub(w.last)
		w.last = w.now
	}
}

func (w *walk) step(t *rapid.T) {
	w.now = w.now.Add(rapid.SampledFrom([]time.Duration{0, 1, 100 * time.Millisecond, time.Second, 2 * time.Second,
		2*time.Second + 1, time.Minute, 6 * time.Hour, -time.Second, -6 * time.Hour}).Draw(t, "passes"))
	w.see(true)
	in := Input{
		Condition: Condition(rapid.IntRange(0, 2).Draw(t, "condition")),
		Priority:  Priority(rapid.IntRange(0, int(Emergency)).Draw(t, "priority")),
		Suppress:  rapid.IntRange(0, 3).Draw(t, "suppress") == 0,
	}
	p := in.Priority
	if p == NoPriority {
		p = w.rule.Priority
	}
	w.seen = append(w.seen, evaluation{w.run, in.Condition, p})
	first := w.a
	w.checkQuiet(t, in)
	for n := 0; ; n++ {
		next, ch := w.rule.Step(w.a, w.now, in)
		w.checkStep(t, w.a, next, ch, in, p)
		w.a = next
		w.tell(ch)
		if ch.Event == EventNone {
			break
		}
		if n == 4 {
			t.Fatalf("more than four changes in one step, the last %v", ch)
		}
	}
	if again, ch := w.rule.Step(w.a, w.now, in); again != w.a || ch.Event != EventNone {
		t.Fatalf("a settled alarm moved: %v\n%+v\n%+v", ch, w.a, again)
	}
	w.checkSettled(t, first, in, p)
}

// checkQuiet holds the short cut to the whole step.
func (w *walk) checkQuiet(t *rapid.T, in Input) {
	short := w.a
	if !w.rule.StepQuiet(&short, At(w.now), in) {
		if short != w.a {
			t.Fatalf("not quiet, but changed from %+v\nto %+v", w.a, short)
		}
		return
	}
	if whole, ch := w.rule.Step(w.a, w.now, in); short != whole || ch.Event != EventNone {
		t.Fatalf("the short cut from %+v\ngives %+v,\nthe step %v %+v", w.a, short, ch.Event, whole)
	}
}

// checkStep holds each single change to the rules.
func (w *walk) checkStep(t *rapid.T, was, is Alarm, ch Change, in Input, p Priority) {
	w.checkVersions(t, was, is, ch)
	reveals := ch.Event == EventUnshelved || ch.Event == EventUnsuppressed
	if in.Condition == ConditionBad {
		held := is.State == was.State && is.Priority == was.Priority
		if !held && !(reveals && was.State == Acknowledged && is.State == Unacknowledged) {
			t.Fatalf("rule 1: bad input moved the alarm from %v to %v by %v", was.State, is.State, ch.Event)
		}
		if !is.InputBad {
			t.Fatal("rule 1: bad input is not said")
		}
	}
	if is.State == was.State && !is.Sounds() && was.Sounds() && !is.Hidden() {
		t.Fatalf("rule 4: the sound stopped by %v with the state as it was", ch.Event)
	}
	switch ch.Event {
	case EventRaised, EventWorsened:
		if is.State != Unacknowledged || is.AcknowledgedBy != "" || is.Sounds() == is.Hidden() || in.Condition != ConditionTrue {
			t.Fatalf("rule 3: %v left %+v", ch.Event, is)
		}
		if is.Priority != p {
			t.Fatalf("rule 3: priority %v, want %v", is.Priority, p)
		}
	case EventCleared:
		if is.Sounds() || is.Active() || in.Condition != ConditionFalse {
			t.Fatalf("rule 4: cleared on %v to %v", in.Condition, is.State)
		}
		if latched := is.State == LatchedUnacknowledged || is.State == LatchedAcknowledged; latched != w.rule.Latch {
			t.Fatalf("cleared to %v, latch %v", is.State, w.rule.Latch)
		}
	case EventEased:
		if is.State != was.State || is.AcknowledgedBy != was.AcknowledgedBy || is.Priority >= was.Priority {
			t.Fatalf("eased from %+v to %+v", was, is)
		}
	case EventUnshelved, EventUnsuppressed:
		if is.State == Acknowledged {
			t.Fatalf("%v left an active alarm acknowledged", ch.Event)
		}
	}
	if in.Suppress && ch.Event == EventRaised {
		t.Fatal("rule 8: raised while suppressed")
	}
}

// checkVersions: occurrence and version grow by one with what they name, and nothing
// that they name changes without an event.
func (w *walk) checkVersions(t *rapid.T, was, is Alarm, ch Change) {
	if grown := is.Occurrence - was.Occurrence; (grown == 1) != (ch.Event == EventRaised) || grown > 1 {
		t.Fatalf("occurrence %d to %d by %v", was.Occurrence, is.Occurrence, ch.Event)
	}
	changed := is.State != was.State || is.Priority != was.Priority
	if grown := is.Version - was.Version; (grown == 1) != changed || grown > 1 {
		t.Fatalf("version %d to %d by %v, changed %v", was.Version, is.Version, ch.Event, changed)
	}
	if changed && ch.Event == EventNone && !(was.State == Unknown && is.State == Normal) {
		t.Fatalf("rule 10: %v to %v without an event", was.State, is.State)
	}
	if ch.From != was.State {
		t.Fatalf("from %v, want %v", ch.From, was.State)
	}
}

// checkSettled compares with the reckoning.
func (w *walk) checkSettled(t *rapid.T, first Alarm, in Input, p Priority) {
	a := w.a
	due := in.Condition == ConditionTrue && w.trueFor() >= w.rule.OnDelay
	if held := a.Suppressed || a.OutOfService; due && !held && !a.Active() {
		t.Fatalf("rule 7: true for %v of %v, not raised: %+v", w.trueFor(), w.rule.OnDelay, a)
	}
	if a.Occurrence > first.Occurrence && !due {
		t.Fatalf("rule 7: raised, true for %v of %v", w.trueFor(), w.rule.OnDelay)
	}
	if over := in.Condition == ConditionFalse && w.falseFor() >= w.rule.OffDelay; over && a.Active() {
		t.Fatalf("false for %v of %v, not cleared: %+v", w.falseFor(), w.rule.OffDelay, a)
	} else if first.Active() && !a.Active() && !over {
		t.Fatalf("cleared, false for %v of %v", w.falseFor(), w.rule.OffDelay)
	}
	if in.Condition == ConditionTrue && a.Active() && a.Priority < p {
		t.Fatalf("rule 3: active at %v, the case is %v", a.Priority, p)
	}
	if a.Suppressed != in.Suppress || a.Hides && !a.Suppressed || a.Suppressed && a.Standing() && !a.Hides {
		t.Fatalf("rule 8: suppressed %v, input %v, hides %v", a.Suppressed, in.Suppress, a.Hides)
	}
	if in.Condition == ConditionFalse && a.State == Unknown {
		t.Fatal("evaluated and still unknown")
	}
	if in.Condition == ConditionTrue && a.Active() && a.Shelved() && p > a.ShelvedPriority {
		t.Fatalf("rule 3: %v kept under a shelf of %v", p, a.ShelvedPriority)
	}
}

// checkAct holds an act to the rules; named tells whether it named what stands.
func (w *walk) checkAct(t *rapid.T, is Alarm, ch Change, named bool) {
	was := w.a
	if (ch.Refused != "") != (ch.Event == EventRefused) || ch.Event == EventNone {
		t.Fatalf("event %v, refused %q", ch.Event, ch.Refused)
	}
	if ch.Event == EventRefused && is != was {
		t.Fatalf("a refused act changed the alarm:\n%+v\n%+v", was, is)
	}
	if !named && ch.Event != EventRefused {
		t.Fatalf("rule 2: a stale act was taken as %v", ch.Event)
	}
	w.checkVersions(t, was, is, ch)
	w.a = is
	w.tell(ch)
}

// tell follows the alarm by its journal lines.
func (w *walk) tell(ch Change) {
	if ch.Event != EventNone && ch.Event != EventRefused {
		w.told = w.rule.CatchUp(w.told, &Event{Time: w.now, Event: ch.Event, State: w.a.Shown(), Priority: w.a.Priority,
			Occurrence: w.a.Occurrence, Version: w.a.Version, Person: w.a.AcknowledgedBy})
	}
}

// invariants hold whatever was done.
func (w *walk) invariants(t *rapid.T) {
	a, now := w.a, At(w.now)
	if a.Evaluated != 0 && a.Evaluated > now {
		now = a.Evaluated // an act came with a clock behind the last step
	}
	for name, i := range map[string]Instant{"since": a.Since, "raised": a.Raised, "good": a.Good,
		"true": a.TrueSince, "false": a.FalseSince, "lower": a.LowerSince} {
		if i > now {
			t.Fatalf("%s lies %v ahead", name, i.since(now))
		}
	}
	switch {
	case a.Hidden():
		w.hid = true
	case w.told.State == a.State:
		w.hid = false
	}
	if told := w.told; told.Occurrence != a.Occurrence || a.Occurrence > 0 && told.Version != a.Version {
		t.Fatalf("rule 10: the journal tells of occurrence %d, version %d; the alarm is at %d, %d", told.Occurrence, told.Version, a.Occurrence, a.Version)
	} else if a.Occurrence > 0 && told.State != a.State && !w.hid {
		t.Fatalf("rule 10: the journal tells of %v, the alarm is %v", told.State, a.State)
	}
	if a.Sounds() && !a.Active() {
		t.Fatalf("rule 4: %v sounds", a.State)
	}
	if !w.rule.Shelvable && (a.Shelved() || a.OutOfService) {
		t.Fatal("rule 6: hidden by a person, and may not be")
	}
	if a.Shelved() && (a.ShelvedBy == "" || a.ShelvedWhy == "" || a.ShelvedUntil.since(now) > MaxShelf) {
		t.Fatalf("rule 6: shelved %v more, by %q, why %q", a.ShelvedUntil.since(now), a.ShelvedBy, a.ShelvedWhy)
	}
	if a.TrueSince != 0 && a.FalseSince != 0 {
		t.Fatal("true and false at once")
	}
}

func (w *walk) restart(t *rapid.T) {
	key := Key{"overhoist", ""}
	b, err := MarshalState(&Saved{Alarms: map[Key]Alarm{key: w.a}})
	if err != nil {
		t.Fatal(err)
	}
	saved, err := UnmarshalState(b)
	back, kept := saved.Alarms[key]
	if err != nil || kept == w.a.fresh() || kept && back != w.a {
		t.Fatalf("rule 5: %v: read back\n%+v, want\n%+v", err, back, w.a)
	}
	if !kept {
		back = w.a // what is left out is found again by the first evaluation
	}
	w.now = w.now.Add(rapid.SampledFrom([]time.Duration{0, time.Second, time.Hour, -time.Hour}).Draw(t, "down"))
	w.see(false)
	is := Resume(back, w.now)
	if is.State != w.a.State || is.Version != w.a.Version || is.Occurrence != w.a.Occurrence || is.Shelved() != w.a.Shelved() ||
		is.OutOfService != w.a.OutOfService || is.AcknowledgedBy != w.a.AcknowledgedBy || is.Sounds() != w.a.Sounds() {
		t.Fatalf("rule 5: %+v came back as %+v", w.a, is)
	}
	w.a = is
	w.seen = append(w.seen, evaluation{w.run, ConditionBad, 0}) // nothing was evaluated
}

func TestTheTenRulesOnRandomWalks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		delay := rapid.SampledFrom([]time.Duration{0, time.Second, 2 * time.Second, 5 * time.Second, time.Minute})
		w := &walk{now: start, last: start, rule: Rule{
			Name: "walk", Priority: Priority(rapid.IntRange(int(Low), int(Emergency)).Draw(t, "rule priority")),
			OnDelay: delay.Draw(t, "on"), OffDelay: delay.Draw(t, "off"), Bridge: delay.Draw(t, "bridge"),
			Latch: rapid.Bool().Draw(t, "latch"), Shelvable: rapid.Bool().Draw(t, "shelvable"),
		}}
		named := func(f func(Alarm, time.Time, uint64, uint64, string) (Alarm, Change)) func(*rapid.T) {
			return func(t *rapid.T) {
				occurrence := w.a.Occurrence - uint64(rapid.IntRange(0, 4).Draw(t, "occurrence behind")/4)
				version := w.a.Version - uint64(rapid.IntRange(0, 4).Draw(t, "version behind")/4)
				is, ch := f(w.a, w.now, occurrence, version, "Ivo Brandt")
				w.checkAct(t, is, ch, occurrence == w.a.Occurrence && version == w.a.Version)
			}
		}
		t.Repeat(map[string]func(*rapid.T){
			"step":        w.step,
			"step again":  w.step,
			"step more":   w.step,
			"acknowledge": named(w.rule.Acknowledge),
			"silence":     named(w.rule.Silence),
			"reset": func(t *rapid.T) {
				was := w.a
				named(w.rule.Reset)(t)
				if w.a.State != was.State && (was.State != LatchedAcknowledged || was.TrueSince != 0 || was.InputBad) {
					t.Fatalf("rule 4: reset from %+v", was)
				}
			},
			"shelve": func(t *rapid.T) {
				until := w.now.Add(rapid.SampledFrom([]time.Duration{-1, 0, 1, time.Minute, MaxShelf, MaxShelf + 1}).Draw(t, "until"))
				is, ch := w.rule.Shelve(w.a, w.now, until, "sensor work", "Ivo Brandt")
				w.checkAct(t, is, ch, true)
			},
			"unshelve": func(t *rapid.T) {
				is, ch := w.rule.Unshelve(w.a, w.now, "Ivo Brandt")
				w.checkAct(t, is, ch, true)
			},
			"out of service": func(t *rapid.T) {
				is, ch := w.rule.OutOfService(w.a, w.now, "sensor removed", "Ivo Brandt")
				w.checkAct(t, is, ch, true)
			},
			"return": func(t *rapid.T) {
				is, ch := w.rule.ReturnToService(w.a, w.now, "Ivo Brandt")
				w.checkAct(t, is, ch, true)
			},
			"restart": w.restart,
			"limit change": func(t *rapid.T) { // rule 9: a change of delays or words keeps the state
				was := w.a
				w.rule.OnDelay, w.rule.OffDelay = delay.Draw(t, "on"), delay.Draw(t, "off")
				w.rule.Title = rapid.SampledFrom([]string{"A title", "Another"}).Draw(t, "title")
				if restarted := Resume(w.a, w.now); restarted.State != was.State || restarted.Occurrence != was.Occurrence || restarted.Version != was.Version {
					t.Fatalf("rule 9: %+v became %+v", was, restarted)
				}
			},
			"": w.invariants,
		})
	})
}
