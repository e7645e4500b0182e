package mqtt

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"
)

const topicA = "hoist/A7/readings"

func TestMessagesCarryRigAndMarks(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		send := sender(t, b.url())
		send("hoist/Old/readings", 1, true, "kept")
		began := time.Now()
		w := open(t, b.url(), nil)
		w.reaches(t, Subscribed)
		m := w.take(t)
		if !m.Retained || m.Rig != "Old" || string(m.Payload) != "kept" {
			t.Errorf("got %+v, want the retained message of rig Old, marked", m)
		}
		if live := w.Stats().LastLive; !live.IsZero() {
			t.Errorf("a retained message counts as live data, at %v", live)
		}
		send(topicA, 0, false, "now")
		m = w.take(t)
		if m.Retained || m.Rig != "A7" || m.Topic != topicA || string(m.Payload) != "now" {
			t.Errorf("got %+v, want the live message of rig A7", m)
		}
		if m.Received.Before(began) || time.Since(m.Received) > time.Minute || m.Received.Location() != time.UTC {
			t.Errorf("received at %v, want now in UTC", m.Received)
		}
		if s := w.Stats(); s.Received != 2 || s.Retained != 1 || s.LastLive.IsZero() {
			t.Errorf("got %+v, want 2 received, 1 of them retained", s)
		}
	})
}

func TestSubscribesAgainAfterEachLostLink(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		w := open(t, b.url(), nil)
		w.reaches(t, Subscribed)
		for range 2 {
			b.stop()
			w.reaches(t, Lost)
			b.start()
			w.reaches(t, Subscribed)
		}
		send := sender(t, b.url())
		for i := range 10 {
			send(topicA, 1, false, fmt.Sprint(i))
		}
		for i := range 10 {
			if m := w.take(t); string(m.Payload) != fmt.Sprint(i) {
				t.Fatalf("message %d is %q", i, m.Payload)
			}
		}
		if s := w.Stats(); s.Connects != 3 || s.Losses != 2 {
			t.Errorf("got %d links and %d losses, want 3 and 2", s.Connects, s.Losses)
		}
	})
}

func TestReaderThatStopsNeverHoldsUpTheLink(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, b *aBroker) {
		t.Parallel()
		w := open(t, b.url(), func(o *Options) { o.QueueLen, o.KeepAlive = 50, 2*time.Second })
		w.reaches(t, Subscribed)
		send := sender(t, b.url())
		for i := range 200 {
			send(topicA, 1, false, fmt.Sprint(i))
		}
		within(t, 10*time.Second, "200 received", func() bool { return w.Stats().Received == 200 })
		// Two keep-alives and more with nobody reading: the pings must be answered.
		until := time.Now().Add(5 * time.Second)
		within(t, 10*time.Second, "5 s pass", func() bool { return time.Now().After(until) })
		if s := w.Status(); !s.State.Open() || w.count(Lost) > 0 {
			t.Errorf("got %v, want the link held", w.states())
		}
		if s := w.Stats(); s.Dropped != 150 || s.Waiting != 50 {
			t.Errorf("got %d dropped and %d waiting, want 150 and 50", s.Dropped, s.Waiting)
		}
		if m := w.take(t); string(m.Payload) != "150" {
			t.Errorf("oldest kept is %q, want 150: the oldest are discarded", m.Payload)
		}
	})
}

func TestBrokerThatStartsLater(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		b.stop()
		w := open(t, b.url(), nil)
		within(t, 10*time.Second, "a failed attempt is told", func() bool { return strings.Contains(w.Status().Detail, "refused") })
		if s := w.Status(); s.State != NeverConnected {
			t.Errorf("got %v, want never connected", s)
		}
		b.start()
		up := time.Now()
		w.reaches(t, Subscribed)
		if took := time.Since(up); took > w.o.RetryMax+w.o.ConnectTimeout {
			t.Errorf("took %v after the broker came, want one pause between attempts", took)
		}
		sender(t, b.url())(topicA, 1, false, "x")
		w.take(t)
	})
}

func TestTwoClientsOfOneIDAreToldAndSlowDown(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, b *aBroker) {
		t.Parallel()
		same := func(o *Options) { o.ClientID, o.RetryMin, o.RetryMax = "twin", 100*time.Millisecond, 10*time.Second }
		w1, w2 := open(t, b.url(), same), open(t, b.url(), same)
		within(t, 30*time.Second, "both say that the id is contested", func() bool {
			return w1.Status().Contested && w2.Status().Contested
		})
		for _, w := range []*watched{w1, w2} {
			if s := w.Status(); !strings.Contains(s.Detail, `duplicate client id "twin"?`) {
				t.Errorf("got %q, want it to ask for a duplicate client id", s.Detail)
			}
			var first time.Time
			for _, s := range w.states() {
				if first.IsZero() && s.State == Lost {
					first = s.Since
				}
			}
			// Three pauses lie between four losses: 100, 200 and 400 ms, less a fifth.
			if took := time.Since(first); took < 560*time.Millisecond {
				t.Errorf("four losses within %v, want growing pauses between them", took)
			}
			if n := w.Stats().Connects; n > 10 {
				t.Errorf("%d links until it was told, want few: the pause grows", n)
			}
		}
	})
}

func TestIDsDifferByDefault(t *testing.T) {
	b := embedded(t)
	w1, w2 := open(t, b.url(), nil), open(t, b.url(), nil)
	if w1.o.ClientID == w2.o.ClientID || len(w1.o.ClientID) > 23 {
		t.Errorf("ids %q and %q, want two of at most 23 bytes", w1.o.ClientID, w2.o.ClientID)
	}
	w1.reaches(t, Subscribed)
	w2.reaches(t, Subscribed)
}

func TestPublishWithoutALinkSaysNotDelivered(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		w := open(t, b.url(), nil)
		w.reaches(t, Subscribed)
		for qos := range byte(3) {
			if err := w.Publish(topicA, qos, false, []byte("x")); err != nil {
				t.Errorf("QoS %d with a link: %v", qos, err)
			}
			w.take(t)
		}
		b.stop()
		w.reaches(t, Lost)
		for qos := range byte(3) {
			began := time.Now()
			err := w.Publish(topicA, qos, false, []byte("x"))
			if !errors.Is(err, ErrNotDelivered) {
				t.Errorf("QoS %d without a link: got %v, want not delivered", qos, err)
			}
			if took := time.Since(began); took > time.Second {
				t.Errorf("QoS %d without a link took %v, want an answer at once", qos, took)
			}
		}
		if n := w.Stats().Undelivered; n != 3 {
			t.Errorf("%d counted as not delivered, want 3", n)
		}
	})
}

func TestRetainedPublishIsThereForALaterReader(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		w := open(t, b.url(), nil)
		w.reaches(t, Subscribed)
		for i := range 3 {
			if err := w.Publish("hoist/A7/alarms", 1, true, []byte(fmt.Sprint(i))); err != nil {
				t.Fatal(err)
			}
		}
		later := open(t, b.url(), func(o *Options) { o.Topics = Topics("hoist/{rig}/alarms") })
		if m := later.take(t); string(m.Payload) != "2" || !m.Retained {
			t.Errorf("got %q, retained %v, want the newest, retained", m.Payload, m.Retained)
		}
	})
}

func TestQuietIsAStateOfItsOwn(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		w := open(t, b.url(), func(o *Options) { o.QuietAfter = 300 * time.Millisecond })
		w.reaches(t, Quiet)
		send := sender(t, b.url())
		send(topicA, 1, false, "x")
		w.take(t)
		within(t, 5*time.Second, "data ends the quiet", func() bool { return w.count(Subscribed) >= 2 })
		w.reaches(t, Quiet)
	})
}

func TestWrongPasswordKeepsTryingAndSaysSo(t *testing.T) {
	b := mosquitto(t, "allow_anonymous false")
	w := open(t, b.url(), nil)
	within(t, 10*time.Second, "the refusal is told", func() bool { return strings.Contains(strings.ToLower(w.Status().Detail), "not authorized") })
	if s := w.Status(); s.State != NeverConnected {
		t.Errorf("got %v, want never connected", s)
	}
}

func TestCloseKeepsWhatWasTaken(t *testing.T) {
	b := embedded(t)
	w := open(t, b.url(), nil)
	w.reaches(t, Subscribed)
	send := sender(t, b.url())
	for i := range 5 {
		send(topicA, 1, false, fmt.Sprint(i))
	}
	within(t, 5*time.Second, "5 received", func() bool { return w.Stats().Received == 5 })
	w.end(t)
	w.end(t)
	for range 5 {
		w.take(t)
	}
	if _, err := w.Next(context.Background()); !errors.Is(err, ErrClosed) {
		t.Errorf("got %v after the last, want closed", err)
	}
	if s := w.Status(); s.State != Closed {
		t.Errorf("got %v, want closed", s)
	}
}

func TestNoGoroutinesStayBehind(t *testing.T) {
	b := embedded(t)
	absent := fmt.Sprintf("tcp://127.0.0.1:%d", freePort(t))
	cycle := func() {
		w := open(t, b.url(), nil)
		w.reaches(t, Subscribed)
		w.end(t)
		open(t, absent, nil).end(t)
	}
	cycle()
	before := runtime.NumGoroutine()
	for range 20 {
		cycle()
	}
	within(t, 10*time.Second, fmt.Sprintf("goroutines back to %d", before), func() bool { return runtime.NumGoroutine() <= before })
}

func TestMosquittoPubIsRead(t *testing.T) {
	b := mosquitto(t)
	w := open(t, b.url(), nil)
	w.reaches(t, Subscribed)
	pub(t, b, topicA, `{"t":"2026-11-24T12:00:00.100Z","hook_load":1471.0}`)
	if m := w.take(t); m.Rig != "A7" || !strings.Contains(string(m.Payload), "1471.0") {
		t.Errorf("got %+v", m)
	}
}
