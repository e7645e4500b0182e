package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"hoistward/ingest/mqtt"
)

// MQTT is a broker to publish on.
type MQTT struct {
	Name   string
	Link   mqtt.Options // how it is reached; topics, presence and what is told are set here
	Shared bool         // a source's broker: its loss is that source's alarm, not ours as well
}

// StateTopic is where a rig's standing alarms are, retained.
func StateTopic(rig string) string { return "hoist/" + rig + "/alarms" }

// EventTopic is where a rig's events go by.
func EventTopic(rig string) string { return StateTopic(rig) + "/events" }

// PresenceTopic is where the monitor of a site says that it is there, retained.
func PresenceTopic(site string) string { return "hoistward/monitor/" + site }

// presenceEvery is how often the presence is said again.
const presenceEvery = 10 * time.Second

// presence is what stands on PresenceTopic.
type presence struct {
	Online  bool    `json:"online"`
	Site    string  `json:"site"`
	AsOf    string  `json:"as_of"`     // while online: when the watch last went round; else when the link was made
	Repeats float64 `json:"repeats_s"` // s; online is not to be relied on when as_of is older than three times this
}

// inFlight is how many messages may be on their way to the broker at once.
const inFlight = 64

// retryMQTT is the pause after a publish that failed on an open link.
const retryMQTT = time.Second

// mqttOut is the way to one broker.
type mqttOut struct {
	o      *Options
	name   string
	shared bool
	box    *outbox
	client *mqtt.Client
	alive  func() time.Time // when the watch last went round
	condition
	beats  chan []byte   // the newest that was not sent
	events chan struct{} // there may be one
	states chan struct{} // one is to be sent

	stateMu sync.Mutex
	open    bool                 // the link
	newest  map[string]*snapshot // of each rig
	dirty   map[string]bool      // rigs whose newest is not confirmed
}

func newMQTT(o *Options, m MQTT, alive func() time.Time) (*mqttOut, error) {
	d := &mqttOut{o: o, name: m.Name, shared: m.Shared, alive: alive, condition: newCondition(),
		beats: make(chan []byte, 1), events: make(chan struct{}, 1), states: make(chan struct{}, 1),
		newest: map[string]*snapshot{}, dirty: map[string]bool{}}
	var err error
	if d.box, err = openOutbox(o, m.Name); err != nil {
		return nil, err
	}
	link := m.Link
	link.Name, link.Log, link.OnStatus = m.Name, o.Log, d.linked
	link.Topics, link.Filters = nil, []string{PresenceTopic(o.Site)}
	link.QuietAfter, link.QueueLen = 100*24*time.Hour, 1 // nothing is read here
	link.Presence = func(now time.Time) mqtt.Presence {
		return mqtt.Presence{
			Topic: PresenceTopic(o.Site), Here: d.presence(true, d.alive()), Gone: d.presence(false, now),
			Denies: func(p []byte) bool { return strings.Contains(string(p), `"online":false`) },
		}
	}
	if d.client, err = mqtt.New(link); err != nil {
		d.box.tail.close()
		return nil, err
	}
	return d, nil
}

func (d *mqttOut) presence(online bool, at time.Time) []byte {
	b, _ := json.Marshal(presence{online, d.o.Site, at.UTC().Format(timeForm), presenceEvery.Seconds()}) // text and numbers alone
	return b
}

// linked hears of the link: all states go out again over a new one.
func (d *mqttOut) linked(s mqtt.Status) {
	open := s.State.Open() || s.State == mqtt.Refused // refused is reading, which is not needed
	d.stateMu.Lock()
	was := d.open
	d.open = open
	if open && !was {
		for rig := range d.newest {
			d.dirty[rig] = true
		}
	}
	d.stateMu.Unlock()
	switch {
	case open && !was:
		d.become(Delivering, "")
	case !open && s.State != mqtt.Connected && s.State != mqtt.Closed:
		d.become(Failing, "broker link "+strings.TrimPrefix(s.String(), s.Source+": "))
	}
	nudge(d.states)
	nudge(d.events)
}

// outcome takes that of a publish. Without a link, only the link is what fails.
func (d *mqttOut) outcome(what string, err error) {
	switch {
	case !d.isOpen():
	case err != nil:
		d.become(Failing, what+": "+err.Error())
	default:
		d.become(Delivering, "")
	}
}

func (d *mqttOut) isOpen() bool {
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	return d.open
}

// offer makes s the newest of its rig.
func (d *mqttOut) offer(s *snapshot) {
	d.stateMu.Lock()
	d.newest[s.rig] = s
	d.dirty[s.rig] = true
	d.stateMu.Unlock()
	nudge(d.states)
}

func (d *mqttOut) wake() { nudge(d.events) }

// run works until ctx ends.
func (d *mqttOut) run(ctx context.Context) {
	d.client.Start()
	var g sync.WaitGroup
	g.Go(func() { d.sendStates(ctx) })
	g.Go(func() { d.sendEvents(ctx) })
	g.Go(func() { d.sayHere(ctx) })
	g.Go(func() { d.sendBeats(ctx) })
	g.Wait()
	_ = d.box.save() // said by save
	d.box.tail.close()
}

func (d *mqttOut) close(ctx context.Context) error { return d.client.Close(ctx) }

// sayHere repeats the presence.
func (d *mqttOut) sayHere(ctx context.Context) {
	tick := time.NewTicker(presenceEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if d.isOpen() {
			_ = d.client.Publish(PresenceTopic(d.o.Site), 1, true, d.presence(true, d.alive())) // the next says it again
		}
	}
}

// sent is a message on its way.
type sent struct {
	rig  string // of a state
	what record // of an event
	n    tally
	wait func() error // nil = there was nothing to send
}

// sendStates sends the newest state of each rig that has one to send.
func (d *mqttOut) sendStates(ctx context.Context) {
	under := make(chan sent, inFlight)
	var g sync.WaitGroup
	g.Go(func() {
		for s := range under {
			err := s.wait()
			d.outcome("state", err)
			if err != nil {
				d.again(ctx, s.rig)
			}
		}
	})
	defer g.Wait()
	defer close(under)
	for {
		select {
		case <-ctx.Done():
			return
		case <-d.states:
		}
		for s := d.nextState(); s != nil; s = d.nextState() {
			at, _ := d.box.at(0)
			text, err := s.encode(d.o.Site, at.Journal, at.PassedOver)
			if err != nil {
				d.result(fmt.Errorf("state of %s: %w", s.rig, err))
				continue
			}
			select {
			case under <- sent{rig: s.rig, wait: d.client.Begin(StateTopic(s.rig), 1, true, text)}:
			case <-ctx.Done():
				return
			}
		}
	}
}

func (d *mqttOut) nextState() *snapshot {
	d.stateMu.Lock()
	defer d.stateMu.Unlock()
	if !d.open || !d.box.speaks() {
		return nil
	}
	for rig := range d.dirty {
		delete(d.dirty, rig)
		return d.newest[rig]
	}
	return nil
}

// again has the state of rig sent once more, a moment later.
func (d *mqttOut) again(ctx context.Context, rig string) {
	d.stateMu.Lock()
	d.dirty[rig] = true
	d.stateMu.Unlock()
	time.AfterFunc(retryMQTT, func() {
		if ctx.Err() == nil {
			nudge(d.states)
		}
	})
}

// sendEvents sends the journal's events in order, from the place on, while the link is
// open.
func (d *mqttOut) sendEvents(ctx context.Context) {
	for ctx.Err() == nil {
		if !d.isOpen() {
			select {
			case <-ctx.Done():
			case <-d.events:
			}
			continue
		}
		err := d.window(ctx)
		if err == nil || ctx.Err() != nil {
			continue
		}
		d.outcome("event", err)
		pause(ctx, retryMQTT)
	}
}

// lookEvery is how often the journal is looked at without word of an event.
const lookEvery = time.Second

// window sends from the place on, several at once, until something fails; then all
// that was not confirmed before it is to be sent again.
func (d *mqttOut) window(ctx context.Context) error {
	d.box.rewind()
	if err := d.forward(); err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	under := make(chan sent, inFlight)
	var g sync.WaitGroup
	g.Go(func() {
		good := true
		for s := range under {
			if s.wait != nil {
				if err := s.wait(); err != nil && good {
					good = false
					cancel(err)
				} else if good {
					d.outcome("event", nil)
				}
			}
			if good {
				d.box.done(&s.what, s.n)
			}
		}
	})
	err := d.fill(ctx, under)
	close(under)
	g.Wait()
	if cause := context.Cause(ctx); cause != nil && !errors.Is(cause, context.Canceled) {
		return cause
	}
	return err
}

// forward sends what the pair's other member told and did not deliver here.
func (d *mqttOut) forward() error {
	for {
		due := d.box.due(inFlight)
		if len(due) == 0 {
			return nil
		}
		var ids []string
		var n tally
		var under []func() error
		for i := range due {
			r := &due[i]
			ids = append(ids, r.id)
			if r.old {
				n.passed++
				continue
			}
			n.sent++
			under = append(under, d.client.Begin(EventTopic(r.event.Rig), 1, false, numbered(r, "")))
		}
		var err error
		for _, wait := range under {
			err = errors.Join(err, wait())
		}
		if err != nil {
			return err
		}
		d.box.forwarded(ids, n)
	}
}

func (d *mqttOut) fill(ctx context.Context, under chan<- sent) error {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		r, ok, err := d.box.next()
		if err != nil {
			return err
		}
		if !ok {
			select {
			case <-ctx.Done():
				return nil
			case <-d.events:
			case <-look.C:
				_ = d.box.save() // said by save
			}
			if !d.isOpen() || d.box.turned() || len(d.box.due(1)) > 0 {
				return nil
			}
			continue
		}
		s := sent{what: r}
		switch {
		case r.skip:
		case r.old:
			s.n = tally{passed: 1}
		default:
			s.n = tally{sent: 1}
			s.wait = d.client.Begin(EventTopic(r.event.Rig), 1, false, numbered(&r, d.box.member()))
		}
		select {
		case under <- s:
		case <-ctx.Done():
			return nil
		}
	}
}

func (d *mqttOut) status(length int64) Status {
	s := Status{Name: d.name, Kind: "mqtt", Shared: d.shared, Damaged: d.box.tail.damaged.Load()}
	d.fillPlace(&s, length)
	return s
}

func (d *mqttOut) fillPlace(s *Status, length int64) {
	p, behind := d.box.at(length)
	s.Seq, s.Behind, s.Sent, s.SetAside, s.PassedOver = p.Seq, behind, p.Sent, p.SetAside, p.PassedOver
	d.condition.fill(s)
}

// nudge puts one word into a channel that holds one.
func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// pause waits, or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
