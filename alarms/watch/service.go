package watch

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// serviceLog is the name under which the journal keeps entries of the service log.
const serviceLog = "service_log"

// LogLine is one line of the service log: the evidence beside the journal.
type LogLine struct {
	Time   string       `json:"time"`
	Rig    string       `json:"rig"`
	Do     string       `json:"do"`
	Person string       `json:"person"`
	Remark string       `json:"remark,omitempty"`
	Work   *ingest.Work `json:"work"`
	Says   string       `json:"says"`   // in words, with what was predicted
	Effect string       `json:"effect"` // on the monitor
}

// log takes an entry of the service log, with its effect at once, and returns why it
// was refused, if it was.
func (w *Rig) log(act *ingest.Act) (line []byte, refused string) {
	if act.Work == nil || act.Person == "" {
		return nil, w.board.refuse(w.name, w.now, act, "what was done, or who did it, is not stated")
	}
	kind, says, effect, why := w.enter(act)
	if why != "" {
		return nil, w.board.refuse(w.name, w.now, act, why)
	}
	e := w.board.audit(w.name, w.now, serviceLog, kind, says)
	e.Person = act.Person
	line, err := json.Marshal(LogLine{
		Time: w.now.UTC().Format("2006-01-02T15:04:05.000Z"), Rig: w.name, Do: act.Do, Person: act.Person,
		Remark: act.Reason, Work: act.Work, Says: says, Effect: effect,
	})
	if err != nil {
		return nil, w.board.refuse(w.name, w.now, act, err.Error())
	}
	w.judged = time.Time{}
	w.tick() // the effect is an alarm, or the end of one, at once
	return line, ""
}

func (w *Rig) enter(act *ingest.Act) (kind alarms.EventKind, says, effect, why string) {
	switch act.Do {
	case ingest.DoCrownSaverTest:
		says, effect, why = w.crownSaverTest(act)
		return alarms.EventProofTested, says, effect, why
	case ingest.DoBrakeTest:
		says, effect, why = w.brakeTest(act)
		return alarms.EventProofTested, says, effect, why
	case ingest.DoLineSlipped, ingest.DoLineCut:
		says, effect, why = w.lineMoved(act)
		return alarms.EventLineServiced, says, effect, why
	}
	says, effect, why = w.setReference(act)
	return alarms.EventReferenceSet, says, effect, why
}

// within says why a figure cannot be; a figure that is not stated may be where it is
// not needed.
func within(name string, x *float64, low, high float64, unit string, needed bool) string {
	switch {
	case x == nil && needed:
		return fmt.Sprintf("%s: got nothing, want it in %s", name, unit)
	case x != nil && !(*x >= low && *x <= high):
		return fmt.Sprintf("%s: got %g, want %g to %g %s", name, *x, low, high, unit)
	}
	return ""
}

func first(whys ...string) string {
	for _, why := range whys {
		if why != "" {
			return why
		}
	}
	return ""
}

func stated(x *float64) float64 {
	if x == nil {
		return 0
	}
	return *x
}

func outcome(passed bool) string {
	if passed {
		return "passed"
	}
	return "failed"
}

// crownSaverTest compares the measured run-on with the predicted one. Whether the test
// is passed is the person's word; a run-on beyond the bound is said beside it.
func (w *Rig) crownSaverTest(act *ingest.Act) (says, effect, why string) {
	k, crown := act.Work, float64(w.rig.Mast.CrownHeight)
	why = first(within("trip_height_m", k.TripHeight, 0.01, crown, "m", true),
		within("run_on_m", k.RunOn, 0, crown, "m", true), within("speed_mps", k.Speed, 0.01, 5, "m/s", false))
	if why == "" && k.Passed == nil {
		why = "passed: got nothing, want true or false"
	}
	if why != "" {
		return "", "", why
	}
	t := alarms.Test{At: alarms.At(w.now), By: act.Person, Passed: *k.Passed, TripHeight: *k.TripHeight,
		RunOn: *k.RunOn, Speed: stated(k.Speed), Remark: act.Reason}
	says = fmt.Sprintf("crown saver %s: tripped at %.2f m, ran on %.2f m", outcome(t.Passed), t.TripHeight, t.RunOn)
	if t.Speed > 0 {
		if expected, bound := w.detector.RunOn(t.TripHeight, t.Speed); detect.Known(bound) {
			t.Predicted, t.Bound = expected, bound
			says += fmt.Sprintf("; predicted %.2f m at %.2f m/s, %.2f m at most", expected, t.Speed, bound)
			if t.RunOn > bound {
				says += ": longer than predicted, look for the cause"
			}
		}
	}
	if reach := t.TripHeight + t.RunOn; reach > float64(w.rig.Mast.CrownLimit) {
		says += fmt.Sprintf("; it came to rest at %.2f m, above the crown limit", reach)
	}
	w.service.CrownSaver = t
	if t.Passed {
		return says, "the crown saver counts as proven until it is due, or line is slipped or cut", ""
	}
	return says, "the crown saver counts as not proven", ""
}

func (w *Rig) brakeTest(act *ingest.Act) (says, effect, why string) {
	k := act.Work
	why = first(within("hook_load_kN", k.HookLoad, 0.1, 20e3, "kN", true), within("pressure_MPa", k.Pressure, 0, 100, "MPa", false),
		within("held_s", k.Held, 0, 3600, "s", false))
	if why == "" && k.Passed == nil {
		why = "passed: got nothing, want true or false"
	}
	if why != "" {
		return "", "", why
	}
	w.service.Brake = alarms.Test{At: alarms.At(w.now), By: act.Person, Passed: *k.Passed, HookLoad: *k.HookLoad * 1e3,
		Pressure: stated(k.Pressure) * 1e6, Held: stated(k.Held), Remark: act.Reason}
	says = fmt.Sprintf("holding test of the brake %s at %.0f kN", outcome(*k.Passed), *k.HookLoad)
	return says, "on record; friction health is judged by the readings as before", ""
}

func (w *Rig) lineMoved(act *ingest.Act) (says, effect, why string) {
	if why := within("length_m", act.Work.Length, 0.1, 2000, "m", true); why != "" {
		return "", "", why
	}
	d := alarms.Deed{At: alarms.At(w.now), By: act.Person, Length: *act.Work.Length, Remark: act.Reason}
	s := &w.service
	if act.Do == ingest.DoLineCut {
		says = fmt.Sprintf("line cut, %.1f m, after %.0f MJ of work", d.Length, s.SinceCut/1e6)
		s.Cut, s.SinceCut, s.SinceSlip = d, 0, 0
	} else {
		says = fmt.Sprintf("line slipped, %.1f m, after %.0f MJ of work", d.Length, s.SinceSlip/1e6)
		s.Slipped, s.SinceSlip = d, 0
	}
	w.detector.VoidMap(detect.LineSlipped)
	return says, "the drum-wrap map is void until a reference is set; the crown saver counts as not proven", ""
}

// movesAt is a speed of the block, m/s, at which no reference is taken.
const movesAt = 0.05

// setReference restores the drum-wrap map. The wraps may be left out as long as no
// line was slipped or cut since the last reference: then the drum's geometry gives them.
func (w *Rig) setReference(act *ingest.Act) (says, effect, why string) {
	k := act.Work
	drum := w.rig.Drawworks.Drum
	why = first(within("block_height_m", k.BlockHeight, -5, float64(w.rig.Mast.CrownHeight), "m", true),
		within("hook_load_kN", k.HookLoad, 0, 20e3, "kN", false), within("wraps", k.Wraps, 0.5, 12*drum.WrapsPerLayer, "wraps", false))
	if v := w.result.Estimate.Velocity; why == "" && math.Abs(v) > movesAt {
		why = fmt.Sprintf("the block moves at %.2f m/s: bring it to rest at a known height", v)
	}
	if why != "" {
		return "", "", why
	}
	load := w.detector.LoadNow()
	if k.HookLoad != nil {
		load = *k.HookLoad * 1e3
	}
	wraps := math.NaN()
	switch {
	case k.Wraps != nil:
		wraps = *k.Wraps
	case !w.service.MapVoid(alarms.At(w.rig.Reference.SetAt)):
		wraps = w.detector.WrapsAt(*k.BlockHeight, load)
	}
	if math.IsNaN(wraps) {
		return "", "", "wraps: got nothing, want the wraps on the drum: line was slipped or cut, or no reference was ever set"
	}
	ref := alarms.Reference{At: alarms.At(w.now), By: act.Person, BlockHeight: *k.BlockHeight, Wraps: wraps, HookLoad: load}
	if counts := w.detector.Counts(); detect.Known(counts) {
		ref.Counts = &counts
	}
	if err := w.detector.SetReference(referenceOf(&ref)); err != nil {
		return "", "", err.Error()
	}
	w.service.Reference = ref
	rig := *w.rig
	rig.Reference = referenceOf(&ref)
	w.rig = &rig
	return fmt.Sprintf("reference set: block at %.2f m, %.2f wraps on the drum, %.0f kN", ref.BlockHeight, wraps, load/1e3),
		"the drum-wrap map stands on it", ""
}

func referenceOf(r *alarms.Reference) hoist.Reference {
	ref := hoist.Reference{Set: true, BlockHeight: units.Metre(r.BlockHeight), Wraps: r.Wraps,
		HookLoad: units.Newton(r.HookLoad), SetAt: r.At.Time()}
	if r.Counts != nil {
		ref.Counts, ref.HasCounts = *r.Counts, true
	}
	return ref
}

// withLog returns the rig with the newer reference of file and log, and whether line
// was slipped or cut since.
func withLog(rig *hoist.Rig, s *alarms.Service) (*hoist.Rig, bool) {
	if s.Reference.At > alarms.At(rig.Reference.SetAt) {
		changed := *rig
		changed.Reference = referenceOf(&s.Reference)
		rig = &changed
	}
	return rig, s.MapVoid(alarms.At(rig.Reference.SetAt))
}

// dueShare is the part of the goal at which line work is due, and goalBand the
// deadband, of the goal. Chosen here.
const (
	dueShare = 0.90
	goalBand = 0.01
)

// judgeEvery is how often the log is looked at; an entry in it is looked at at once.
const judgeEvery = time.Second

// judgeService finds what the service log says is due. Where no log is kept it says
// nothing.
func (w *Rig) judgeService() {
	if !w.judged.IsZero() && w.now.Sub(w.judged) < judgeEvery {
		return
	}
	w.judged = w.now
	unknown := detect.Finding{Value: math.NaN(), Limit: math.NaN()}
	own, why := &w.board.own, &w.board.why
	if !w.keepsLog {
		own[crownSaverNotProven], own[brakeNotProven], own[lineWorkDue], own[lineWorkOver] = unknown, unknown, unknown, unknown
		return
	}
	now := alarms.At(w.now)
	set := func(i int, good bool, words string, u detect.Urgency) {
		f := unknown
		f.Condition, f.Urgency = detect.Present, u
		if good {
			f.Condition, words = detect.Absent, "on record, passed"
		}
		own[i], why[i] = f, words
	}
	proven, words := w.service.CrownSaverProven(now, duration(w.rig.Due.CrownSaver))
	set(crownSaverNotProven, proven, words, detect.Medium)
	tested, words := w.service.BrakeTested(now, duration(w.rig.Due.Brake))
	urgency := detect.Medium
	if w.service.Brake.At != 0 && !w.service.Brake.Passed {
		urgency = detect.High
	}
	set(brakeNotProven, tested, words, urgency)
	w.judgeLine(lineWorkDue, dueShare, detect.Low)
	w.judgeLine(lineWorkOver, 1, detect.Medium)
}

func duration(s units.Second) time.Duration { return time.Duration(float64(s) * float64(time.Second)) }

// judgeLine holds the line's work since the last cut against a share of its goal.
// Where no cut is on record the work before is not known, and less than the goal
// proves nothing.
func (w *Rig) judgeLine(own int, share float64, u detect.Urgency) {
	goal := float64(w.rig.WorkGoal())
	done, mark := w.service.SinceCut, share*goal
	f := detect.Finding{Value: done / 1e6, Limit: mark / 1e6, Unit: "MJ"}
	was := w.board.own[own].Condition
	if was == detect.Present {
		mark -= goalBand * goal
	}
	switch {
	case done >= mark:
		f.Condition, f.Urgency = detect.Present, u
	case done < mark && w.service.Cut.At != 0:
		f.Condition = detect.Absent
	default:
		f.Value, f.Limit = math.NaN(), math.NaN()
	}
	w.board.own[own] = f
	w.board.why[own] = fmt.Sprintf("line work %.0f MJ since the cut, of %.0f MJ", done/1e6, goal/1e6)
}

// addWork takes the line's work of a frame into the log.
func (w *Rig) addWork() {
	now := w.result.Estimate.LineWork * 1e6
	w.service.AddWork(now - w.worked)
	if now >= 0 {
		w.worked = now
	}
}
