package mqtt

import (
	"bytes"
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// A client that others wait for says that it is there and that it goes, and its
// will says so when it dies. A will of an earlier link that comes late is answered.
func TestPresenceIsToldKeptAndTakenBack(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		const topic = "state/monitor"
		var newest atomic.Value
		var first atomic.Int32 // how often "here 1" came
		newest.Store("")
		c := paho.NewClient(paho.NewClientOptions().AddBroker(b.url()).SetClientID("waits"))
		if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
		defer c.Disconnect(0)
		tok := c.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) {
			newest.Store(string(m.Payload()))
			if string(m.Payload()) == "here 1" {
				first.Add(1)
			}
		})
		if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
		is := func(want string) {
			t.Helper()
			within(t, 10*time.Second, "presence to be "+want, func() bool { return newest.Load() == want })
		}
		var links atomic.Int32
		presence := func(o *Options) {
			o.Presence = func(time.Time) Presence {
				n := links.Add(1)
				return Presence{
					Topic: topic, Here: fmt.Appendf(nil, "here %d", n), Gone: fmt.Appendf(nil, "gone %d", n),
					Denies: func(p []byte) bool { return bytes.HasPrefix(p, []byte("gone")) },
				}
			}
		}
		v, through := newValve(t, b.url()[len("tcp://"):])
		w := open(t, through, func(o *Options) { presence(o); o.KeepAlive = 2 * time.Second })
		is("here 1")
		c.Publish(topic, 1, true, "gone 0").Wait() // the will of an earlier link, late
		within(t, 10*time.Second, "the late will to be answered", func() bool { return first.Load() == 2 })
		v.close() // the cable is pulled out: the broker gives up waiting
		is("gone 1")
		end, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		if err := w.Close(end); err != nil {
			t.Fatal(err)
		}

		w = open(t, b.url(), presence)
		want := fmt.Sprintf("here %d", links.Load())
		within(t, 10*time.Second, "here again", func() bool { want = fmt.Sprintf("here %d", links.Load()); return newest.Load() == want })
		if err := w.Close(end); err != nil {
			t.Fatal(err)
		}
		is("gone" + want[len("here"):])
	})
}
