package notify

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
	"hoistward/alarms/watch"
)

// Options says where alarms go.
type Options struct {
	Site        string
	Software    string           // name and version, for the receivers
	Journal     string           // the journal's path; it is there
	Length      func() int64     // the journal's length now; must not block
	Dir         string           // of the places, and of what was refused
	Keep        time.Duration    // an event that waited longer is passed over
	Clock       func() time.Time // the monitor's
	MQTT        []MQTT
	Webhooks    []Webhook
	Annunciator *Command // nil = none
	// Failing is told when a destination fails and when all deliver again, with the
	// reasons. It must not block. The loss of a Shared broker is not told.
	Failing func(failing bool, why string)
	Log     *zap.Logger
	Voice   Voice // of one of a pair; nil = this monitor is alone and speaks
}

// Notifier carries alarms outside.
type Notifier struct {
	o        Options
	mqtt     []*mqttOut
	webhooks []*webhook
	horn     *annunciator
	alive    atomic.Int64 // when the loop last went round, ns, its own clock
	last     map[string]time.Time
	cancel   context.CancelFunc
	group    sync.WaitGroup
}

// New opens the destinations. From here on, what is journalled goes out; sending
// begins with Start. After an error nothing is left open.
func New(o Options) (*Notifier, error) {
	if err := os.MkdirAll(o.Dir, 0o755); err != nil {
		return nil, fmt.Errorf("notify: %w", err)
	}
	n := &Notifier{o: o, last: map[string]time.Time{}, cancel: func() {}}
	n.alive.Store(o.Clock().UnixNano())
	if err := n.open(); err != nil {
		n.closeAll()
		return nil, fmt.Errorf("notify: %w", err)
	}
	return n, nil
}

func (n *Notifier) open() error {
	for _, m := range n.o.MQTT {
		d, err := newMQTT(&n.o, m, n.roundAt)
		if err != nil {
			return err
		}
		n.mqtt = append(n.mqtt, d)
	}
	for _, w := range n.o.Webhooks {
		d, err := newWebhook(&n.o, w)
		if err != nil {
			return err
		}
		n.webhooks = append(n.webhooks, d)
	}
	if n.o.Annunciator != nil {
		a, err := newAnnunciator(&n.o, *n.o.Annunciator)
		if err != nil {
			return err
		}
		n.horn = a
	}
	return nil
}

func (n *Notifier) closeAll() {
	for _, d := range n.mqtt {
		d.box.tail.close()
	}
	for _, d := range n.webhooks {
		d.box.tail.close()
	}
}

func (n *Notifier) roundAt() time.Time { return time.Unix(0, n.alive.Load()) }

// Start begins to send, until Close.
func (n *Notifier) Start() {
	ctx, cancel := context.WithCancel(context.Background())
	n.cancel = cancel
	for _, d := range n.mqtt {
		n.group.Go(func() { d.run(ctx) })
	}
	for _, d := range n.webhooks {
		n.group.Go(func() { d.run(ctx) })
	}
	if n.horn != nil {
		n.group.Go(func() { n.horn.run(ctx) })
	}
	n.group.Go(func() { n.tell(ctx) })
}

// Close stops sending. What was not confirmed goes out after the next start; the
// brokers are told that the monitor is gone.
func (n *Notifier) Close(ctx context.Context) error {
	n.cancel()
	var err error
	for _, d := range n.mqtt {
		err = errors.Join(err, d.close(ctx))
	}
	done := make(chan struct{})
	go func() { defer close(done); n.group.Wait() }()
	select {
	case <-done:
		return err
	case <-ctx.Done():
		return errors.Join(err, fmt.Errorf("notify: still sending: %w", ctx.Err()))
	}
}

// Changed takes what an entry led to, in the loop's goroutine. It never waits.
func (n *Notifier) Changed(w *watch.Rig, o *watch.Outcome) {
	n.alive.Store(w.Now().UnixNano())
	last, known := n.last[w.Name()]
	now := time.Now()
	if known && len(o.Events) == 0 && now.Sub(last) < stateEvery {
		return
	}
	n.last[w.Name()] = now
	var s *snapshot // made only for who takes it
	if len(n.mqtt) > 0 || !known && n.horn != nil {
		s = snapshotOf(w, n.o.Length())
	}
	if !known && n.horn != nil && n.speaks() {
		n.horn.begin(s)
	}
	n.take(s, o.Events)
}

func (n *Notifier) take(s *snapshot, events []alarms.Event) {
	for _, d := range n.mqtt {
		d.offer(s)
	}
	if len(events) == 0 {
		return
	}
	for _, d := range n.mqtt {
		d.wake()
	}
	for _, d := range n.webhooks {
		d.wake()
	}
	if n.horn != nil && n.speaks() {
		for i := range events {
			n.horn.offer(&events[i])
		}
	}
}

// Status returns the state of each destination.
func (n *Notifier) Status() []Status {
	length := n.o.Length()
	out := []Status{}
	for _, d := range n.mqtt {
		out = append(out, d.status(length))
	}
	for _, d := range n.webhooks {
		out = append(out, d.status(length))
	}
	if n.horn != nil {
		out = append(out, n.horn.status())
	}
	return out
}

// tell looks once a second whether anything fails, and says when that changes.
func (n *Notifier) tell(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	was := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		why := failing(n.Status())
		if now := why != ""; now != was {
			was = now
			n.o.Failing(now, why)
		}
	}
}

// failing names the destinations that fail, with their reasons; empty = none.
func failing(all []Status) string {
	var why []string
	for _, s := range all {
		if s.State == Failing && !(s.Shared && strings.HasPrefix(s.Detail, "broker link ")) {
			why = append(why, s.Name+": "+s.Detail)
		}
	}
	return strings.Join(why, "; ")
}
