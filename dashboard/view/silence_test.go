package view

import (
	"testing"
	"time"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
)

// A rig's newest reading is the present for three of its fastest channel's intervals, and
// for two seconds at least: one that reports every five seconds is not lost in between.
func TestSilence(t *testing.T) {
	_, file, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name        string
		fast, every time.Duration
		want        int64
	}{
		{"ten a second", 100 * time.Millisecond, 100 * time.Millisecond, 2000},
		{"one in five seconds", 5 * time.Second, 5 * time.Second, 15000},
		{"a slow thermometer beside a fast hoist", 100 * time.Millisecond, 8 * time.Second, 2000},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := watch.NewRig("R1", configs.OpenRig)
			apply := func(e ingest.Entry) {
				e.Rig = "R1"
				if _, err := w.Apply(&e); err != nil {
					t.Fatal(err)
				}
			}
			start := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
			apply(ingest.Entry{Kind: ingest.EntrySession, Received: start, Session: &ingest.Session{
				RigFile: string(file), Channels: []string{ingest.BlockHeight.String(), ingest.BrakeTemperature.String()},
			}})
			for at := c.fast; at <= 2*time.Minute; at += c.fast {
				s := ingest.Sample{Time: start.Add(at)}
				s.Set(ingest.BlockHeight, ingest.Number(20+at.Seconds()/100))
				if at%c.every == 0 {
					s.Set(ingest.BrakeTemperature, ingest.Number(350))
				}
				apply(ingest.Entry{Kind: ingest.EntrySample, Received: s.Time, Sample: s})
			}
			if got := Of(w, 1, nil).SilenceMs; got != c.want {
				t.Errorf("a reading may be %d ms old, want %d", got, c.want)
			}
		})
	}
}
