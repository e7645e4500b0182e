// Package publish plays a run to an MQTT broker, as a rig's own gateway would:
// one JSON object a sample on hoist/{rig}/readings, QoS 1, at the pace of an
// injected clock.
//
// It may not change what a run says.
//
// Overload: a client has at most Window messages not yet acknowledged by the
// broker. While that many are out, or while there is no connection, new samples
// are dropped and counted; the run goes on, since the plant does not wait for the
// network. A clock that has run ahead is caught up by publishing without a pause,
// in order, nothing skipped.
package publish

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"hoistward/ingest"
	"hoistward/simulator"
)

// Options say where to publish and at what pace.
type Options struct {
	Broker     string   // "tcp://127.0.0.1:1883"
	Others     []string // of the same cluster, tried in turn when Broker is lost
	ClientID   string   // unique at the broker
	Username   string
	Password   string
	AtMostOnce bool             // QoS 0 instead of 1: for many rigs on a broker that syncs each message to disk
	Window     int              // messages not yet acknowledged, 1 to 10,000; 0 = 200
	Now        func() time.Time // nil = time.Now; may run Speed times as fast
	Speed      float64          // of Now against the wall, so that waits are not too long; 0 = 1
	OnState    func(state, detail string)
}

// Stats counts what became of the samples.
type Stats struct {
	Published    uint64 // handed to the broker
	Acknowledged uint64
	Dropped      uint64 // no connection, or the window was full
	Withheld     uint64 // the scenario had the link down
}

// Client is a connection that several runs may publish through at once.
type Client struct {
	o      Options
	mqtt   mqtt.Client
	window chan struct{}
	stop   chan struct{}

	published, acknowledged, dropped, withheld atomic.Uint64
}

// New makes a client and begins to connect; it goes on trying until Close. A
// broker that cannot be one is an error at once.
func New(o Options) (*Client, error) {
	u, err := url.Parse(o.Broker)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("publish: broker: got %q, want a URL such as tcp://127.0.0.1:1883", o.Broker)
	}
	if o.ClientID == "" {
		return nil, errors.New("publish: client id: got nothing, want one that no other client of the broker has")
	}
	if o.Window == 0 {
		o.Window = 200
	}
	if o.Window < 1 || o.Window > 10000 {
		return nil, fmt.Errorf("publish: window: got %d, want 1 to 10000", o.Window)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if !(o.Speed > 0) {
		o.Speed = 1
	}
	c := &Client{o: o, window: make(chan struct{}, o.Window), stop: make(chan struct{})}
	opts := mqtt.NewClientOptions().AddBroker(o.Broker).SetClientID(o.ClientID).
		SetUsername(o.Username).SetPassword(o.Password).
		SetCleanSession(true).SetOrderMatters(false).
		SetConnectRetry(true).SetConnectRetryInterval(time.Second).SetMaxReconnectInterval(5 * time.Second).
		SetConnectTimeout(5 * time.Second).SetWriteTimeout(5 * time.Second).
		SetKeepAlive(15 * time.Second).SetPingTimeout(5 * time.Second)
	for _, other := range o.Others {
		opts.AddBroker(other)
	}
	opts.OnConnect = func(mqtt.Client) { c.state("connected", "") }
	opts.OnConnectionLost = func(_ mqtt.Client, err error) { c.state("lost", err.Error()) }
	c.mqtt = mqtt.NewClient(opts)
	c.mqtt.Connect()
	return c, nil
}

func (o *Options) qos() byte {
	if o.AtMostOnce {
		return 0
	}
	return 1
}

func (c *Client) state(state, detail string) {
	if c.o.OnState != nil {
		c.o.OnState(state, detail)
	}
}

// Connected tells whether the link to the broker is up now.
func (c *Client) Connected() bool { return c.mqtt.IsConnectionOpen() }

// WaitConnected waits until the link is up or ctx ends.
func (c *Client) WaitConnected(ctx context.Context) error {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !c.Connected() {
		select {
		case <-ctx.Done():
			return fmt.Errorf("publish: broker %s not reached: %w", c.o.Broker, ctx.Err())
		case <-tick.C:
		}
	}
	return nil
}

// Stats returns what became of the samples so far.
func (c *Client) Stats() Stats {
	return Stats{c.published.Load(), c.acknowledged.Load(), c.dropped.Load(), c.withheld.Load()}
}

// Play publishes run as rig's readings from now on, each sample when the clock
// reaches it, until the scenario is over or ctx ends; the first returns nil, the
// second ctx's error. each, where not nil, gets every sample with its truth
// before it is published, and must not keep them.
func (c *Client) Play(ctx context.Context, rig string, run *simulator.Run, each func(*ingest.Sample, *simulator.Truth) error) error {
	if rig == "" || strings.ContainsAny(rig, "/+# ") {
		return fmt.Errorf("publish: rig: got %q, want a name without /, +, # and spaces", rig)
	}
	topic := "hoist/" + rig + "/readings"
	begin := c.o.Now().UTC().Add(-run.Elapsed())
	run.Start(begin)
	var sample ingest.Sample
	var truth simulator.Truth
	timer := time.NewTimer(0)
	defer timer.Stop()
	for run.Next(&sample, &truth) {
		if err := c.pace(ctx, timer, begin.Add(run.Elapsed())); err != nil {
			return err
		}
		if each != nil {
			if err := each(&sample, &truth); err != nil {
				return fmt.Errorf("publish %s: %w", rig, err)
			}
		}
		if run.Outage() {
			c.withheld.Add(1)
			continue
		}
		c.send(topic, Append(nil, &sample))
	}
	return nil
}

// pace waits until the clock shows due.
func (c *Client) pace(ctx context.Context, timer *time.Timer, due time.Time) error {
	for {
		left := due.Sub(c.o.Now())
		if left <= 0 {
			return ctx.Err()
		}
		timer.Reset(max(time.Duration(float64(left)/c.o.Speed), 200*time.Microsecond))
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
		}
	}
}

func (c *Client) send(topic string, payload []byte) {
	if !c.mqtt.IsConnectionOpen() {
		c.dropped.Add(1)
		return
	}
	select {
	case c.window <- struct{}{}:
	default:
		c.dropped.Add(1)
		return
	}
	c.published.Add(1)
	token := c.mqtt.Publish(topic, c.o.qos(), false, payload)
	go func() {
		defer func() { <-c.window }()
		select {
		case <-token.Done():
			if token.Error() == nil {
				c.acknowledged.Add(1)
			}
		case <-c.stop:
		}
	}()
}

// Close waits up to grace for what is out to be acknowledged, then disconnects.
// It returns an error that counts what was never acknowledged.
func (c *Client) Close(grace time.Duration) error {
	deadline := time.NewTimer(grace)
	defer deadline.Stop()
	missing := 0
	for range cap(c.window) { // the window is ours again when every slot is
		select {
		case c.window <- struct{}{}:
			continue
		case <-deadline.C:
		}
		missing = int(c.published.Load() - c.acknowledged.Load())
		break
	}
	close(c.stop)
	c.mqtt.Disconnect(250)
	if missing > 0 {
		return fmt.Errorf("publish: %d messages not acknowledged within %v", missing, grace)
	}
	return nil
}
