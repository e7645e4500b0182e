package mqtt

import (
	"fmt"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Presence is how a client tells others that it is there: both messages are
// retained, at QoS 1.
type Presence struct {
	Topic string
	Here  []byte // published once the subscriptions are granted
	Gone  []byte // left with the broker as the will of the link, and published by Close
	// Denies tells whether a message on Topic says that this client is gone. The will
	// of a link before can come after Here; Here is then published again.
	Denies func(payload []byte) bool
}

// repeatLeast is the shortest time between two publishes of Here.
const repeatLeast = time.Second

// announcer keeps the presence of one link; nil where there is none to tell.
type announcer struct {
	Presence
	denied chan struct{}
	last   time.Time
}

func (c *Client) announcer(o *paho.ClientOptions) *announcer {
	if c.o.Presence == nil {
		return nil
	}
	a := &announcer{Presence: c.o.Presence(c.o.Now()), denied: make(chan struct{}, 1)}
	o.SetBinaryWill(a.Topic, a.Gone, 1, true)
	return a
}

// here says that the client is there, and listens for who denies it.
func (a *announcer) here(c *Client, link paho.Client, lost <-chan error) error {
	if a == nil {
		return nil
	}
	listen := link.Subscribe(a.Topic, 1, func(_ paho.Client, m paho.Message) {
		if a.Denies(m.Payload()) {
			select {
			case a.denied <- struct{}{}:
			default:
			}
		}
	})
	if err := c.await(listen, lost, 2*c.o.ConnectTimeout, "subscribe to "+a.Topic); err != nil {
		return err
	}
	return a.publish(c, link, lost)
}

func (a *announcer) publish(c *Client, link paho.Client, lost <-chan error) error {
	a.last = c.o.Now()
	return c.await(link.Publish(a.Topic, 1, true, a.Here), lost, c.o.PublishTimeout, "publish on "+a.Topic)
}

// again says once more that the client is there, if that was denied.
func (a *announcer) again(c *Client, link paho.Client, lost <-chan error) error {
	if a == nil || c.o.Now().Sub(a.last) < repeatLeast {
		return nil
	}
	select {
	case <-a.denied:
		return a.publish(c, link, lost)
	default:
		return nil
	}
}

// gone says that the client goes.
func (a *announcer) gone(c *Client, link paho.Client) {
	if a != nil && !link.Publish(a.Topic, 1, true, a.Gone).WaitTimeout(c.o.PublishTimeout) {
		c.o.Log.Warn(fmt.Sprintf("no confirmation on %q within %v", a.Topic, c.o.PublishTimeout))
	}
}
