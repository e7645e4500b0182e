package report

import (
	"fmt"
	"math"
	"slices"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/dashboard"
	"hoistward/detect"
)

// tourTally counts the work of a tour.
type tourTally struct {
	stands     int
	stood      int // the session's count when last looked at
	worked     float64
	did        float64 // MJ in the window
	operations [16]time.Duration
	quiet      time.Duration // without readings
	blind      time.Duration
	last       time.Time
	now        detect.Operation
	isBlind    bool
	service    []ServiceRow
}

// begin takes the counts of the session as they stand; they begin at 0 in each.
func (t *tourTally) begin(w *watch.Rig) {
	if r := w.Result(); r != nil {
		t.stood, t.worked = r.Work.Stands, zeroUnknown(r.Estimate.LineWork)
	}
}

// longestStep is how far apart two entries may be to be one stretch of an operation.
// Chosen here: ten live ticks.
const longestStep = 5 * time.Second

func (t *tourTally) see(at time.Time, w *watch.Rig) {
	r := w.Result()
	if n := r.Work.Stands; n > t.stood {
		t.stands += n - t.stood
		t.stood = n
	}
	if x := zeroUnknown(r.Estimate.LineWork); x > t.worked {
		t.did += x - t.worked
		t.worked = x
	}
	if d := at.Sub(t.last); !t.last.IsZero() && d > 0 {
		if d > longestStep {
			t.quiet += d
		} else {
			t.operations[min(int(t.now), len(t.operations)-1)] += d
		}
		if t.isBlind || d > longestStep {
			t.blind += d
		}
	}
	t.last, t.now, t.isBlind = at, r.Work.Operation, r.Estimate.Blind != 0
}

func (t *tourTally) event(e *alarms.Event) {
	switch e.Event {
	case alarms.EventProofTested, alarms.EventLineServiced, alarms.EventReferenceSet:
		t.service = append(t.service, ServiceRow{e.Time.UTC(), e.Person, e.Reason})
	}
}

func zeroUnknown(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

func (m *Maker) tourReport(w *watch.Rig) *Tour {
	t := &m.tour
	out := &Tour{Stands: t.stands, Operations: []Share{}, Service: t.service, Blind: t.blind.Seconds(),
		LineWork: Work{InWindow: t.did}, CrownSaver: "not known"}
	if out.Service == nil {
		out.Service = []ServiceRow{}
	}
	for o, d := range t.operations {
		if d > 0 {
			out.Operations = append(out.Operations, Share{spaced(detect.Operation(o).String()), d.Seconds()})
		}
	}
	if t.quiet > 0 {
		out.Operations = append(out.Operations, Share{"nothing recorded", t.quiet.Seconds()})
	}
	if w != nil && w.Result() != nil {
		s := w.Service()
		if s.Cut.At != 0 {
			out.LineWork.SinceCut = dashboard.Num(s.SinceCut / 1e6)
		}
		out.LineWork.Goal = dashboard.Num(float64(w.Rig().WorkGoal()) / 1e6)
		out.CrownSaver = "proven by the log"
		if proven, why := w.CrownSaverProven(); !proven {
			out.CrownSaver = "not proven: " + why
		}
	}
	// The window's end belongs to it; Measure leaves its own out.
	out.Figures = alarms.Measure(slices.Values(m.events), m.o.From, m.o.To.Add(1))
	out.Figures.From, out.Figures.To = m.report.From, m.report.To
	out.Targets = targets(&out.Figures)
	return out
}

// Sources of the targets. The standards themselves are not quoted: the figures stand in
// secondary sources, and those that are from memory say so.
const (
	byStandard = "ANSI/ISA-18.2 and IEC 62682, as cited by secondary sources"
	byEEMUA    = "EEMUA 191, as cited by secondary sources"
	byMemory   = "ANSI/ISA-18.2, from memory, not confirmed"
)

// targets sets the figures of a tour beside what is published for one operator
// position. They are for whole plants over weeks: a tour is a short sample of them.
func targets(f *alarms.Figures) []Target {
	met := func(ok bool) string {
		if ok {
			return "yes"
		}
		return "no"
	}
	list := []Target{
		{"alarms an hour, mean", fmt.Sprintf("%.1f", f.PerHour), "about 6; 12 at most", metWithin(f.PerHour, 6, 12), byStandard},
		{"alarms in 10 min, mean", fmt.Sprintf("%.1f", f.PerTenMin), "about 1; 2 at most", metWithin(f.PerTenMin, 1, 2), byMemory},
		{"most alarms in an hour", fmt.Sprintf("%d", f.PeakHour), "15 at most", met(f.PeakHour <= 15), byEEMUA},
		{"most alarms in 10 min", fmt.Sprintf("%d", f.PeakTenMin), "10 at most", met(f.PeakTenMin <= alarms.FloodStarts), byStandard},
		{"time in a flood", percent(f.FloodShare), "below 1 %", met(f.FloodShare < 0.01), byMemory},
		{"chattering alarms", fmt.Sprintf("%d", len(f.Chattering)), "none, each put right", met(len(f.Chattering) == 0), byStandard},
		{"stale alarms", fmt.Sprintf("%d", len(f.Stale)), "below 5 on any day", met(len(f.Stale) < 5), byMemory},
	}
	top := 0.0
	for _, q := range f.Frequent {
		top += q.Share
	}
	list = append(list, Target{"share of the ten most frequent", percent(top), "1 to 5 %", topMet(f, top), byMemory})
	return append(list, splitTargets(f)...)
}

// enoughForShares is the least number of alarms of which shares say something. Chosen
// here: below it one alarm is more than 2 %.
const enoughForShares = 50

func topMet(f *alarms.Figures, top float64) string {
	switch {
	case f.Raised < enoughForShares:
		return "too few alarms to say"
	case top <= 0.05:
		return "yes"
	}
	return "no"
}

func splitTargets(f *alarms.Figures) []Target {
	share := map[alarms.Priority]float64{}
	for _, p := range f.Priorities {
		share[p.Priority] = p.Share
	}
	got := [3]float64{share[alarms.Low], share[alarms.Medium], share[alarms.High] + share[alarms.Emergency]}
	names := [3]string{"share of low priority", "share of medium priority", "share of high and emergency priority"}
	var list []Target
	for i, name := range names {
		want := alarms.TargetSplit[i]
		met := "too few alarms to say"
		if f.Raised >= enoughForShares {
			met = "no"
			if i == 0 && got[i] >= want || i > 0 && got[i] <= want {
				met = "yes"
			}
		}
		list = append(list, Target{name, percent(got[i]), "about " + percent(want), met, byStandard})
	}
	return list
}

func metWithin(x, good, most float64) string {
	switch {
	case x <= good:
		return "yes"
	case x <= most:
		return "at the limit"
	}
	return "no"
}

func percent(x float64) string { return fmt.Sprintf("%.1f %%", 100*x) }
