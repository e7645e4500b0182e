package watch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"hoistward/alarms"
	"hoistward/detect"
	"hoistward/ingest"
)

// Message is one message of a source, as received.
type Message struct {
	ingest.Message
	Source int           // index in LoopOptions.Sources
	Reject ingest.Reject // why its transport would not use it; Used = it may be used
}

// Decoder turns a message into samples and rejects. It is called by the loop alone
// and may keep state between messages.
type Decoder interface {
	Decode(m *ingest.Message, out ingest.Sink)
}

// Recorder keeps entries and journal lines. None of its calls may block.
type Recorder interface {
	Add(ingest.Entry) bool
	AddEvent(rig string, seq uint64, received time.Time, line []byte) bool
	AddReject(rig string, received time.Time, source, reason, detail string, count uint64) bool
}

// Journal keeps journal lines in order. Sync returns when all that were appended
// are on disk.
type Journal interface {
	Append(e *alarms.Event) error
	Flush() error // tries again what the disk refused
	Sync() error
}

// Keeper keeps what each rig carries over a restart, the newest of each.
type Keeper interface {
	Keep(rig string, state []byte) // must not block
	Sync(rig string) error         // returns when the state kept last is on disk
}

// ServiceLog keeps each rig's log of proof tests and line service.
type ServiceLog interface {
	Append(rig string, at time.Time, line []byte) error
	Sync(rig string) error // returns when all that were appended are on disk
}

// Source is one way that messages come.
type Source struct {
	Name    string
	Decoder Decoder
}

// LoopOptions says what a Loop works with.
type LoopOptions struct {
	Open     Open
	Clock    func() time.Time // ours; must not fall
	FirstSeq uint64
	Tick     time.Duration // a rig that is silent this long gets a tick entry
	Sources  []Source
	Sessions map[string]ingest.Session // by rig: what is in force
	Recorder Recorder
	Journal  Journal
	States   Keeper           // nil = nothing is kept for a restart
	Service  ServiceLog       // nil = lines of the service log are in the journal alone
	Wall     func() time.Time // this machine's clock, to see when it is set; nil = not looked at
	Counters *ingest.Counters
	Changed  func(w *Rig, outcome *Outcome)               // after each entry, in the loop's goroutine; must not block
	Answered func(w *Rig, seq uint64, e *detect.Estimate) // after each entry that made a frame, as Changed; nil = nobody asks
	// Handled is told how long after its receipt each message had been taken through
	// everything; nil = nobody asks.
	Handled func(after time.Duration)
	Trouble func(error) // a journal line that could not be written; must not block
}

// Loop is the live monitor's one goroutine: it puts messages, acts, links and the
// passing of time in one order, numbers and records them as entries, and applies
// them. Nothing else changes a rig.
//
// Overload: messages wait with their source, whose queue is bounded and drops the
// oldest, counted. Acts wait for the loop.
type Loop struct {
	o       LoopOptions
	fleet   *Fleet
	order   []string // rigs, in the order of their sessions
	seq     uint64
	now     time.Time
	last    map[string]time.Time // of the newest entry that each rig was judged at
	waiting []string             // rigs whose frame waits for the rest of its channels
	day     map[string]int       // UTC day of each rig's newest entry
	unsaved map[string]bool      // rigs that changed since their state was kept
	kept    map[string]time.Time // when it was
	keeps   int                  // place in order of the rig whose state is looked at next
	ahead   time.Duration        // of the wall's clock, when it was last looked at
	lag     time.Duration        // of the newest message, from its receipt until it was taken
	faults  faults
	sink    decoded
	sample  ingest.Entry // scratch: an entry of a sample is used until it was applied
	inbox   chan []Message
	acts    chan actCall
	links   chan ingest.Link
	looks   chan look
	stopped chan struct{}
}

// look is a question about a rig as it is between two entries.
type look struct {
	rig  string
	f    func(w *Rig)
	done chan bool
}

type actCall struct {
	rig   string
	act   ingest.Act
	reply chan error
}

// NewLoop returns a loop that has applied the sessions. Start it with Run.
func NewLoop(o LoopOptions, order []string) (*Loop, error) {
	l := &Loop{
		o: o, fleet: NewFleet(o.Open), order: order, seq: o.FirstSeq,
		last: map[string]time.Time{}, day: map[string]int{}, unsaved: map[string]bool{}, kept: map[string]time.Time{},
		faults: newFaults(),
		inbox:  make(chan []Message), acts: make(chan actCall), links: make(chan ingest.Link, 64), looks: make(chan look),
		stopped: make(chan struct{}),
	}
	l.advance(o.Clock())
	if o.Wall != nil {
		l.ahead = o.Wall().Sub(l.now)
	}
	for i, rig := range order {
		// Spread over the time, so that the states of many rigs are not all due at once.
		l.kept[rig] = l.now.Add(-keepAnyway * time.Duration(i) / time.Duration(len(order)))
		s := o.Sessions[rig]
		if err := l.apply(&ingest.Entry{Rig: rig, Kind: ingest.EntrySession, Session: &s}); err != nil {
			return nil, err
		}
	}
	return l, nil
}

// Fleet returns the rigs; only Changed may use it, and what runs before Run.
func (l *Loop) Fleet() *Fleet { return l.fleet }

// Offer hands messages to the loop, waiting for it. They are the loop's until the next
// Offer of the same caller has returned. It returns false when ctx ends or the loop has
// stopped.
func (l *Loop) Offer(ctx context.Context, m ...Message) bool {
	select {
	case l.inbox <- m:
		return true
	case <-ctx.Done():
	case <-l.stopped:
	}
	return false
}

// Link tells the loop of a link's new state. It never blocks: a change that finds
// the loop 64 changes behind is dropped for the next.
func (l *Loop) Link(link ingest.Link) {
	select {
	case l.links <- link:
	default:
	}
}

// Look calls f with a rig as it is between two entries, in the loop's goroutine. f may
// not change it and must not block. Look returns false when there is no such rig, ctx
// ends or the loop has stopped; f may still be called after ctx has ended.
func (l *Loop) Look(ctx context.Context, rig string, f func(w *Rig)) bool {
	k := look{rig, f, make(chan bool, 1)}
	select {
	case l.looks <- k:
	case <-ctx.Done():
		return false
	case <-l.stopped:
		return false
	}
	select {
	case ok := <-k.done:
		return ok
	case <-ctx.Done():
		return false
	}
}

// Act hands a person's act to its alarm. It returns when the act is in the journal
// and on disk, or with the reason why it was refused.
func (l *Loop) Act(ctx context.Context, rig string, act ingest.Act) error {
	call := actCall{rig, act, make(chan error, 1)}
	select {
	case l.acts <- call:
	case <-ctx.Done():
		return ctx.Err()
	case <-l.stopped:
		return errors.New("the monitor is stopping")
	}
	select {
	case err := <-call.reply:
		return err
	case <-ctx.Done():
		return fmt.Errorf("not known whether it was taken: %w", ctx.Err())
	}
}

// Run works until ctx ends.
func (l *Loop) Run(ctx context.Context) {
	defer close(l.stopped)
	defer l.keepAll()
	ticker := time.NewTicker(l.o.Tick / 2)
	defer ticker.Stop()
	var gather <-chan time.Time
	if l.apart() {
		t := time.NewTicker(releaseEvery)
		defer t.Stop()
		gather = t.C
	}
	for {
		select {
		case <-ctx.Done():
			return
		case some := <-l.inbox:
			for i := range some {
				l.message(&some[i])
			}
		case c := <-l.acts:
			l.act(c)
		case link := <-l.links:
			l.link(link)
		case k := <-l.looks:
			w := l.fleet.Rig(k.rig)
			if w != nil {
				k.f(w)
			}
			k.done <- w != nil
		case <-ticker.C:
			l.tick()
		case <-gather:
			l.release()
		}
	}
}

// releaseEvery is how often the frames that wait for the rest of their channels are
// looked at.
const releaseEvery = 10 * time.Millisecond

// apart tells whether any rig's frames are gathered from several messages.
func (l *Loop) apart() bool {
	for _, s := range l.o.Sessions {
		if s.Apart {
			return true
		}
	}
	return false
}

// release makes the frames that have waited long enough, by a tick of their rigs.
func (l *Loop) release() {
	if len(l.waiting) == 0 {
		return
	}
	l.advance(l.o.Clock())
	still := l.waiting[:0]
	for _, rig := range l.waiting {
		due := l.fleet.Rig(rig).Due()
		if !due.IsZero() && !l.now.Before(due) {
			_ = l.apply(&ingest.Entry{Rig: rig, Kind: ingest.EntryTick})
			due = l.fleet.Rig(rig).Due()
		}
		if !due.IsZero() {
			still = append(still, rig)
		}
	}
	l.waiting = still
}

// await remembers a rig whose frame waits.
func (l *Loop) await(w *Rig) {
	if !w.Due().IsZero() && !slices.Contains(l.waiting, w.Name()) {
		l.waiting = append(l.waiting, w.Name())
	}
}

// advance moves the loop's time on; it never falls.
func (l *Loop) advance(t time.Time) {
	t = t.UTC().Round(0)
	if t.After(l.now) {
		l.now = t
	}
}

// lagMost is the most by which a loop that is behind waits longer before it takes a
// rig for silent.
const lagMost = 2 * time.Second

func (l *Loop) message(m *Message) {
	came := m.Received
	l.advance(m.Received)
	src := &l.o.Sources[m.Source]
	if m.Reject != ingest.Used {
		l.reject(m.Rig, src.Name, m.Reject, string(m.Payload[:min(len(m.Payload), exampleBytes)]))
		return
	}
	m.Received = l.now
	fault := l.decode(src, &m.Message)
	if fault != "" {
		l.reject(m.Rig, src.Name, ingest.RejectDecoderFault, fault)
	}
	l.mark(src.Name, fault)
	l.lag = l.o.Clock().Sub(came)
	if l.o.Handled != nil {
		l.o.Handled(l.lag)
	}
}

func (l *Loop) reject(rig, source string, r ingest.Reject, detail string) {
	l.o.Counters.Add(source, r, detail)
	if l.fleet.Rig(rig) != nil {
		l.o.Recorder.AddReject(rig, l.now, source, r.String(), detail, 1)
	}
}

func (l *Loop) tell(link ingest.Link) {
	l.advance(l.o.Clock())
	for _, rig := range l.order {
		_ = l.apply(&ingest.Entry{Rig: rig, Kind: ingest.EntryLink, Link: &link})
	}
}

// exampleBytes is how much of a payload that is not used is kept as an example.
const exampleBytes = 480

func (l *Loop) tick() {
	l.advance(l.o.Clock())
	if err := l.o.Journal.Flush(); err != nil {
		l.o.Trouble(fmt.Errorf("journal: %w", err))
	}
	l.follow("", "a tick", func(d Follower, out ingest.Sink) { d.Tick(l.now, out) })
	l.lookAtWall()
	// What a silent rig sent may wait behind other messages: a loop that is behind would
	// make itself more work by looking at rigs in vain.
	silent := l.o.Tick + min(max(l.lag, 0), lagMost)
	l.lag = 0
	for _, rig := range l.order {
		if l.now.Sub(l.last[rig]) >= silent {
			_ = l.apply(&ingest.Entry{Rig: rig, Kind: ingest.EntryTick})
		}
	}
	l.keepDue()
}

// lookAtWall finds that this machine's clock was set. The monitor's own goes on
// steadily: only the journal is told, and what compares it with others.
func (l *Loop) lookAtWall() {
	if l.o.Wall == nil {
		return
	}
	ahead := l.o.Wall().Sub(l.now)
	step := ahead - l.ahead
	if step.Abs() <= clockSlack {
		return
	}
	l.ahead = ahead
	l.link(ingest.Link{Source: ClockLink, State: "set",
		Detail: fmt.Sprintf("by %s; the monitor's own time goes on from its start and is now %s off it",
			step.Round(time.Millisecond), ahead.Round(time.Millisecond))})
}

func (l *Loop) act(c actCall) {
	l.advance(l.o.Clock())
	if l.fleet.Rig(c.rig) == nil {
		why := fmt.Sprintf("got the rig %q, want one that is watched", clip(c.rig))
		event := RefusedAct(c.rig, l.now, &c.act, why)
		if err := l.o.Journal.Append(&event); err != nil {
			l.o.Trouble(fmt.Errorf("journal: %w", err))
		}
		c.reply <- errors.New(why)
		return
	}
	refused, err := l.take(&ingest.Entry{Rig: c.rig, Kind: ingest.EntryAct, Act: &c.act})
	switch {
	case err != nil:
		c.reply <- err
	case refused != "":
		c.reply <- errors.New(refused)
	default:
		l.keep(c.rig)
		go l.confirm(c) // the disk is waited for beside the way through
	}
}

// confirm answers an act that was taken once it is in the journal and in the saved
// state, both on disk.
func (l *Loop) confirm(c actCall) {
	err := l.o.Journal.Sync()
	if l.o.States != nil {
		err = errors.Join(err, l.o.States.Sync(c.rig))
	}
	if l.o.Service != nil && c.act.OfService() {
		err = errors.Join(err, l.o.Service.Sync(c.rig))
	}
	if err != nil {
		err = fmt.Errorf("taken, but not yet on disk: %w", err)
	}
	c.reply <- err
}

func (l *Loop) apply(e *ingest.Entry) error {
	_, err := l.take(e)
	return err
}

// take numbers, records and applies one entry and writes what it led to.
func (l *Loop) take(e *ingest.Entry) (refused string, err error) {
	l.newDay(e)
	l.seq++
	e.Seq, e.Received = l.seq, l.now
	l.o.Recorder.Add(*e)
	out, err := l.fleet.Apply(e)
	if err != nil {
		return "", err
	}
	if out.Reject != ingest.Used {
		l.o.Counters.Add(e.Rig, out.Reject, e.Sample.Time.Format(time.RFC3339Nano))
	}
	for i := range out.Events {
		l.journal(e, &out.Events[i])
		l.unsaved[e.Rig] = true
	}
	if out.Logged != nil && l.o.Service != nil {
		if err := l.o.Service.Append(e.Rig, e.Received, out.Logged); err != nil {
			l.o.Trouble(fmt.Errorf("service log: %w", err))
		}
	}
	w := l.fleet.Rig(e.Rig)
	if out.Estimate != nil && l.o.Answered != nil {
		l.o.Answered(w, e.Seq, out.Estimate)
	}
	if e.Kind != ingest.EntrySample || out.Estimate != nil { // what makes no frame does not let time pass
		l.last[e.Rig] = l.now
	} else {
		l.await(w)
	}
	l.o.Changed(w, &out)
	return out.Refused, nil
}

func (l *Loop) journal(e *ingest.Entry, event *alarms.Event) {
	if err := l.o.Journal.Append(event); err != nil {
		l.o.Trouble(fmt.Errorf("journal: %w", err))
	}
	l.o.Recorder.AddEvent(e.Rig, e.Seq, e.Received, alarms.AppendJSON(nil, event))
}

// newDay repeats the session as the first entry of each UTC day, so that a day's
// recording can be read alone.
func (l *Loop) newDay(e *ingest.Entry) {
	day := l.now.YearDay()
	old, seen := l.day[e.Rig]
	l.day[e.Rig] = day
	if !seen || old == day || e.Kind == ingest.EntrySession {
		return
	}
	s := l.o.Sessions[e.Rig]
	s.Continues = true
	if state, err := l.fleet.Rig(e.Rig).State(); err == nil {
		s.Alarms = string(state)
	}
	_ = l.apply(&ingest.Entry{Rig: e.Rig, Kind: ingest.EntrySession, Session: &s})
}
