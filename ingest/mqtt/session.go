package mqtt

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

const (
	subscribeRefused = 0x80                   // MQTT 3.1.1, section 3.9.3: failure
	quiesce          = 250                    // ms to send what is under way before closing
	lookEvery        = 250 * time.Millisecond // at the age of data and at the link
)

var errClosing = errors.New("closing")

// session makes one link, subscribes and stays until the link is gone or the
// client closes. It returns when the link opened, zero if it never did, and why it
// ended.
func (c *Client) session() (opened time.Time, err error) {
	lost := make(chan error, 1)
	o := *c.paho
	o.OnConnectionLost = func(_ paho.Client, err error) { lost <- err }
	presence := c.announcer(&o)
	link := paho.NewClient(&o)
	if err := c.await(link.Connect(), lost, 2*c.o.ConnectTimeout, "connect"); err != nil {
		link.Disconnect(0)          // an attempt may still be under way
		if errors.Is(err, io.EOF) { // what some brokers do in place of an answer
			err = fmt.Errorf("%w: wrong user or password, or a client id in use?", err)
		}
		return time.Time{}, err
	}
	defer link.Disconnect(quiesce)
	opened = c.o.Now()
	c.mu.Lock()
	c.link = link
	c.stats.Connects++
	c.mu.Unlock()
	c.become(Connected, "")
	err = c.watch(link, lost, presence)
	if err == errClosing {
		presence.gone(c, link)
	}
	c.mu.Lock()
	c.link = nil
	if err != errClosing {
		c.stats.Losses++
	}
	c.mu.Unlock()
	return opened, err
}

// await waits for paho to finish a request.
func (c *Client) await(t paho.Token, lost <-chan error, limit time.Duration, what string) error {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-t.Done():
		if err := t.Error(); err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		return nil
	case err := <-lost:
		return fmt.Errorf("%s: link lost: %w", what, err)
	case <-timer.C:
		return fmt.Errorf("%s: no answer within %v", what, limit)
	case <-c.done:
		return errClosing
	}
}

// watch subscribes on an open link and follows it until it is gone.
func (c *Client) watch(link paho.Client, lost <-chan error, presence *announcer) error {
	tick := time.NewTicker(max(min(lookEvery, c.o.QuietAfter/4), time.Millisecond))
	defer tick.Stop()
	if err := c.subscribe(link, lost); err != nil {
		return err
	}
	if err := presence.here(c, link, lost); err != nil {
		return err
	}
	asked := c.o.Now()
	for {
		select {
		case <-c.done:
			return errClosing
		case err := <-lost:
			return fmt.Errorf("link lost: %w", err)
		case <-c.wake:
		case <-tick.C:
			if !link.IsConnectionOpen() {
				return errors.New("link lost without notice")
			}
		}
		if err := presence.again(c, link, lost); err != nil {
			return err
		}
		now := c.o.Now()
		if c.Status().State != Refused {
			c.judge(now, asked)
		} else if now.Sub(asked) >= c.o.RetryMax {
			asked = now
			if err := c.subscribe(link, lost); err != nil {
				return err
			}
		}
	}
}

// subscribe asks for the topics and looks at the code that the broker granted for
// each: a refusal is no error to paho.
func (c *Client) subscribe(link paho.Client, lost <-chan error) error {
	asked := map[string]byte{}
	for _, f := range c.routes.filters {
		asked[f] = c.o.QoS
	}
	token := link.SubscribeMultiple(asked, c.handle)
	what := "subscribe to " + strings.Join(c.routes.filters, ", ")
	if err := c.await(token, lost, 2*c.o.ConnectTimeout, what); err != nil {
		return err
	}
	granted := token.(*paho.SubscribeToken).Result()
	var refused, lesser []string
	for _, f := range c.routes.filters {
		code, ok := granted[f]
		switch {
		case !ok || code == subscribeRefused:
			refused = append(refused, fmt.Sprintf("%q", f))
		case code < c.o.QoS:
			lesser = append(lesser, fmt.Sprintf("QoS %d granted, %d asked for", code, c.o.QoS))
		}
	}
	if len(refused) > 0 {
		c.become(Refused, "the broker does not let us read "+strings.Join(refused, ", "))
		return nil
	}
	c.granted = strings.Join(slices.Compact(lesser), "; ")
	c.become(Subscribed, c.granted)
	return nil
}

// judge tells data from silence on an open link, subscribed since then.
func (c *Client) judge(now, since time.Time) {
	c.mu.Lock()
	last := c.stats.LastLive
	silent := c.silent(now, since)
	c.mu.Unlock()
	if last.After(since) {
		since = last
	}
	if now.Sub(since) >= c.o.QuietAfter {
		c.become(Quiet, fmt.Sprintf("no live data for %v", c.o.QuietAfter))
		return
	}
	c.become(Subscribed, strings.Join(slices.DeleteFunc([]string{c.granted, silent, c.behind(now)}, func(s string) bool { return s == "" }), "; "))
}

// shedShown is how long it is said that messages were discarded.
const shedShown = 10 * time.Second

// Behind is the detail of a link whose reader lets messages be discarded. How many is
// in Stats: a detail that changed with each would be one more load.
const Behind = "more comes than is read: the oldest messages are discarded"

func (c *Client) behind(now time.Time) string {
	if _, dropped := c.queue.state(); dropped != c.dropped {
		c.dropped, c.shed = dropped, now
	}
	if c.shed.IsZero() || now.Sub(c.shed) >= shedShown {
		return ""
	}
	return Behind
}

// silent names the topics without live data while others have some. A broker may
// grant a subscription and then hold the messages back.
func (c *Client) silent(now, since time.Time) string {
	if len(c.live) < 2 {
		return ""
	}
	var names []string
	for i, t := range c.o.Topics {
		from := since
		if c.live[i].After(from) {
			from = c.live[i]
		}
		if now.Sub(from) >= t.QuietAfter {
			names = append(names, fmt.Sprintf("%q", t.Pattern))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "no live data on " + strings.Join(names, ", ")
}
