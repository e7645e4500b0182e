package main

import (
	"slices"
	"strings"
	"time"

	"hoistward/alarms/watch"
	"hoistward/detect"
	"hoistward/ingest/record"
)

// estimateColumns are those of an estimates file but time, for the recorder.
func estimateColumns() []record.Column {
	var columns []record.Column
	for _, name := range strings.Split(detect.CSVHeader, ",")[1:] {
		columns = append(columns, record.Column{Name: name, Text: slices.Contains(detect.TextColumns[:], name)})
	}
	return columns
}

// estimateFeed hands the answers of each rig to the recorder, one in each span of
// time every, of the rig's own time: the first of it. It is used by the loop alone.
type estimateFeed struct {
	recorder *record.Recorder
	every    time.Duration // 0 = each frame's
	last     map[string]time.Time
}

func (f *estimateFeed) take(w *watch.Rig, seq uint64, e *detect.Estimate) {
	name, received := w.Name(), w.Now()
	if span := received.Truncate(f.every); f.every > 0 {
		if span.Equal(f.last[name]) {
			return
		}
		f.last[name] = span
	}
	numbers, texts := e.Numbers(), e.Texts()
	f.recorder.AddEstimate(name, seq, received, e.Time, record.Answers{Numbers: numbers[:], Texts: texts[:]})
}
