// Package mqtt takes messages from an MQTT broker and hands them on as they came,
// with the moment of receipt. It is a thin shell around paho.mqtt.golang.
//
// It may not look into a payload, and its network callback may not wait: it puts
// the message into a bounded queue, which serves the rigs in turn, discards the oldest
// message of the rig with most of them when full, and counts it. The client makes a new link, with a new subscription, after each
// loss; paho's own reconnecting is not used, because it neither subscribes again
// nor tells of a refused subscription, and reports a publish into the gap as sent.
package mqtt

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/zap"
)

// ErrNotDelivered is wrapped by every error of Publish: the broker did not confirm
// the message. It may be sent again.
var ErrNotDelivered = errors.New("not delivered")

// Client is one source of messages. Several may live in one program.
type Client struct {
	o      Options
	routes routes
	paho   *paho.ClientOptions
	queue  *queue
	pace   pacing
	wake   chan struct{} // a live message came while quiet
	done   chan struct{}
	ended  chan struct{}

	// Of run only.
	granted string    // what is special about the granted subscription
	dropped uint64    // from the queue, when it was last looked at
	shed    time.Time // when some were lately

	mu      sync.Mutex
	started bool
	closing bool
	status  Status
	link    paho.Client // open or lately so
	lastPub string
	stats   Stats
	live    []time.Time // of the newest live message of each topic
}

// New checks the options and reads the files they name. Nothing is sent before
// Start.
func New(o Options) (*Client, error) {
	orDefault(&o.Name, o.Broker)
	o.defaults()
	c, err := build(o)
	if err != nil {
		return nil, fmt.Errorf("mqtt %s: %w", o.Name, err)
	}
	return c, nil
}

func build(o Options) (*Client, error) {
	secure, err := o.address()
	if err != nil {
		return nil, err
	}
	r, err := parseRoutes(o.Topics, o.Filters)
	if err != nil {
		return nil, err
	}
	if err := o.limits(); err != nil {
		return nil, err
	}
	password, err := o.password()
	if err != nil {
		return nil, err
	}
	p := paho.NewClientOptions().AddBroker(o.Broker).SetClientID(o.ClientID).
		SetUsername(o.User).SetPassword(password).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetOrderMatters(true).
		SetKeepAlive(o.KeepAlive).SetPingTimeout(o.KeepAlive / 2).
		SetConnectTimeout(o.ConnectTimeout).SetWriteTimeout(o.WriteTimeout)
	if secure {
		c, err := o.tls()
		if err != nil {
			return nil, err
		}
		p.SetTLSConfig(c)
	}
	readAheadOf(p)
	return &Client{
		o: o, routes: r, paho: p, live: make([]time.Time, len(o.Topics)),
		queue:  newQueue(o.QueueLen, o.QueueBytes),
		pace:   pacing{min: o.RetryMin, max: o.RetryMax},
		wake:   make(chan struct{}, 1),
		done:   make(chan struct{}),
		ended:  make(chan struct{}),
		status: Status{Source: o.Name, Since: o.Now().UTC()},
	}, nil
}

// Start begins to connect, and goes on until Close. It returns at once.
func (c *Client) Start() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.started && !c.closing {
		c.started = true
		go c.run()
	}
}

// Close ends the link, then the queue: what was taken before can still be read
// with Next. It returns when all is ended, or with an error when ctx is done.
func (c *Client) Close(ctx context.Context) error {
	c.mu.Lock()
	if !c.closing {
		c.closing = true
		close(c.done)
		if !c.started {
			c.queue.close()
			close(c.ended)
		}
	}
	c.mu.Unlock()
	select {
	case <-c.ended:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("mqtt %s: close: %w", c.o.Name, ctx.Err())
	}
}

// Next returns the oldest waiting message of the rig whose turn it is, or waits for
// one. After Close it gives what is left and then ErrClosed.
func (c *Client) Next(ctx context.Context) (Message, error) { return c.queue.next(ctx) }

// Some fills to with the messages that wait, and returns how many they were; it waits
// for the first. After Close it gives what is left and then ErrClosed.
func (c *Client) Some(ctx context.Context, to []Message) (int, error) { return c.queue.some(ctx, to) }

// Status returns the present state.
func (c *Client) Status() Status {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.status
}

// Stats returns the counts so far.
func (c *Client) Stats() Stats {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.stats
	s.Waiting, s.Dropped = c.queue.state()
	return s
}

// Publish sends payload and waits, for PublishTimeout at most, until the broker
// has confirmed it (QoS 1 and 2) or the network has taken it (QoS 0: it can still
// be lost with the link). With no open link it fails at once; nothing is kept for
// later, so state that matters is to be published again on each Subscribed.
func (c *Client) Publish(topic string, qos byte, retained bool, payload []byte) error {
	return c.Begin(topic, qos, retained, payload)()
}

// Begin is Publish in two parts: it sends, in the order of its calls where they come
// from one goroutine, and returns the wait, which must be called.
func (c *Client) Begin(topic string, qos byte, retained bool, payload []byte) (wait func() error) {
	token, err := c.begin(topic, qos, retained, payload)
	return func() error {
		if err == nil {
			err = c.confirmed(token)
		}
		if err == nil {
			return nil
		}
		c.mu.Lock()
		c.stats.Undelivered++
		c.mu.Unlock()
		return fmt.Errorf("mqtt %s: publish on %q: %w: %w", c.o.Name, topic, ErrNotDelivered, err)
	}
}

// confirmed waits for token. One of a link that was lost may never end: no longer than
// PublishTimeout, and not beyond the client's own end.
func (c *Client) confirmed(token paho.Token) error {
	limit := time.NewTimer(c.o.PublishTimeout)
	defer limit.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-limit.C:
		return fmt.Errorf("no confirmation within %v", c.o.PublishTimeout)
	case <-c.ended:
	}
	select {
	case <-token.Done():
		return token.Error()
	default:
		return ErrClosed
	}
}

func (c *Client) begin(topic string, qos byte, retained bool, payload []byte) (paho.Token, error) {
	if err := CheckTopic(topic); err != nil {
		return nil, err
	}
	if qos > 2 {
		return nil, fmt.Errorf("got QoS %d, want 0, 1 or 2", qos)
	}
	c.mu.Lock()
	link := c.link
	c.lastPub = topic
	c.mu.Unlock()
	// IsConnected stays true without a link; IsConnectionOpen does not.
	if link == nil || !link.IsConnectionOpen() {
		return nil, fmt.Errorf("link %s", c.Status().State)
	}
	return link.Publish(topic, qos, retained, payload), nil
}

// handle takes a message from paho, which waits for it before it reads on. Paho
// makes a new payload for each message, so it need not be copied.
func (c *Client) handle(_ paho.Client, m paho.Message) {
	pattern, rig, ok := c.routes.find(m.Topic())
	msg := Message{
		Topic: m.Topic(), Pattern: pattern, Rig: rig, Unknown: !ok, Payload: m.Payload(), Received: c.o.Now().UTC(),
		QoS: m.Qos(), Retained: m.Retained(), Duplicate: m.Duplicate(),
	}
	large := len(msg.Payload) > c.o.MaxPayload
	c.count(msg, large)
	if !large {
		c.queue.offer(msg)
	}
}

func (c *Client) count(m Message, large bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stats.Received++
	if m.Duplicate {
		c.stats.Duplicates++
	}
	if m.Unknown {
		c.stats.BadTopic++
	}
	if large {
		c.stats.TooLarge++
	}
	if m.Retained {
		c.stats.Retained++
		return
	}
	c.stats.LastLive = m.Received
	if m.Pattern >= 0 {
		c.live[m.Pattern] = m.Received
	}
	if c.status.State == Quiet {
		select {
		case c.wake <- struct{}{}:
		default:
		}
	}
}

// become makes s the state if it differs from the present one, and tells of it.
func (c *Client) become(s State, detail string) {
	now := c.o.Now().UTC()
	contested := c.pace.contested(now)
	c.mu.Lock()
	if contested {
		why := fmt.Sprintf("%d links lost within %v: duplicate client id %q?", contestedLost, contestedSpan, c.o.ClientID)
		if c.lastPub != "" {
			why += fmt.Sprintf(" or a publish that the broker refuses, last on %q?", c.lastPub)
		}
		if detail != "" {
			detail += "; "
		}
		detail += why
	}
	old := c.status
	next := Status{Source: c.o.Name, State: s, Since: now, Detail: detail, Contested: contested}
	if s == old.State {
		next.Since = old.Since
	}
	c.status = next
	c.mu.Unlock()
	if next == old {
		return
	}
	c.o.Log.Info("broker link", zap.String("source", next.Source), zap.Stringer("state", s), zap.String("detail", detail))
	c.o.OnStatus(next)
}

// run is the one loop that waits: it makes links until Close.
func (c *Client) run() {
	defer close(c.ended)
	defer c.queue.close()
	c.o.OnStatus(c.Status())
	ever := false
	for {
		opened, err := c.session()
		if c.stopping() {
			break
		}
		now := c.o.Now()
		pause, state := time.Duration(0), NeverConnected
		if opened.IsZero() {
			pause = c.pace.failed()
		} else {
			ever = true
			pause = c.pace.lost(now, now.Sub(opened))
		}
		if ever {
			state = Lost
		}
		c.become(state, err.Error())
		// Spread, so that clients that lost one broker do not return as one.
		if !c.sleep(time.Duration(float64(pause) * (0.8 + 0.4*rand.Float64()))) {
			break
		}
	}
	c.become(Closed, "")
}

func (c *Client) stopping() bool {
	select {
	case <-c.done:
		return true
	default:
		return false
	}
}

func (c *Client) sleep(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-c.done:
		return false
	}
}
