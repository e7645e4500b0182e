package record

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"

	"pgregory.net/rapid"
)

// planDay is the day n days before 2026-11-24, with alarms at the hours given.
func planDay(n int, hours ...float64) Day {
	d := Day{Rig: "R1", Start: noon.Truncate(24*time.Hour).AddDate(0, 0, -n), Size: 100}
	d.Path = Path("dir", d.Rig, d.Start)
	for _, h := range hours {
		d.Alarms = append(d.Alarms, d.Start.Add(time.Duration(h*float64(time.Hour))))
	}
	return d
}

func planned(deeds []Deed) string {
	var all []string
	for _, d := range deeds {
		text := fmt.Sprintf("%d", int(noon.Sub(d.Start).Hours()/24))
		for _, s := range d.Spare {
			text += " " + s.From.Sub(d.Start).String() + "-" + s.To.Sub(d.Start).String()
		}
		all = append(all, text)
	}
	return strings.Join(all, "; ")
}

func TestPlan(t *testing.T) {
	recent := []Day{planDay(0), planDay(1), planDay(2), planDay(3)}
	rules := Rules{Keep: 90 * 24 * time.Hour, KeepAlarms: 730 * 24 * time.Hour, Before: 10 * time.Minute, After: 10 * time.Minute}
	hold := func(rig string, from, to float64) []Hold {
		day := planDay(200).Start
		return []Hold{{Rig: rig, From: day.Add(time.Duration(from * float64(time.Hour))), To: day.Add(time.Duration(to * float64(time.Hour)))}}
	}
	unsent := func(n int) Day { d := planDay(n); d.Unsent = true; return d }
	thinned := planDay(200, 12)
	thinned.Thinned, thinned.Kept = true, []Stretch{{thinned.Start.Add(710 * time.Minute), thinned.Start.Add(730 * time.Minute)}}
	for _, c := range []struct {
		name  string
		rules Rules
		days  []Day
		holds []Hold
		short uint64
		want  string
	}{
		{"nothing said, nothing deleted", Rules{}, []Day{planDay(4000)}, nil, 1 << 40, ""},
		{"young enough", rules, []Day{planDay(90)}, nil, 0, ""},
		{"old, without alarms", rules, []Day{planDay(92)}, nil, 0, "92"},
		{"old, an alarm", rules, []Day{planDay(200, 12)}, nil, 0, "200 11h50m0s-12h10m0s"},
		{"two alarms whose surroundings meet", rules, []Day{planDay(200, 12, 12.25)}, nil, 0, "200 11h50m0s-12h25m0s"},
		{"an alarm soon after midnight", rules, []Day{planDay(200), planDay(199, 0.05)}, nil, 0, "200 23h53m0s-24h0m0s; 199 0s-13m0s"},
		{"another rig's alarm", rules, []Day{planDay(200), func() Day { d := planDay(200, 12); d.Rig = "R2"; return d }()}, nil, 0, "200; 200 11h50m0s-12h10m0s"},
		{"alarms older than they are kept", rules, []Day{planDay(732, 12)}, nil, 0, "732"},
		{"alarms kept for good", Rules{Keep: rules.Keep, Before: time.Minute}, []Day{planDay(4000, 12)}, nil, 0, "4000 11h59m0s-12h0m0s"},
		{"held in part", rules, []Day{planDay(200)}, hold("R1", 3, 5), 0, "200 3h0m0s-5h0m0s"},
		{"held as a whole", rules, []Day{planDay(200)}, hold("", -5, 50), 0, ""},
		{"another rig's hold", rules, []Day{planDay(200)}, hold("R2", 3, 5), 0, "200"},
		{"thinned before to the same", rules, []Day{thinned}, nil, 0, ""},
		{"thinned before, held since", rules, []Day{thinned}, hold("R1", 0, 1), 0, "200 0s-1h0m0s 11h50m0s-12h10m0s"},
		{"disk full: the oldest first, as many as it takes", rules, []Day{planDay(20, 12), planDay(30), planDay(9), planDay(5)}, nil, 150, "30; 20 11h50m0s-12h10m0s"},
		{"disk full: none of the last week", rules, []Day{planDay(7), planDay(6), planDay(9)}, nil, 1 << 50, "9"},
		{"disk full: what is old goes first and is enough", rules, []Day{planDay(20), planDay(120)}, nil, 80, "120"},
		{"old, not forwarded yet", rules, []Day{unsent(92), planDay(93)}, nil, 0, "93"},
		{"disk full: what is not forwarded goes last", rules, []Day{unsent(40), planDay(20)}, nil, 150, "20; 40"},
		{"disk full: what is not forwarded stays where the rest is enough", rules, []Day{unsent(140), unsent(40), planDay(20)}, nil, 90, "20"},
		{"disk full: none of the last week that is not forwarded", rules, []Day{unsent(6)}, nil, 1 << 50, ""},
		{"a day ahead of the clock", rules, []Day{planDay(-400)}, nil, 1 << 50, ""},
	} {
		got := planned(Plan(append(slices.Clone(c.days), recent...), c.holds, c.rules, noon, c.short))
		if got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

// A clock that jumps ahead, or a monitor that is started after a year, deletes nothing
// until three days were recorded.
func TestPlanAfterAClockJump(t *testing.T) {
	rules := Rules{Keep: 10 * 24 * time.Hour}
	days := []Day{planDay(0), planDay(1), planDay(2), planDay(3), planDay(40)}
	if got := planned(Plan(days, nil, rules, noon, 0)); got != "40" {
		t.Errorf("got %q, want the old day deleted", got)
	}
	if got := planned(Plan(days, nil, rules, noon.AddDate(70, 0, 0), 1<<50)); got != "" {
		t.Errorf("70 years on: got %q, want nothing deleted", got)
	}
}

// Whatever the days, rules and holds: today and yesterday are not touched, what is
// held is spared, and what is kept around an alarm that is young enough.
func TestPlanSparesWhatItMust(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hours := rapid.Float64Range(0, 24)
		days := []Day{planDay(1), planDay(2), planDay(3)}
		for range rapid.IntRange(0, 12).Draw(t, "days") {
			days = append(days, planDay(rapid.IntRange(-2, 60).Draw(t, "n"), rapid.SliceOfN(hours, 0, 3).Draw(t, "alarms")...))
		}
		rules := Rules{Keep: time.Duration(rapid.IntRange(2, 40).Draw(t, "keep")) * 24 * time.Hour,
			Before: time.Duration(rapid.IntRange(0, 600).Draw(t, "before")) * time.Minute, After: time.Duration(rapid.IntRange(0, 600).Draw(t, "after")) * time.Minute}
		from := noon.Add(-time.Duration(rapid.IntRange(0, 1440).Draw(t, "hold")) * time.Hour)
		hold := Hold{From: from, To: from.Add(time.Duration(rapid.IntRange(1, 100).Draw(t, "long")) * time.Hour)}
		seen := map[string]bool{}
		for _, d := range Plan(days, []Hold{hold}, rules, noon, rapid.Uint64Range(0, 2000).Draw(t, "short")) {
			if !d.Start.Before(noon.Truncate(24*time.Hour).AddDate(0, 0, -1)) {
				t.Fatalf("%s is touched", d.Path)
			}
			inside := func(at time.Time) bool {
				return !slices.ContainsFunc(rest(d.Spare, d.span()), func(s Stretch) bool { return !at.Before(s.From) && at.Before(s.To) })
			}
			for m := range 24 * 60 {
				at := d.Start.Add(time.Duration(m) * time.Minute)
				if !at.Before(hold.From) && at.Before(hold.To) && !inside(at) {
					t.Fatalf("%s is held and goes", at)
				}
				for _, a := range d.Alarms {
					if !at.Before(a.Add(-rules.Before)) && at.Before(a.Add(rules.After)) && !inside(at) {
						t.Fatalf("%s goes, beside the alarm at %s", at, a)
					}
				}
			}
			seen[d.Path] = true
		}
	})
}

func isTestAlarm(line []byte) bool { return bytes.Contains(line, []byte(`"raised"`)) }

// recordDays records a sample a minute and a journal line on days before noon's.
func recordDays(t *testing.T, dir string, ages ...int) {
	t.Helper()
	r := open(t, dir, Options{Estimates: someColumns})
	seq := uint64(0)
	for _, age := range ages {
		start := noon.Truncate(24*time.Hour).AddDate(0, 0, -age)
		for m := range 24 * 60 {
			seq++
			e := sampleAt("R1", seq)
			e.Received = start.Add(time.Duration(m) * time.Minute)
			if m == 0 {
				e.Kind, e.Sample, e.Session = ingest.EntrySession, ingest.Sample{}, &ingest.Session{RigFile: "rig: R1"}
			}
			r.Add(e)
			r.AddEstimate("R1", seq, e.Received, e.Received, Answers{[]float64{1, 2}, []string{"still"}})
			if m == 720 && age%2 == 0 {
				r.AddEvent("R1", seq, e.Received, []byte(`{"event":"raised"}`))
			}
		}
		flush(t, r)
	}
	closeNow(t, r)
}

func TestTidyThinsAndDeletes(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 41, 40, 3, 2, 1, 0)
	o := TidyOptions{Rules: Rules{Keep: 30 * 24 * time.Hour, Before: 10 * time.Minute, After: 5 * time.Minute}, IsAlarm: isTestAlarm}
	done, err := Tidy(t.Context(), dir, o, noon)
	if err != nil || len(done) != 2 {
		t.Fatalf("got %v, %v, want two recordings tidied", done, err)
	}
	if !strings.Contains(done[0].Text, "deleted") || !strings.Contains(done[1].Text, "1424 readings") {
		t.Errorf("got %v", done)
	}
	day := func(age int) string { return Path(dir, "R1", noon.AddDate(0, 0, -age)) }
	if _, err := os.Stat(day(41)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the day without an alarm is there: %v", err)
	}
	integrity(t, day(40))
	var samples, lost uint64
	for _, e := range readAll(t, day(40)) {
		switch m := e.Received.Sub(noon.AddDate(0, 0, -40)) / time.Minute; {
		case e.Kind == ingest.EntryGap:
			lost += e.Gap.Lost
		case e.Kind == ingest.EntrySample:
			if samples++; m < -10 || m >= 5 {
				t.Errorf("got the reading of %s, want it gone", e.Received)
			}
		}
	}
	if samples != 15 || lost != 1424 {
		t.Errorf("got %d readings and %d told lost, want 15 and 1424", samples, lost)
	}
	n := 0
	for _, err := range Estimates(day(40)) {
		if n++; err != nil {
			t.Fatal(err)
		}
	}
	for _, err := range Events(day(40)) {
		if n++; err != nil {
			t.Fatal(err)
		}
	}
	if n != 16 {
		t.Errorf("got %d estimates and journal lines, want 15 and 1", n)
	}
	for _, age := range []int{3, 2, 1, 0} {
		if got := len(readAll(t, day(age))); got != 1440 {
			t.Errorf("%d days ago: got %d entries, want all 1440", age, got)
		}
	}
	if done, err := Tidy(t.Context(), dir, o, noon); err != nil || len(done) != 0 {
		t.Errorf("a second time: got %v, %v, want nothing done", done, err)
	}
	left, err := filepath.Glob(filepath.Join(dir, "R1", "*"))
	if err != nil || len(left) != 5 {
		t.Errorf("got the files %v, want five recordings and nothing else", left)
	}
}

// What the historian does not have stays however old it is, until the disk runs full;
// then it is said how much of it goes.
func TestTidyKnowsTheHistoriansPlace(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 43, 41, 3, 2, 1)
	place := uint64(1440 + 1000) // the second day in part
	o := TidyOptions{Rules: Rules{Keep: 30 * 24 * time.Hour, Before: 10 * time.Minute, After: 5 * time.Minute}, IsAlarm: isTestAlarm,
		Place: func(rig string) uint64 { return place }}
	done, err := Tidy(t.Context(), dir, o, noon)
	if err != nil || len(done) != 1 || done[0].Unsent != 0 || !strings.Contains(done[0].Text, "deleted") {
		t.Fatalf("got %+v, %v, want the first day deleted alone", done, err)
	}
	o.LowSpace = 1 << 62
	done, err = Tidy(t.Context(), dir, o, noon)
	if err != nil || len(done) != 1 || done[0].Unsent != 440 || !strings.Contains(done[0].Text, "440 of the readings") {
		t.Errorf("a full disk: got %+v, %v, want the second day deleted, and 440 said not to be forwarded", done, err)
	}
	if n := len(sqliteFiles(t, dir)); n != 3 {
		t.Errorf("got %d recordings left, want 3", n)
	}
}

// A recording that was not closed has a log beside it, which must not be taken for
// one of the thinned file; one that something else writes stays as it is.
func TestTidyOfFilesNotClosed(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 40, 3, 2, 1)
	path := Path(dir, "R1", noon.AddDate(0, 0, -40))
	o := TidyOptions{Rules: Rules{Keep: 30 * 24 * time.Hour, Before: 10 * time.Minute, After: 5 * time.Minute}, IsAlarm: isTestAlarm}
	release := lock(t, path)
	if done, err := Tidy(t.Context(), dir, o, noon); err == nil || len(done) != 0 {
		t.Errorf("got %v, %v, want a file in use told and left alone", done, err)
	}
	release()
	execute("PRAGMA journal_mode=WAL; UPDATE meta SET value='x' WHERE name='software'")(t, path)
	if done, err := Tidy(t.Context(), dir, o, noon); err != nil || len(done) != 1 {
		t.Errorf("got %v, %v, want it thinned", done, err)
	}
	integrity(t, path)
}

func TestHolds(t *testing.T) {
	path := filepath.Join(t.TempDir(), "holds.jsonl")
	if all, err := ReadHolds(path); err != nil || all != nil {
		t.Errorf("no list: got %v, %v", all, err)
	}
	want := []Hold{{Rig: "R1", From: noon, To: noon.Add(time.Hour), Reason: "dropped object", Placed: noon}, {From: noon, To: noon.Add(1)}}
	if err := WriteHolds(path, want); err != nil {
		t.Fatal(err)
	}
	if all, err := ReadHolds(path); err != nil || !slices.Equal(all, want) {
		t.Errorf("got %v, %v, want %v", all, err, want)
	}
	for _, bad := range []string{"{", `{"from":"2026-11-24T12:00:00Z"}`, `{"form":"2026-11-24T12:00:00Z","to":"2026-11-25T12:00:00Z"}`} {
		if err := os.WriteFile(path, []byte(bad), 0o644); err != nil {
			t.Fatal(err)
		}
		if all, err := ReadHolds(path); err == nil {
			t.Errorf("%s: got %v, want an error", bad, all)
		}
	}
}
