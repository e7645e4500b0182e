package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
)

// Command is run on this machine for each new alarm of high or emergency priority: a
// new occurrence, one that worsens to it, one that comes out of hiding, and each that
// sounds when the monitor starts.
type Command struct {
	Argv    []string // program and arguments; no shell is between
	Timeout time.Duration
	AtOnce  int             // at most
	Least   alarms.Priority // High, or Emergency
}

// due is an alarm to be told of, with those that it stands for.
type due struct {
	event alarms.Event
	also  uint64 // others, of which no command of their own tells
}

// annunciator runs the command.
type annunciator struct {
	o    *Options
	c    Command
	log  *zap.Logger
	room chan struct{} // one word a command that runs
	condition

	mu        sync.Mutex
	waiting   *due
	wakes     chan struct{}
	ran       uint64
	coalesced uint64
}

func newAnnunciator(o *Options, c Command) (*annunciator, error) {
	if len(c.Argv) == 0 || c.AtOnce < 1 || c.Timeout <= 0 {
		return nil, errors.New("annunciator: got no program, room for none, or no time limit; want all three")
	}
	return &annunciator{o: o, c: c, log: o.Log.Named("annunciator"), room: make(chan struct{}, c.AtOnce),
		condition: newCondition(), wakes: make(chan struct{}, 1)}, nil
}

// concerns tells whether an event is one that the command is run for.
func (a *annunciator) concerns(e *alarms.Event) bool {
	switch e.Event {
	case alarms.EventRaised, alarms.EventWorsened, alarms.EventUnshelved, alarms.EventUnsuppressed, alarms.EventReturnedToService:
		return e.State == alarms.Unacknowledged && e.Priority >= a.c.Least
	}
	return false
}

// offer takes an event. It never waits: where one waits already, the more urgent one,
// or the newer of equals, waits for both.
func (a *annunciator) offer(e *alarms.Event) {
	if !a.concerns(e) {
		return
	}
	a.mu.Lock()
	switch w := a.waiting; {
	case w == nil:
		a.waiting = &due{event: *e}
	default:
		if e.Priority >= w.event.Priority {
			w.event = *e
		}
		w.also++
		a.coalesced++
	}
	a.mu.Unlock()
	nudge(a.wakes)
}

// begin takes what sounds already when the monitor starts.
func (a *annunciator) begin(s *snapshot) {
	for i := range s.standing {
		st := &s.standing[i]
		if !st.Alarm.Sounds() {
			continue
		}
		a.offer(&alarms.Event{
			Time: s.asOf, Rig: s.rig, Alarm: st.Rule.Name, Channel: st.Channel, Event: alarms.EventRaised,
			State: st.Alarm.Shown(), Priority: st.Alarm.Priority, Reason: "it stands since before the monitor started: " + st.Reason,
			Value: st.Finding.Value, Limit: st.Finding.Limit, Unit: st.Finding.Unit,
			Occurrence: st.Alarm.Occurrence, Version: st.Alarm.Version,
		})
	}
}

// run works until ctx ends; then what runs is killed.
func (a *annunciator) run(ctx context.Context) {
	var g sync.WaitGroup
	defer g.Wait()
	for {
		select {
		case <-ctx.Done():
			return
		case <-a.wakes:
		}
		for {
			select {
			case <-ctx.Done():
				return
			case a.room <- struct{}{}:
			}
			d := a.take()
			if d == nil {
				<-a.room
				break
			}
			g.Go(func() {
				defer func() { <-a.room }()
				a.tell(ctx, d)
			})
		}
	}
}

func (a *annunciator) take() *due {
	a.mu.Lock()
	defer a.mu.Unlock()
	d := a.waiting
	a.waiting = nil
	return d
}

// tell runs the command for one alarm.
func (a *annunciator) tell(ctx context.Context, d *due) {
	err := a.command(ctx, d)
	a.mu.Lock()
	a.ran++
	a.mu.Unlock()
	if ctx.Err() != nil {
		return
	}
	a.result(err)
	if err != nil {
		a.log.Error("the annunciator's command failed", zap.String("rig", d.event.Rig), zap.String("alarm", d.event.Alarm), zap.Error(err))
	}
}

// leaveTime is how long a killed command's pipes are waited for.
const leaveTime = 2 * time.Second

func (a *annunciator) command(ctx context.Context, d *due) error {
	limit, cancel := context.WithTimeoutCause(ctx, a.c.Timeout, fmt.Errorf("still running after %v: killed with its process group", a.c.Timeout))
	defer cancel()
	c := exec.CommandContext(limit, a.c.Argv[0], a.c.Argv[1:]...)
	text, err := a.input(d)
	if err != nil {
		return err
	}
	said := &words{}
	c.Stdin, c.Stdout, c.Stderr = bytes.NewReader(text), said, said
	c.Env = append(os.Environ(), a.environment(d)...)
	c.WaitDelay = leaveTime
	ownGroup(c)
	err = c.Run()
	if c.Process != nil {
		endGroup(c.Process.Pid) // what it left running
	}
	if errors.Is(err, exec.ErrWaitDelay) {
		err = nil // it ended well; what it left running held its output open, and is ended
	}
	if err != nil {
		if cause := context.Cause(limit); cause != nil {
			err = cause
		}
		return fmt.Errorf("%s: %w%s", a.c.Argv[0], err, saying(said.bytes()))
	}
	return nil
}

// input is what the command reads: the event as in the journal, with what a person
// needs to hear.
func (a *annunciator) input(d *due) ([]byte, error) {
	rule, _ := alarms.Lookup(d.event.Alarm)
	more, err := json.Marshal(struct {
		Site     string `json:"site"`
		Title    string `json:"title"`
		Response string `json:"response"`
		Also     uint64 `json:"also"`
	}{a.o.Site, rule.Title, rule.Response, d.also})
	if err != nil {
		return nil, err
	}
	text := alarms.AppendJSON(nil, &d.event)
	text = append(append(text[:len(text)-1], ','), more[1:]...)
	return append(text, '\n'), nil
}

func (a *annunciator) environment(d *due) []string {
	e := &d.event
	env := []string{
		"HOISTWARD_SITE=" + a.o.Site, "HOISTWARD_RIG=" + e.Rig, "HOISTWARD_ALARM=" + e.Alarm, "HOISTWARD_CHANNEL=" + e.Channel,
		"HOISTWARD_PRIORITY=" + e.Priority.String(), "HOISTWARD_EVENT=" + e.Event.String(), "HOISTWARD_ALSO=" + strconv.FormatUint(d.also, 10),
	}
	for i := range env {
		env[i] = strings.ReplaceAll(env[i], "\x00", "")
	}
	return env
}

func (a *annunciator) status() Status {
	s := Status{Name: "annunciator", Kind: "annunciator"}
	a.mu.Lock()
	s.Sent, s.Coalesced = a.ran, a.coalesced
	a.mu.Unlock()
	a.condition.fill(&s)
	return s
}

// words keeps the first of what a command says; the rest is read and dropped.
type words struct {
	mu sync.Mutex
	b  []byte
}

func (w *words) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.b = append(w.b, p[:min(len(p), wordsBytes-len(w.b))]...)
	return len(p), nil
}

func (w *words) bytes() []byte {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b
}
