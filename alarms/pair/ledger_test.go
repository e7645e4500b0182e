package pair_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/alarms"
	"hoistward/alarms/pair"
	"hoistward/ingest"
)

func event(kind alarms.EventKind, at time.Duration) *alarms.Event {
	return &alarms.Event{Time: begin.Add(at), Rig: "R1", Alarm: "overload", Event: kind, State: alarms.Unacknowledged}
}

func told(n int, at time.Duration) pair.Told {
	return pair.Told{ID: fmt.Sprint("other-", n), At: begin.Add(at)}
}

// One alarm that comes and goes at both members, a little apart; the one that speaks dies
// between any two of its words. What is told by it and then by the other is each raising
// and clearing once, in turn.
func TestWhatIsToldByBothIsEachChangeOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 10).Draw(t, "changes")
		dies := rapid.IntRange(0, n).Draw(t, "told by the one that dies")
		l := pair.NewLedger()
		var ours []*alarms.Event
		var out []alarms.EventKind
		at, end := time.Duration(0), time.Duration(0)
		for i := range n {
			at += time.Duration(rapid.IntRange(2500, 20000).Draw(t, "ms to the next")) * time.Millisecond
			apart := time.Duration(rapid.IntRange(-900, 900).Draw(t, "ms apart")) * time.Millisecond
			kind := []alarms.EventKind{alarms.EventRaised, alarms.EventCleared}[i%2]
			ours = append(ours, event(kind, at+apart))
			if i < dies {
				l.Tell(event(kind, at), told(i+1, at))
				out = append(out, kind)
			}
			end = at
		}
		// While the other speaks, ours are gone through as they come; then we begin.
		takes := end
		if dies < n {
			takes = ours[dies].Time.Sub(begin)
		}
		takes += time.Second
		place := 0
		ask := func(r pair.Role, now time.Duration) {
			for ; place < len(ours) && !ours[place].Time.After(begin.Add(now)); place++ {
				v := l.Ask(r, begin.Add(now), ours[place], int64(place*10), int64(place*10+10))
				if v == pair.Wait {
					return
				}
				if v == pair.Send {
					out = append(out, ours[place].Event)
				}
			}
		}
		for now := time.Duration(0); now < takes; now += 500 * time.Millisecond {
			ask(pair.Standby, now)
		}
		l.Begin(begin.Add(takes))
		ask(pair.Speaking, takes)
		if from, any := l.Settle(); any {
			for i := int(from / 10); i < place; i++ {
				if l.Again(int64(i*10+10)) && l.Ask(pair.Speaking, begin.Add(takes), ours[i], int64(i*10), int64(i*10+10)) == pair.Send {
					out = append(out, ours[i].Event)
				}
			}
		}
		ask(pair.Speaking, end+time.Minute)
		var want []alarms.EventKind
		for _, e := range ours {
			want = append(want, e.Event)
		}
		if !slices.Equal(out, want) {
			t.Fatalf("told %v, want %v", out, want)
		}
	})
}

// What the other found and we did not, and the other way round: the difference is told
// once the take-over has settled.
func TestWhatStandsOtherwiseIsTold(t *testing.T) {
	l := pair.NewLedger()
	raise := event(alarms.EventRaised, 0)
	if v := l.Ask(pair.Standby, begin.Add(time.Second), raise, 0, 100); v != pair.Wait {
		t.Errorf("a second old: %v, want to wait for the other", v)
	}
	if v := l.Ask(pair.Standby, begin.Add(time.Minute), raise, 0, 100); v != pair.Skip {
		t.Errorf("a minute old: %v, want to leave it", v)
	}
	l.Begin(begin.Add(time.Minute))
	before, any := l.Settle()
	if !any || before != 0 || !l.Again(100) {
		t.Fatalf("settle: %d %v", before, any)
	}
	if v := l.Ask(pair.Speaking, begin.Add(time.Minute), raise, 0, 100); v != pair.Send {
		t.Errorf("after it: %v, want to send", v)
	}
	if v := l.Elsewhere(pair.Speaking, raise, 100, false, true); v != pair.Wait {
		t.Errorf("elsewhere, before it is told on the broker again: %v, want to wait", v)
	}
	if v := l.Elsewhere(pair.Speaking, raise, 100, true, true); v != pair.Send {
		t.Errorf("elsewhere, after: %v, want to send", v)
	}
	if _, any := pair.NewLedger().Settle(); any {
		t.Error("a new ledger has something to settle")
	}
}

// To a destination that only one sends to at a time, an event goes after it was told on
// the pair's broker, by who told it there.
func TestElsewhere(t *testing.T) {
	for _, tc := range []struct {
		name                 string
		role                 pair.Role
		matched, told, dealt bool
		want                 pair.Verdict
	}{
		{"ours, not told on the broker yet", pair.Speaking, false, false, false, pair.Wait},
		{"ours, told", pair.Speaking, false, true, true, pair.Send},
		{"ours, told before the other took over", pair.Standby, false, true, true, pair.Send},
		{"ours, told before we were cut off", pair.Cut, false, true, true, pair.Send},
		{"the other's", pair.Speaking, true, false, false, pair.Skip},
		{"the other's, we stand by", pair.Standby, true, false, false, pair.Skip},
		{"dealt with in an earlier run, and not by us", pair.Speaking, false, false, true, pair.Skip},
		{"ours, without the broker", pair.Alone, false, false, false, pair.Send},
		{"the other's, without the broker", pair.Alone, true, false, false, pair.Skip},
		{"cut off", pair.Cut, false, false, false, pair.Wait},
	} {
		t.Run(tc.name, func(t *testing.T) {
			l := pair.NewLedger()
			if tc.matched {
				l.Tell(event(alarms.EventRaised, 0), told(7, 0))
			}
			if v := l.Elsewhere(tc.role, event(alarms.EventRaised, 0), 100, tc.told, tc.dealt); v != tc.want {
				t.Errorf("got %v, want %v", v, tc.want)
			}
		})
	}
}

// An alarm that the broker shows as hidden is judged by what is hidden.
func TestWhatIsHiddenStandsOrNot(t *testing.T) {
	for _, tc := range []struct {
		beneath string
		want    bool
	}{{alarms.ReturnedUnacknowledged.String(), true}, {alarms.Unacknowledged.String(), false}} {
		l := pair.NewLedger()
		l.Own(event(alarms.EventRaised, 0), 0, 100)
		l.Stand("R1", []pair.Standing{{Alarm: pair.Alarm{Alarm: "overload"}, State: alarms.Suppressed.String(), Beneath: tc.beneath}})
		l.Begin(begin.Add(time.Minute))
		if _, any := l.Settle(); any != tc.want {
			t.Errorf("%s beneath, and it stands here: news %v, want %v", tc.beneath, any, tc.want)
		}
	}
}

func TestActs(t *testing.T) {
	a := pair.Acts{Member: "a"}
	for i := range pair.MostActs + 5 {
		a.Add("R1", begin.Add(time.Duration(i/3)*time.Millisecond), &ingest.Act{Do: ingest.DoAcknowledge, Alarm: "overload", Person: "A. Tester"})
	}
	if len(a.Acts) != pair.MostActs {
		t.Errorf("%d acts are held out, want %d", len(a.Acts), pair.MostActs)
	}
	for i := 1; i < len(a.Acts); i++ {
		if a.Acts[i].N <= a.Acts[i-1].N {
			t.Fatalf("number %d after %d", a.Acts[i].N, a.Acts[i-1].N)
		}
	}
	last := a.Acts[len(a.Acts)-1].N
	if n := len(a.After(last - 2)); n != 2 {
		t.Errorf("%d acts after the one before the last two, want 2", n)
	}
	fresh := pair.Acts{Member: "a"}
	fresh.Add("R1", begin.Add(time.Hour), &ingest.Act{Do: ingest.DoReset})
	fresh.Join(&a)
	if len(fresh.Acts) != pair.MostActs || fresh.Acts[len(fresh.Acts)-1].Act.Do != ingest.DoReset {
		t.Error("what an earlier run held out is not joined before what this one does")
	}
	made := pair.Made{At: begin, Act: ingest.Act{Do: ingest.DoAcknowledge, Occurrence: 9, Version: 9}}
	for _, tc := range []struct {
		raised time.Duration
		can    bool
	}{{-time.Second, true}, {0, true}, {time.Millisecond, false}} {
		act, can := made.Here("a", &alarms.Alarm{Raised: alarms.At(begin.Add(tc.raised)), Occurrence: 2, Version: 5})
		if can != tc.can || can && (act.Occurrence != 2 || act.Version != 5) {
			t.Errorf("raised %v after the act: %v %+v, want %v", tc.raised, can, act, tc.can)
		}
	}
	if _, can := made.Here("a", nil); can {
		t.Error("an alarm that does not stand was acknowledged")
	}
}

// An alarm that was acknowledged here, and raised anew while this member was away, comes
// back unacknowledged; one of the same occurrence does not.
func TestJoin(t *testing.T) {
	key := alarms.Key{Alarm: "overload"}
	saved := alarms.Saved{At: alarms.At(begin), Alarms: map[alarms.Key]alarms.Alarm{key: {
		State: alarms.Acknowledged, Priority: alarms.High, Occurrence: 1, Version: 3, Raised: alarms.At(begin), Since: alarms.At(begin), Evaluated: alarms.At(begin), AcknowledgedBy: "A. Tester"}}}
	text, err := alarms.MarshalState(&saved)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		state  alarms.State
		raised time.Duration
		want   alarms.State
	}{
		{alarms.Unacknowledged, time.Minute, alarms.Unacknowledged},
		{alarms.Unacknowledged, time.Second, alarms.Acknowledged},
		{alarms.Acknowledged, time.Minute, alarms.Acknowledged},
	} {
		out, err := pair.Join(string(text), []pair.Standing{{Alarm: pair.Alarm{Alarm: "overload"}, State: tc.state.String(), Raised: alarms.At(begin.Add(tc.raised))}})
		if err != nil {
			t.Fatal(err)
		}
		again, err := alarms.UnmarshalState([]byte(out))
		if err != nil {
			t.Fatal(err)
		}
		if got := again.Alarms[key].State; got != tc.want {
			t.Errorf("%s raised %v later: %s, want %s", tc.state, tc.raised, got, tc.want)
		}
	}
	if _, err := pair.Join("{", nil); err == nil {
		t.Error("a damaged state was joined")
	}
}
