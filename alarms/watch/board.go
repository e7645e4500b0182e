package watch

import (
	"cmp"
	"math"
	"slices"
	"time"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/ingest"
)

// slot is one alarm of one rig. There are a hundred of a rig and more, most of which
// are never evaluated: what one remembers is made when there is something to.
type slot struct {
	*memory                    // nil = never evaluated
	id      ruleID             // its rule
	kind    detect.Kind        // NumKinds where the finding is another
	channel ingest.Channel     // NumChannels where it is not of a channel
	ofChan  detect.ChannelKind // where it is
	own     int8               // index in board.own where the watch itself finds it; -1 = not
	parent  int16              // index of the alarm that suppresses it; -1 = none
}

// memory is what an alarm of one rig remembers.
type memory struct {
	alarm   alarms.Alarm
	finding detect.Finding // the newest that was decided
	raises  *alarms.Raises // nil = never raised
}

// ruleID is the place of a rule in the catalogue. Rigs share the rules.
type ruleID int16

var rules = alarms.All()

func (s *slot) rule() *alarms.Rule { return &rules[s.id] }

// remember makes the slot's memory, where it has none yet.
func (s *slot) remember() *memory {
	if s.memory == nil {
		s.memory = &memory{finding: detect.Finding{Value: math.NaN(), Limit: math.NaN()}}
	}
	return s.memory
}

func (m *memory) suppresses() bool { return m != nil && m.alarm.Suppresses() }

func (m *memory) standing() bool { return m != nil && m.alarm.Standing() }

// board holds a rig's alarms. Parents stand before their children.
type board struct {
	slots  []slot
	own    [numOwn]detect.Finding
	why    [numOwn]string
	events []alarms.Event
	words  []byte
	recent alarms.Recent // of the rig's operator position
}

// Findings that no detector makes: they are of the way that readings come.
const (
	brokerLost = iota
	recordingStopped
	stateLost
	crownSaverNotProven
	brakeNotProven
	lineWorkOver // before what it hides
	lineWorkDue
	notificationFailing
	historianBehind
	readingsShed
	spaceLow
	numOwn
)

var ownNames = [numOwn]string{"broker_lost", "recording_stopped", "alarm_state_lost",
	"crown_saver_not_proven", "brake_not_proven", "line_work_over", "line_work_due", "notification_failing", "historian_behind", "readings_discarded", "recording_space_low"}

// Source names of link entries that are not of a source of readings. No source of a
// site file may bear one: see OwnLinks.
const (
	RecorderLink  = "recorder"  // the recorder stopped, or records again
	ClockLink     = "clock"     // this machine's clock was set
	NotifyLink    = "notify"    // what carries alarms outside fails, or delivers again
	HistorianLink = "historian" // the historian is behind, or takes what is recorded again
	SpaceLink     = "space"     // little is free where recordings are kept, or enough again
	IntakeLink    = "intake"    // readings are discarded because more come than are taken, or no longer
)

// OwnLinks are the names that link entries of the monitor itself bear.
func OwnLinks() []string {
	return []string{RecorderLink, ClockLink, NotifyLink, HistorianLink, IntakeLink, SpaceLink}
}

// newBoard returns a board of alarms that were never evaluated.
func newBoard() board {
	b := board{slots: make([]slot, 0, numOwn+int(detect.NumKinds)+int(detect.NumChannelKinds)*int(ingest.NumChannels))}
	for i, name := range ownNames {
		b.add(name, slot{kind: detect.NumKinds, channel: ingest.NumChannels, own: int8(i)})
	}
	for _, k := range parentsFirst() {
		b.add(k.String(), slot{kind: k, channel: ingest.NumChannels, own: -1})
	}
	for k := range detect.NumChannelKinds {
		for c := range ingest.NumChannels {
			b.add(k.String(), slot{kind: detect.NumKinds, ofChan: k, channel: c, own: -1})
		}
	}
	for i := range b.own {
		b.own[i] = detect.Finding{Value: math.NaN(), Limit: math.NaN()}
	}
	return b
}

// parentsFirst returns the kinds so that what hides another stands before it.
func parentsFirst() []detect.Kind {
	var order []detect.Kind
	for k := range detect.NumKinds {
		order = append(order, k)
	}
	slices.SortStableFunc(order, func(a, b detect.Kind) int { return cmp.Compare(depth(a.String()), depth(b.String())) })
	return order
}

// depth is the number of parents above an alarm.
func depth(name string) int {
	rule, _ := alarms.Lookup(name)
	if rule.Parent == "" {
		return 0
	}
	return 1 + depth(rule.Parent)
}

func (b *board) add(name string, s slot) {
	id := slices.IndexFunc(rules, func(r alarms.Rule) bool { return r.Name == name })
	if id < 0 {
		panic("watch: no alarm in the catalogue is named " + name) // a programming error, held by a test
	}
	s.id, s.parent = ruleID(id), -1
	for i := range b.slots {
		if parent := rules[id].Parent; parent != "" && b.slots[i].rule().Name == parent {
			s.parent = int16(i)
		}
	}
	b.slots = append(b.slots, s)
}

// key names an alarm instance in a saved state.
func (s *slot) key() alarms.Key {
	return alarms.Key{Alarm: s.rule().Name, Channel: s.channelName()}
}

func (s *slot) channelName() string {
	if s.channel < ingest.NumChannels {
		return s.channel.String()
	}
	return ""
}

// restore takes up the alarms that were saved, as they resume at now.
func (b *board) restore(state map[alarms.Key]alarms.Alarm, now time.Time) {
	for i := range b.slots {
		if a, ok := state[b.slots[i].key()]; ok {
			b.slots[i].remember().alarm = alarms.Resume(a, now)
		}
	}
}

// state returns the alarms for a restart.
func (b *board) state() map[alarms.Key]alarms.Alarm {
	m := map[alarms.Key]alarms.Alarm{}
	for i := range b.slots {
		if s := &b.slots[i]; s.memory != nil && s.alarm != (alarms.Alarm{}) {
			m[s.key()] = s.alarm
		}
	}
	return m
}

// evaluate takes the findings of one frame or tick through every alarm.
func (b *board) evaluate(rig string, now time.Time, r *detect.Result) {
	t := alarms.At(now)
	for i := range b.slots {
		s := &b.slots[i]
		f := b.find(s, r)
		if f.Condition == detect.Undecided && (s.memory == nil || s.alarm.State == alarms.Unknown) {
			continue // never evaluated: nothing to hold
		}
		s.remember()
		if f.Condition != detect.Undecided {
			s.finding = *f
		}
		in := alarms.Input{
			Condition: conditions[f.Condition],
			Suppress:  s.parent >= 0 && b.slots[s.parent].suppresses(),
		}
		if f.Condition == detect.Present {
			in.Priority = priorities[f.Urgency]
		}
		if !s.rule().StepQuiet(&s.alarm, t, in) {
			b.step(rig, now, s, in)
		}
	}
}

var conditions = [...]alarms.Condition{
	detect.Undecided: alarms.ConditionBad,
	detect.Absent:    alarms.ConditionFalse,
	detect.Present:   alarms.ConditionTrue,
}

var priorities = [...]alarms.Priority{
	detect.Low: alarms.Low, detect.Medium: alarms.Medium,
	detect.High: alarms.High, detect.Emergency: alarms.Emergency,
}

func (b *board) find(s *slot, r *detect.Result) *detect.Finding {
	switch {
	case s.own >= 0:
		return &b.own[s.own]
	case s.channel < ingest.NumChannels:
		return &r.Channels[s.ofChan][s.channel]
	}
	return &r.Findings[s.kind]
}

// mostChanges is how many changes one evaluation can make (alarms.Rule.Step).
const mostChanges = 4

func (b *board) step(rig string, now time.Time, s *slot, in alarms.Input) {
	for range mostChanges {
		var change alarms.Change
		s.alarm, change = s.rule().Step(s.alarm, now, in)
		if change.Event == alarms.EventNone {
			return
		}
		b.write(rig, now, s, change, "")
	}
}

// write adds the journal line of a change.
func (b *board) write(rig string, now time.Time, s *slot, change alarms.Change, person string) {
	e := alarms.Event{
		Time: now, Rig: rig, Alarm: s.rule().Name, Event: change.Event,
		State: s.alarm.Shown(), Priority: s.alarm.Priority, Reason: b.reason(s, change),
		Value: s.finding.Value, Limit: s.finding.Limit, Unit: s.finding.Unit,
		Occurrence: s.alarm.Occurrence, Person: person, Version: s.alarm.Version,
		Channel: s.channelName(),
	}
	b.recent.Note(&e)
	if e.Event == alarms.EventRaised {
		if s.raises == nil {
			s.raises = new(alarms.Raises)
		}
		s.raises.Note(now)
	}
	b.events = append(b.events, e)
}

func (b *board) reason(s *slot, change alarms.Change) string {
	switch {
	case change.Why != "":
		return change.Why
	case s.own >= 0:
		return b.why[s.own]
	}
	b.words = b.words[:0]
	if s.finding.Condition == detect.Absent {
		b.words = append(b.words, "the condition is gone"...)
		if detect.Known(s.finding.Value) {
			b.words = append(b.words, ": "...)
		}
	}
	b.words = s.finding.AppendWords(b.words)
	return string(b.words)
}

// linkChanged turns the state of the links into findings: one source that is lost
// is enough.
func (b *board) linkChanged(links []linkState) {
	for _, own := range []int{brokerLost, recordingStopped, notificationFailing, historianBehind, readingsShed, spaceLow} {
		worst := detect.Absent
		for _, l := range links {
			if linkAlarm(l.link.Source) != own {
				continue
			}
			if c := linkCondition(l.link.State); worst == detect.Absent || c == detect.Present {
				worst = c
				b.why[own] = linkWords(l.link)
			}
		}
		urgency := detect.High
		switch own {
		case notificationFailing:
			urgency = detect.Medium
		case historianBehind, spaceLow:
			urgency = detect.Low
		}
		b.own[own] = detect.Finding{Condition: worst, Urgency: urgency, Value: math.NaN(), Limit: math.NaN()}
	}
}

// linkAlarm returns which alarm a link of that name is for.
func linkAlarm(source string) int {
	switch source {
	case RecorderLink:
		return recordingStopped
	case NotifyLink:
		return notificationFailing
	case HistorianLink:
		return historianBehind
	case IntakeLink:
		return readingsShed
	case SpaceLink:
		return spaceLow
	}
	return brokerLost
}

func linkCondition(state string) detect.Condition {
	switch state {
	case "subscribed", "receiving", "quiet", "recording", "delivering", "forwarding", "keeping up", "enough":
		return detect.Absent
	case "connected", "closed": // no word yet on the subscription; put down on purpose
		return detect.Undecided
	}
	return detect.Present
}

func linkWords(l ingest.Link) string {
	if l.Detail == "" {
		return l.Source + ": " + l.State
	}
	return l.Source + ": " + l.State + ": " + l.Detail
}
