package watch_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/simulator"
)

func carrier(t interface {
	Helper()
	Fatal(...any)
}, program string) *watch.Carrier {
	t.Helper()
	c, err := watch.NewCarrier(program) // an error names the field that cannot be carried
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// scenarioEntries returns what a scenario of the simulator gives a live loop in its
// first seconds, with its ticks and an act now and then.
func scenarioEntries(t testing.TB, name, base string, length time.Duration, apart bool) []ingest.Entry {
	t.Helper()
	s, err := simulator.LoadScenario(name)
	if err != nil {
		t.Fatal(err)
	}
	rig, rigText, err := configs.LoadRig(base)
	if err != nil {
		t.Fatal(err)
	}
	run, err := simulator.New(rig, s, 7)
	if err != nil {
		t.Fatal(err)
	}
	run.Start(epoch)
	session := &ingest.Session{RigFile: string(rigText), Apart: apart, KeepsLog: true}
	for _, c := range s.Channels {
		session.Channels = append(session.Channels, c.String())
	}
	entries := []ingest.Entry{{Received: epoch, Kind: ingest.EntrySession, Session: session}}
	tick := epoch.Add(500 * time.Millisecond)
	var sample ingest.Sample
	var truth simulator.Truth
	for n := 0; run.Elapsed() < length && run.Next(&sample, &truth); n++ {
		for ; tick.Before(sample.Time); tick = tick.Add(500 * time.Millisecond) {
			entries = append(entries, ingest.Entry{Received: tick, Kind: ingest.EntryTick})
		}
		entries = append(entries, parts(sample, apart)...)
		if act := actFor(n, sample.Time); act != nil {
			entries = append(entries, ingest.Entry{Received: sample.Time, Kind: ingest.EntryAct, Act: act})
		}
	}
	for i := range entries {
		entries[i].Rig, entries[i].Seq = base, uint64(i+1)
		if entries[i].Received.Before(epoch) {
			entries[i].Received = epoch
		}
	}
	return entries
}

// parts gives each channel of a sample an entry of its own where they come apart.
func parts(s ingest.Sample, apart bool) []ingest.Entry {
	if !apart {
		return []ingest.Entry{{Received: s.Time, Kind: ingest.EntrySample, Sample: s}}
	}
	var out []ingest.Entry
	for c := range ingest.NumChannels {
		if s.Has&(1<<c) != 0 {
			one := ingest.Sample{Time: s.Time}
			one.Set(c, s.Values[c])
			out = append(out, ingest.Entry{Received: s.Time, Kind: ingest.EntrySample, Sample: one})
		}
	}
	return out
}

func actFor(n int, at time.Time) *ingest.Act {
	switch n % 400 {
	case 150:
		return &ingest.Act{Do: "line_cut", Person: "A. Tester", Reason: "r", Work: &ingest.Work{}}
	case 250:
		return &ingest.Act{Do: "shelve", Person: "A. Tester", Reason: "r", Alarm: "brake_hot", Until: at.Add(20 * time.Second)}
	case 390:
		return &ingest.Act{Do: "crown_saver_test", Person: "A. Tester", Work: &ingest.Work{}}
	}
	return nil
}

type fataler interface{ Fatal(...any) }

func applyTo(t fataler, w *watch.Rig, e *ingest.Entry, out []byte) []byte {
	o, err := w.Apply(e)
	if err != nil {
		t.Fatal(err)
	}
	for j := range o.Events {
		out = append(alarms.AppendJSON(out, &o.Events[j]), '\n')
	}
	if o.Estimate != nil {
		out = append(detect.AppendCSV(out, o.Estimate), '\n')
		for k := range w.Result().Findings {
			out = append(out, byte(w.Result().Findings[k].Condition))
		}
	}
	return append(append(append(out, o.Refused...), o.Logged...), byte(o.Reject))
}

// wanted plays all entries to one rig, and keeps what each led to.
func wanted(t fataler, entries []ingest.Entry) [][]byte {
	w := watch.NewRig(entries[0].Rig, configs.OpenRig)
	var out [][]byte
	for i := range entries {
		out = append(out, applyTo(t, w, &entries[i], nil))
	}
	return out
}

// carriedOn plays the entries with a snapshot and a new rig at each cut, and holds what
// each entry leads to against what was wanted. At the end the snapshots are the same too.
func carriedOn(t interface {
	fataler
	Fatalf(string, ...any)
	Helper()
}, entries []ingest.Entry, want [][]byte, cut func(i int) bool) {
	c := carrier(t, "test")
	rigFile := []byte(entries[0].Session.RigFile)
	w, whole := watch.NewRig(entries[0].Rig, configs.OpenRig), watch.NewRig(entries[0].Rig, configs.OpenRig)
	for i := range entries {
		applyTo(t, whole, &entries[i], nil)
		if got := applyTo(t, w, &entries[i], nil); !bytes.Equal(got, want[i]) {
			t.Fatalf("entry %d leads to\n%q\nafter a snapshot, want\n%q", i, got, want[i])
		}
		if !cut(i) {
			continue
		}
		b, err := c.Snapshot(nil, w, entries[i].Seq)
		if err != nil {
			t.Fatal(err)
		}
		same, err := c.Snapshot(nil, whole, entries[i].Seq)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b, same) {
			t.Fatalf("after entry %d the carried state is another than that of the rig that was never carried", i)
		}
		var seq uint64
		if w, seq, err = c.Restore(entries[0].Rig, configs.OpenRig, rigFile, b); err != nil {
			t.Fatal(err)
		}
		if seq != entries[i].Seq {
			t.Fatalf("number %d, want %d", seq, entries[i].Seq)
		}
	}
}

// Every scenario of the simulator, carried on every few seconds and at points in a row:
// estimates, findings, journal and service log go on as if nothing had been.
func TestScenariosGoOnFromASnapshot(t *testing.T) {
	names := simulator.Scenarios()
	if len(names) < 30 {
		t.Fatalf("%d scenarios", len(names))
	}
	length := 100 * time.Second
	if testing.Short() {
		length = 15 * time.Second
	}
	for n, name := range names {
		t.Run(name, func(t *testing.T) {
			entries := scenarioEntries(t, name, "R1", length, n%3 == 0)
			want := wanted(t, entries)
			carriedOn(t, entries, want, func(i int) bool { return i%97 == n || i%400 < 3 })
		})
	}
}

// Any entries, cut at any points.
func TestAnyEntriesGoOnFromASnapshot(t *testing.T) {
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		at := epoch
		entries := []ingest.Entry{{Rig: "R1", Received: at, Kind: ingest.EntrySession, Session: &ingest.Session{RigFile: string(text), Apart: rapid.Bool().Draw(t, "apart")}}}
		cuts := map[int]bool{}
		for i := range rapid.IntRange(1, 100).Draw(t, "n") {
			at = at.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 100, 100, 100, 900, 5000}).Draw(t, "step")) * time.Millisecond)
			e := drawEntry(t, at)
			e.Seq = uint64(i + 1)
			entries = append(entries, e)
			cuts[i] = rapid.IntRange(0, 9).Draw(t, "cut") == 0
		}
		carriedOn(t, entries, wanted(t, entries), func(i int) bool { return cuts[i] })
	})
}

func TestSnapshotsThatAreRefused(t *testing.T) {
	entries := scenarioEntries(t, "drill-stand", "R1", 5*time.Second, false)
	w := watch.NewRig("R1", configs.OpenRig)
	c := carrier(t, "test")
	if _, err := c.Snapshot(nil, w, 0); err == nil {
		t.Error("a rig without a session has a snapshot")
	}
	for i := range entries {
		applyTo(t, w, &entries[i], nil)
	}
	b, err := c.Snapshot(nil, w, 9)
	if err != nil {
		t.Fatal(err)
	}
	rigFile := []byte(entries[0].Session.RigFile)
	flipped := bytes.Clone(b)
	flipped[len(b)-9] ^= 4
	cases := []struct {
		name     string
		by       *watch.Carrier
		rig      string
		file, in []byte
		want     error
	}{
		{"another version", carrier(t, "test 2"), "R1", rigFile, b, watch.ErrOtherProgram},
		{"another rig file", c, "R1", append(bytes.Clone(rigFile), '\n'), b, watch.ErrOtherRigFile},
		{"another rig", c, "R2", rigFile, b, watch.ErrNoSnapshot},
		{"a bit fell", c, "R1", rigFile, flipped, watch.ErrDamaged},
		{"cut short", c, "R1", rigFile, b[:len(b)-1], watch.ErrDamaged},
		{"only a header", c, "R1", rigFile, b[:50], watch.ErrNoSnapshot},
		{"nothing", c, "R1", rigFile, nil, watch.ErrNoSnapshot},
		{"no snapshot", c, "R1", rigFile, bytes.Repeat([]byte("{}"), 300), watch.ErrNoSnapshot},
	}
	for _, x := range cases {
		if _, _, err := x.by.Restore(x.rig, configs.OpenRig, x.file, x.in); !errors.Is(err, x.want) {
			t.Errorf("%s: %v, want %v", x.name, err, x.want)
		}
	}
	if _, _, err := c.Restore("R1", configs.OpenRig, rigFile, b); err != nil {
		t.Error(err)
	}
	if len(b) > 64<<10 {
		t.Errorf("%d bytes, want at most 64 KiB", len(b))
	}
}

func BenchmarkSnapshot(b *testing.B) {
	entries := scenarioEntries(b, "tripping", "R1", 60*time.Second, false)
	w := watch.NewRig("R1", configs.OpenRig)
	for i := range entries {
		applyTo(b, w, &entries[i], nil)
	}
	c := carrier(b, "test")
	var out []byte
	b.Run("snapshot", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			out, _ = c.Snapshot(out[:0], w, 1)
		}
		b.ReportMetric(float64(len(out)), "bytes")
	})
	b.Run("restore", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, _, err := c.Restore("R1", configs.OpenRig, []byte(entries[0].Session.RigFile), out); err != nil {
				b.Fatal(err)
			}
		}
	})
}
