package pulse_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/alarms/pulse"
)

var begin = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// A beat needs every rig, and no shorter time than Every: over any order of turns there
// is never one in which a rig did not turn since the beat before.
func TestABeatIsAWholeRound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := []string{"R1", "R2", "R3"}[:rapid.IntRange(1, 3).Draw(t, "rigs")]
		r, now, last := pulse.NewRound(names, begin), begin, begin
		seen, beats := map[string]bool{}, 0
		for range rapid.IntRange(1, 60).Draw(t, "turns") {
			now = now.Add(time.Duration(rapid.IntRange(0, 700).Draw(t, "ms")) * time.Millisecond)
			rig := rapid.SampledFrom(append(names, "stranger")).Draw(t, "rig")
			whole := r.Turn(rig, false, now)
			if rig != "stranger" {
				seen[rig] = true
			}
			if want := rig != "stranger" && len(seen) == len(names) && now.Sub(last) >= pulse.Every; whole != want {
				t.Fatalf("turn of %s at %v: beat %v, want %v (seen %v)", rig, now.Sub(begin), whole, want, seen)
			}
			if whole {
				clear(seen)
				last = now
				beats++
			}
		}
		if most := int(now.Sub(begin)/pulse.Every) + 1; beats > most {
			t.Fatalf("%d beats, want %d at most", beats, most)
		}
	})
}

func TestWhatIsMissing(t *testing.T) {
	open := pulse.Source{Name: "field", State: "receiving", Open: true, Quiet: 3 * time.Second}
	lost := pulse.Source{Name: "field", State: "lost", Quiet: 3 * time.Second}
	other := pulse.Source{Name: "other", State: "lost", Rigs: []string{"R9"}, Quiet: time.Hour}
	for _, tc := range []struct {
		name          string
		turned, read  time.Duration // ago; negative = never
		sources       []pulse.Source
		way           time.Duration // stuck for so long
		want          string        // of the first missing
		wantUnwatched int
	}{
		{"all is there", 0, time.Second, []pulse.Source{open}, 0, "", 0},
		{"another rig's source is lost", 0, time.Second, []pulse.Source{open, other}, 0, "", 0},
		{"one of two sources is open", 0, time.Second, []pulse.Source{lost, open}, 0, "", 0},
		{"never looked at", -1, -1, []pulse.Source{open}, 0, "the loop has not looked at it yet", 1},
		{"due exactly at late", pulse.Late, time.Second, []pulse.Source{open}, pulse.Late, "", 0},
		{"the loop stands", pulse.Late + time.Millisecond, time.Second, []pulse.Source{open}, 0, "the loop has not looked at it for 2.0 s", 1},
		{"never a reading", 0, -1, []pulse.Source{open}, 0, "no reading has come", 1},
		{"silent for the quiet time", 0, 3 * time.Second, []pulse.Source{open}, 0, "", 0},
		{"silent for longer", 0, 3100 * time.Millisecond, []pulse.Source{open}, 0, "no reading for 3.1 s", 1},
		{"source lost", 0, time.Second, []pulse.Source{lost}, 0, "source field is lost", 1},
		{"a queue stands", 0, time.Second, []pulse.Source{open}, 5 * time.Second, "the queue: nothing was taken for 5.0 s", 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			now := begin.Add(time.Hour)
			r := pulse.NewRound([]string{"R1"}, begin)
			if tc.read >= 0 {
				r.Turn("R1", true, now.Add(-tc.read))
			}
			if tc.turned >= 0 {
				r.Turn("R1", false, now.Add(-tc.turned))
			}
			ways := []pulse.Way{{Name: "the queue", Waiting: tc.way > 0, Moved: now.Add(-tc.way)}, {Name: "empty", Moved: begin}}
			s := r.Judge(now, tc.sources, ways)
			if len(s.Rigs) != 1 || s.Watching != (tc.want == "") || len(s.Rigs)-s.Watched() != tc.wantUnwatched {
				t.Fatalf("got %+v", s)
			}
			if got := strings.Join(s.Rigs[0].Missing, "; "); tc.want == "" && got != "" || !strings.Contains(got, tc.want) {
				t.Errorf("missing %q, want %q", got, tc.want)
			}
			if tc.want != "" && !strings.HasPrefix(s.Words(), "watching 0 of 1 rigs; ") {
				t.Errorf("words %q", s.Words())
			}
		})
	}
}

// Each thing that can be wrong is said once, and nothing is said of a monitor that is well.
func TestSick(t *testing.T) {
	well := pulse.Condition{Behind: time.Second, Round: 3 * time.Second, ClockOff: -2 * time.Second}
	if got := well.Sick(); got == nil || len(got) != 0 {
		t.Errorf("of a well monitor: %q", got)
	}
	for want, c := range map[string]pulse.Condition{
		"not looked at every rig for 3.1 s":     {Round: 3100 * time.Millisecond},
		"stuck at the queue":                    {Stuck: []string{"the queue"}},
		"readings wait 1.1 s":                   {Behind: 1100 * time.Millisecond},
		"7 messages were discarded":             {Dropped: 7},
		"Connection lost: field (lost)":         {Shut: []string{"field (lost)"}},
		"3 lines wait for the disk":             {Held: 3},
		"journal lost 2 lines":                  {LostLines: 2},
		"stopped for R1, R2, R3 and 2 more":     {NoRecord: []string{"R1", "R2", "R3", "R4", "R5"}},
		"recorder lost 4 entries":               {Shed: 4},
		"disk is nearly full":                   {LowSpace: true},
		"times are -1h0m0s off it":              {ClockOff: -time.Hour},
		"Alarms do not get out: webhook shore.": {NotTold: "webhook shore"},
	} {
		if got := c.Sick(); len(got) != 1 || !strings.Contains(got[0], want) {
			t.Errorf("got %q, want one with %q", got, want)
		}
	}
	all := pulse.Condition{Round: time.Hour, LowSpace: true, NotTold: "x"}
	if got := all.Sick(); len(got) != 3 || slices.IsSorted(got) {
		t.Errorf("the worst comes first: %q", got)
	}
}
