package main

import (
	"context"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
	"hoistward/ingest/record"
)

const (
	holdsFile = "holds.jsonl" // in the data folder
	tidyEvery = time.Hour
)

// keepTidy thins old recordings as the site file says, at the start and each hour. What
// it deletes is said in the log and in the rig's recording of the day.
func (st *station) keepTidy(recordings string, u *undo) {
	c := st.site.Record
	if c.Keep <= 0 {
		return
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(tidyEvery)
		defer tick.Stop()
		for {
			st.tidy(ctx, recordings)
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
		}
	}()
	u.add("recordings' keeping", func(stop context.Context) error { cancel(); return waitFor(stop, done) })
}

func (st *station) tidy(ctx context.Context, recordings string) {
	c := st.site.Record
	holds, err := record.ReadHolds(filepath.Join(st.site.Data, holdsFile))
	if err != nil {
		st.log.Error("no recording is deleted, since the list of holds cannot be read", zap.Error(err))
		return
	}
	o := record.TidyOptions{
		Rules: record.Rules{Keep: c.Keep, KeepAlarms: c.KeepAlarms, Before: c.Before, After: c.After},
		Holds: holds, IsAlarm: alarms.LineRaises, LowSpace: c.LeastFree(),
	}
	if st.forward != nil {
		o.Place = st.forward.Place
	}
	done, err := record.Tidy(ctx, recordings, o, st.clock())
	for _, d := range done {
		if d.Unsent > 0 {
			st.unsent.Add(d.Unsent)
			st.log.Error("a recording had to go before the historian had it", zap.String("rig", d.Rig), zap.Uint64("lost", d.Unsent))
		}
		st.log.Info("recording kept no longer", zap.String("rig", d.Rig), zap.String("what", d.Text))
		st.recorder.AddNote(d.Rig, st.clock(), d.Text)
	}
	if err != nil && ctx.Err() == nil {
		st.log.Warn("recordings could not be thinned", zap.Error(err))
	}
}
