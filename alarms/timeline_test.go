package alarms

import (
	"strings"
	"testing"
	"time"
)

var start = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// letter draws an alarm: ? unknown, n normal, p either of these with the on-delay
// running, U unacknowledged, K acknowledged, r returned unacknowledged, L and l
// latched un- and acknowledged; z hidden by a shelf, h by suppression, o by being
// out of service.
func letter(a Alarm) byte {
	if a.State <= Normal && a.TrueSince != 0 && !a.Hidden() {
		return 'p'
	}
	return "?nUKrLlzho"[a.Shown()]
}

// settle steps until nothing more changes and returns the events.
func settle(t *testing.T, r *Rule, a Alarm, now time.Time, in Input) (Alarm, []Change) {
	t.Helper()
	var all []Change
	for range 6 {
		next, ch := r.Step(a, now, in)
		a = next
		if ch.Event == EventNone {
			return a, all
		}
		all = append(all, ch)
	}
	t.Fatalf("no end of changes at %v with %+v: %+v", now, in, all)
	return a, all
}

// play runs one letter a second:
//
//	.  false            b  true             s  bad
//	B  true, emergency  m  true, medium     h  true, suppressed   x false, suppressed
//	A  acknowledge      R  reset            S  silence
//	Z  shelve for 3 s   z  unshelve         O  out of service     o  return to service
//
// The letters of the second kind are a person's act after a step with the condition
// that stood before. It returns a state letter a second, and the marks: ! where the
// horn is due, - where it is not.
func play(t *testing.T, r *Rule, in string) (states, horn string) {
	t.Helper()
	var a Alarm
	var last Input
	var s, h strings.Builder
	for i, c := range in {
		now := start.Add(time.Duration(i) * time.Second)
		conditions := map[rune]Input{
			'.': {Condition: ConditionFalse}, 'b': {Condition: ConditionTrue}, 's': {},
			'B': {Condition: ConditionTrue, Priority: Emergency}, 'm': {Condition: ConditionTrue, Priority: Medium},
			'h': {Condition: ConditionTrue, Suppress: true}, 'x': {Condition: ConditionFalse, Suppress: true},
		}
		if input, ok := conditions[c]; ok {
			last = input
		}
		a, _ = settle(t, r, a, now, last)
		a = act(t, r, a, now, c)
		s.WriteByte(letter(a))
		h.WriteByte(map[bool]byte{true: '!', false: '-'}[a.Sounds()])
	}
	return s.String(), h.String()
}

func act(t *testing.T, r *Rule, a Alarm, now time.Time, c rune) Alarm {
	t.Helper()
	var ch Change
	switch c {
	case 'A':
		a, ch = r.Acknowledge(a, now, a.Occurrence, a.Version, "Ivo Brandt")
	case 'R':
		a, ch = r.Reset(a, now, a.Occurrence, a.Version, "Ivo Brandt")
	case 'S':
		a, ch = r.Silence(a, now, a.Occurrence, a.Version, "Ivo Brandt")
	case 'Z':
		a, ch = r.Shelve(a, now, now.Add(3*time.Second), "sensor work", "Ivo Brandt")
	case 'z':
		a, ch = r.Unshelve(a, now, "Ivo Brandt")
	case 'O':
		a, ch = r.OutOfService(a, now, "sensor removed", "Ivo Brandt")
	case 'o':
		a, ch = r.ReturnToService(a, now, "Ivo Brandt")
	}
	if ch.Refused != "" {
		t.Logf("%c refused: %s", c, ch.Refused)
	}
	return a
}

func TestTimelines(t *testing.T) {
	plain := Rule{Name: "plain", Priority: High, Shelvable: true}
	slow := Rule{Name: "slow", Priority: High, OnDelay: 3 * time.Second, OffDelay: 2 * time.Second, Shelvable: true}
	latch := Rule{Name: "latch", Priority: High, OffDelay: 2 * time.Second, Latch: true}
	for _, c := range []struct {
		name    string
		rule    Rule
		in      string
		states  string
		horn    string
		clauses string
	}{
		{"raised at once without a delay", plain, ".b.", "nUr", "-!-", "10: normal, true → B"},
		{"returned waits for acknowledgement", plain, "b..A.", "Urrnn", "!----", "10: B clears → D, D acknowledge → A"},
		{"acknowledged returns to normal", plain, "bAb..", "UKKnn", "!----", "10: C clears → A"},
		{"a new occurrence after return", plain, "bA.b", "UKnU", "!--!", "10: A true → B"},
		{"true again while returned", plain, "b.b", "UrU", "!-!", "10: D true → B"},
		{"due exactly at the on-delay", slow, ".bbbbb", "npppUU", "----!!", "on-delay"},
		{"a short condition is no alarm", slow, ".bbb.bbb.", "npppnpppn", "---------", "on-delay"},
		{"clears exactly at the off-delay", slow, "bbbb....", "pppUUUrr", "---!!!--", "off-delay"},
		{"the off-delay starts again on relapse", slow, "bbbb..b....", "pppUUUUUUrr", "---!!!!!!--", "off-delay"},
		{"bad first is unknown", slow, "ss.", "??n", "---", "rule 1"},
		{"bad is not false: it holds", plain, "bssss", "UUUUU", "!!!!!", "rule 1"},
		{"bad is not true: it raises nothing", plain, ".ssss", "nnnnn", "-----", "rule 1"},
		{"bad holds an acknowledged alarm", plain, "bAsss.", "UKKKKn", "!-----", "rule 1"},
		{"bad holds a latched alarm", latch, "b...sss", "UUULLLL", "!!!----", "rule 1"},
		{"bad starts the off-delay again", slow, "bbbb.s...", "pppUUUUUr", "---!!!!!-", "off-delay"},
		{"an on-delay outlives a gap", slow, "bsbb", "pppU", "---!", "rule 7"},
		{"every second evaluation missing", slow, "bsbsbsb", "ppppUUU", "----!!!", "rule 7"},
		{"a long gap counts as the bridge", slow, "bssssssssbb", "ppppppppppU", "----------!", "rule 7: 2 s of 9 s count"},
		{"only a good false ends an on-delay", slow, "bbs.bbb", "pppnppp", "-------", "rule 7"},
		{"worse is unacknowledged again", plain, "bAbBA", "UKKUK", "!--!-", "rule 3"},
		{"milder keeps the acknowledgement", plain, "BAbbb", "UKKKK", "!----", "rule 3"},
		{"latched wants both", latch, "b...AR", "UUULln", "!!!---", "10: B → E → F → A"},
		{"reset before acknowledgement refused", latch, "b...R", "UUULL", "!!!--", "10: blocked here"},
		{"reset while present refused", latch, "bAR", "UKK", "!--", "rule 4"},
		{"reset on bad input refused", latch, "bA...sR", "UKKKlll", "!------", "rule 1"},
		{"acknowledged, then latched", latch, "bA....R", "UKKKlln", "!------", "10: C clears → F"},
		{"raised while latched", latch, "bA...b", "UKKKlU", "!----!", "10: F true → B"},
		{"raised while latched unacknowledged", latch, "b...b", "UUULU", "!!!-!", "10: E true → B"},
		{"a latched alarm cannot be shelved", latch, "bZb", "UUU", "!!!", "rule 6"},
		{"silence is not acknowledgement", plain, "bSbAb", "UUUKK", "!----", "rule 4"},
		{"a new occurrence ends silence", plain, "bSA.b", "UUKnU", "!---!", "rule 4"},
		{"worse ends silence", plain, "bSB", "UUU", "!-!", "rule 3"},
		{"unshelved ends silence", plain, "bSZz", "UUzU", "!--!", "10: G → B"},
		{"a shelf is quiet and ends by itself", plain, ".Zbbbb", "nzzzUU", "----!!", "rule 6"},
		{"unshelved: present is unacknowledged", plain, "bAZbz", "UKzzU", "!---!", "10: G → B"},
		{"unshelved: absent is normal", plain, "bAZ...", "UKzzzn", "!-----", "10: G → A"},
		{"worse ends a shelf", plain, ".ZbBb", "nzzUU", "---!!", "rule 3"},
		{"suppressed is quiet", plain, ".hhbb", "nhhUU", "---!!", "rule 8"},
		{"suppressed and gone: nothing is left", plain, ".hhx..", "nhhhnn", "------", "rule 8"},
		{"suppressed after being raised", plain, "bAhhb", "UKhhU", "!---!", "10: H → B"},
		{"an on-delay runs on under suppression", slow, ".hhhhb", "nnnnhU", "-----!", "rule 8"},
		{"out of service is quiet", plain, "bAObo", "UKooU", "!---!", "10: I → B"},
		{"out of service raises nothing", plain, ".Obb.o", "noooon", "------", "10: I → A"},
	} {
		t.Run(c.name, func(t *testing.T) {
			states, horn := play(t, &c.rule, c.in)
			if states != c.states || horn != c.horn {
				t.Errorf("%s (%s)\n   in %s\nstate %s, want %s\n horn %s, want %s",
					c.name, c.clauses, c.in, states, c.states, horn, c.horn)
			}
		})
	}
}
