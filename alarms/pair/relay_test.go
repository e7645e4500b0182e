package pair_test

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"hoistward/alarms/pair"
)

// teller is a member that tells events on the broker and sends each of them on to one
// receiver, in order, as long as it lives; what its run before had not sent on, it may
// leave, as one that comes back to stand by does.
type teller struct {
	life    int
	up      bool
	told    []string // by number - 1
	dealt   int
	began   int // told by the runs before
	journal string
}

func (a *teller) beat() (life, journal string, told map[string]int64) {
	return fmt.Sprint("life-", a.life), a.journal, map[string]int64{"shore": int64(a.dealt)}
}

// Whatever is killed, however late the beats come and however long the receiver refuses:
// each event that was told on the broker reaches the receiver, in the order of its
// telling where it comes by one way, and what the teller has said to be there is not sent
// again.
func TestWhatIsToldReachesEveryDestination(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := &teller{life: 1, up: true, journal: "other"}
		r := pair.NewRelay("shore")
		r.Receipt(a.beat())
		has := map[string]int{} // at the receiver, by the teller
		covered := map[string]bool{}
		var forwarded, all []string
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			switch rapid.IntRange(0, 6).Draw(t, "what") {
			case 0, 1: // an event
				if !a.up {
					continue
				}
				id := fmt.Sprint(a.journal, "-", len(a.told)+1)
				a.told, all = append(a.told, id), append(all, id)
				f := &pair.Forward{ID: id, Journal: a.journal, Seq: int64(len(a.told)), Text: []byte(id)}
				r.Hear(f)
				if rapid.Bool().Draw(t, "it comes twice") {
					r.Hear(f)
				}
			case 2: // the teller sends one on
				if a.up && a.dealt < len(a.told) {
					has[a.told[a.dealt]]++
					a.dealt++
				}
			case 3: // its beat comes
				if a.up {
					r.Receipt(a.beat())
					for _, id := range a.told[min(a.began, a.dealt):a.dealt] {
						covered[id] = true
					}
				}
			case 4: // it dies, and this member takes over, unless it is back before
				if a.up {
					a.up = false
					if rapid.Bool().Draw(t, "this member takes over") {
						r.Adopt()
					}
				}
			case 5: // it comes back, and leaves what its run before did not send on
				if !a.up {
					a.up, a.life, a.dealt, a.began = true, a.life+1, len(a.told), len(a.told)
					r.Receipt(a.beat())
				}
			case 6: // the receiver takes a batch from this member
				if rapid.Bool().Draw(t, "the receiver refuses") {
					continue
				}
				forwarded = append(forwarded, deliver(t, r, rapid.IntRange(1, 5).Draw(t, "batch"))...)
			}
		}
		r.Adopt()
		for {
			ids := deliver(t, r, 3)
			if len(ids) == 0 {
				break
			}
			forwarded = append(forwarded, ids...)
		}
		for _, id := range all {
			if has[id] == 0 && !slices.Contains(forwarded, id) {
				t.Fatalf("%s is lost: told %v, forwarded %v", id, all, forwarded)
			}
		}
		at := -1
		for _, id := range forwarded {
			next := slices.Index(all, id)
			if next <= at {
				t.Fatalf("forwarded %v, want each once in the order of telling", forwarded)
			}
			at = next
			if covered[id] {
				t.Fatalf("%s was forwarded though the teller had said that it is there", id)
			}
		}
	})
}

func deliver(t *rapid.T, r *pair.Relay, most int) (ids []string) {
	for _, f := range r.Due("shore", most) {
		if string(f.Text) != f.ID || f.After >= f.Seq {
			t.Fatalf("forwarded as %+v", f)
		}
		ids = append(ids, f.ID)
	}
	r.Delivered("shore", ids)
	return ids
}

// What the other says of its new journal settles what it told of the one before.
func TestAJournalThatIsReplaced(t *testing.T) {
	r := pair.NewRelay("shore", "depot")
	r.Receipt("life", "old", map[string]int64{"shore": 0, "depot": 0})
	for _, f := range []pair.Forward{{ID: "old-100", Journal: "old", Seq: 100}, {ID: "new-50", Journal: "new", Seq: 50}, {ID: "new-90", Journal: "new", Seq: 90}} {
		r.Hear(&f)
	}
	r.Receipt("life", "new", map[string]int64{"shore": 50}) // of the depot nothing is said: it is still in the old one
	r.Adopt()
	ids := func(to string) (out []string) {
		for _, f := range r.Due(to, 10) {
			out = append(out, f.ID)
		}
		return out
	}
	if got := ids("shore"); !slices.Equal(got, []string{"new-90"}) {
		t.Errorf("shore is due %v, want new-90", got)
	}
	if got := ids("depot"); !slices.Equal(got, []string{"old-100", "new-50", "new-90"}) {
		t.Errorf("depot is due %v, want all three", got)
	}
	if got := ids("elsewhere"); got != nil {
		t.Errorf("a stranger is due %v", got)
	}
}

func TestTheRelayIsBounded(t *testing.T) {
	r := pair.NewRelay("shore")
	for i := range pair.Most + 3 {
		r.Hear(&pair.Forward{ID: fmt.Sprint(i), Journal: "other", Seq: int64(i + 1)})
	}
	r.Adopt()
	if due := r.Due("shore", pair.Most*2); len(due) != pair.Most || due[0].ID != "3" || r.GivenUp("shore") != 3 {
		t.Errorf("%d are due and %d given up, want %d and 3", len(due), r.GivenUp("shore"), pair.Most)
	}
}

// Of a journal that is gone through, what was told and what was not are told apart.
func TestSpans(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s pair.Spans
		told := rapid.SliceOfN(rapid.Bool(), 1, 150).Draw(t, "told")
		for i, is := range told {
			if is {
				s = s.Add("j", int64(i*10+10), i > 0 && told[i-1])
			}
		}
		for i, is := range told {
			if s.Has("j", int64(i*10+10)) != is || s.Has("other", int64(i*10+10)) {
				t.Fatalf("event %d of %v: %v", i, told, s)
			}
		}
	})
	var s pair.Spans
	for i := range pair.MostSpans + 5 {
		s = s.Add("j", int64(i+1), false)
	}
	if len(s) != pair.MostSpans || s.Has("j", 5) || !s.Has("j", 6) {
		t.Errorf("%d spans, the oldest %+v", len(s), s[0])
	}
}
