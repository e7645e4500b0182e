package main

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/detect"
	"hoistward/ingest"
)

const barEvery = 100 * time.Millisecond

// tally counts what a replay saw, for its summary.
type tally struct {
	rigs map[string]*rigTally
}

type rigTally struct {
	samples, frames, raised int
	first, last             time.Time
	rejects                 [ingest.NumRejects]int
	answers                 [detect.NumAnswers]answerTally
}

type answerTally struct {
	grades [3]int
	why    [3]string // the last reason of each grade
}

func newTally() *tally { return &tally{rigs: map[string]*rigTally{}} }

func (t *tally) add(e *ingest.Entry, o *watch.Outcome, w *watch.Rig) {
	r := t.rigs[e.Rig]
	if r == nil {
		r = &rigTally{first: e.Received}
		t.rigs[e.Rig] = r
	}
	r.last = e.Received
	for i := range o.Events {
		if o.Events[i].Event == alarms.EventRaised {
			r.raised++
		}
	}
	if e.Kind != ingest.EntrySample {
		return
	}
	r.samples++
	if o.Reject != ingest.Used {
		r.rejects[o.Reject]++
	}
	if o.Estimate == nil {
		return
	}
	r.frames++
	for k := range detect.NumAnswers {
		a := w.Result().Answers[k]
		r.answers[k].grades[a.Grade]++
		r.answers[k].why[a.Grade] = a.Why
	}
}

func (t *tally) write(w io.Writer) error {
	for _, name := range slices.Sorted(maps.Keys(t.rigs)) {
		r := t.rigs[name]
		fmt.Fprintf(w, "%s: %d readings in %s, %d frames, %d alarms raised\n", name, r.samples, r.last.Sub(r.first).Round(time.Second), r.frames, r.raised)
		for k, n := range r.rejects {
			if n > 0 {
				fmt.Fprintf(w, "  not used, %s: %d\n", ingest.Reject(k), n)
			}
		}
		if r.frames == 0 {
			continue
		}
		for k := range detect.NumAnswers {
			writeAnswer(w, k, &r.answers[k], r.frames)
		}
	}
	return nil
}

func writeAnswer(w io.Writer, k detect.AnswerKind, a *answerTally, frames int) {
	share := func(g detect.Grade) float64 { return 100 * float64(a.grades[g]) / float64(frames) }
	fmt.Fprintf(w, "  %-12s answered %.1f %% of the frames", k.String()+":", share(detect.Fair)+share(detect.Degraded))
	if a.grades[detect.Degraded] > 0 {
		fmt.Fprintf(w, ", degraded %.1f %% (%s)", share(detect.Degraded), a.why[detect.Degraded])
	}
	if a.grades[detect.Gone] > 0 {
		fmt.Fprintf(w, ", gone %.1f %% (%s)", share(detect.Gone), a.why[detect.Gone])
	}
	fmt.Fprintln(w)
}
