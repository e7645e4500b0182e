package watch_test

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest"
)

func drawValue(t *rapid.T, c ingest.Channel) ingest.Value {
	switch rapid.IntRange(0, 12).Draw(t, "kind") {
	case 0:
		return ingest.BadValue(ingest.Reason(rapid.IntRange(1, int(ingest.NumReasons)-1).Draw(t, "reason")))
	case 1:
		return ingest.Number(rapid.Float64().Draw(t, "wild"))
	}
	scale := map[ingest.Channel]float64{ingest.HookLoad: 2e6, ingest.BlockHeight: 45, ingest.DrumSpeed: 60, ingest.DrumCounts: 1e6, ingest.BrakePressure: 7e6, ingest.BrakeTemperature: 800}[c]
	return ingest.Number(rapid.Float64Range(-0.2, 1).Draw(t, "part") * max(scale, 1))
}

func drawEntry(t *rapid.T, at time.Time) ingest.Entry {
	e := ingest.Entry{Rig: "R1", Received: at}
	switch rapid.IntRange(0, 9).Draw(t, "entry") {
	case 0:
		e.Kind = ingest.EntryTick
	case 1:
		e.Kind = ingest.EntryAct
		e.Act = &ingest.Act{
			Do: rapid.SampledFrom([]string{"acknowledge", "reset", "silence", "shelve", "unshelve", "out_of_service", "return_to_service",
				"crown_saver_test", "line_slipped", "line_cut", "reference_set", "brake_test", "?"}).Draw(t, "do"),
			Person: "P", Reason: "why", Until: at.Add(time.Duration(rapid.IntRange(-1, 30).Draw(t, "until")) * time.Second),
			Alarm:      rapid.SampledFrom([]string{"overhoist", "blind", "floor_approach", "source_lost", "brake_hot", "x"}).Draw(t, "alarm"),
			Occurrence: rapid.Uint64Range(0, 3).Draw(t, "occurrence"), Version: rapid.Uint64Range(0, 9).Draw(t, "version"),
		}
	case 2:
		e.Kind = ingest.EntryLink
		e.Link = &ingest.Link{Source: rapid.SampledFrom([]string{"a", "b", watch.RecorderLink}).Draw(t, "source"),
			State: rapid.SampledFrom([]string{"connected", "subscribed", "quiet", "lost", "refused", "recording", "stopped"}).Draw(t, "state")}
	default:
		e.Kind = ingest.EntrySample
		e.Sample.Time = at.Add(time.Duration(rapid.IntRange(-1500, 200).Draw(t, "lag")) * time.Millisecond)
		for c := range ingest.NumChannels {
			if rapid.IntRange(0, 3).Draw(t, "named") > 0 {
				e.Sample.Set(c, drawValue(t, c))
			}
		}
	}
	return e
}

// Whatever comes, in whatever order: no panic, the same entries give the same bytes,
// every journal line is JSON, and no estimate that is not known looks like a number.
func TestAnyEntriesGiveTheSameBytesTwice(t *testing.T) {
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		at := epoch
		entries := []ingest.Entry{{Rig: "R1", Received: at, Kind: ingest.EntrySession, Session: &ingest.Session{RigFile: string(text)}}}
		for range rapid.IntRange(1, 120).Draw(t, "n") {
			at = at.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 100, 100, 100, 900, 5000}).Draw(t, "step")) * time.Millisecond)
			entries = append(entries, drawEntry(t, at))
		}
		first, second := playAll(t, entries), playAll(t, entries)
		if !bytes.Equal(first, second) {
			t.Fatalf("two plays differ:\n%s\n--\n%s", first, second)
		}
	})
}

func playAll(t *rapid.T, entries []ingest.Entry) []byte {
	f := watch.NewFleet(configs.OpenRig)
	var out []byte
	for i := range entries {
		o, err := f.Apply(&entries[i])
		if err != nil {
			t.Fatal(err)
		}
		for j := range o.Events {
			line := alarms.AppendJSON(nil, &o.Events[j])
			if !json.Valid(line) {
				t.Fatalf("not JSON: %s", line)
			}
			out = append(append(out, line...), '\n')
		}
		if o.Estimate != nil {
			out = append(detect.AppendCSV(out, o.Estimate), '\n')
			if e := o.Estimate; e.Blind&detect.BlindCrown != 0 && (detect.Known(e.RestUpBound) || detect.Known(e.Height)) {
				t.Fatalf("blind for the crown with a rest point or height: %+v", e)
			}
		}
	}
	return out
}
