package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/zap"

	"hoistward/ingest"
	"hoistward/ingest/mqtt/broker"
	"hoistward/ingest/payload"
)

func TestRefusedSubscriptionIsAStateOfItsOwn(t *testing.T) {
	b, err := broker.Start(t.Context(), t.TempDir(), zap.NewNop(), func(o *server.Options) {
		o.Users = []*server.User{{Username: "u", Password: "p", Permissions: &server.Permissions{
			Subscribe: &server.SubjectPermission{Deny: []string{"denied.>"}},
		}}}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop(context.Background())
	password := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(password, []byte("p\r\nnot this\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	with := func(topic string) func(*Options) {
		return func(o *Options) { o.User, o.PasswordFile, o.Topics = "u", password, Topics(topic) }
	}
	denied, ok := open(t, b.URL(), with("denied/{rig}/x")), open(t, b.URL(), with("ok/{rig}/x"))
	denied.reaches(t, Refused)
	if d := denied.Status().Detail; !strings.Contains(d, `"denied/+/x"`) {
		t.Errorf("got %q, want the topic named", d)
	}
	if denied.Status().State.Open() {
		t.Error("a refused source counts as open")
	}
	ok.reaches(t, Subscribed)
	if err := ok.Publish("ok/A7/x", 1, false, nil); err != nil {
		t.Error(err)
	}
	ok.take(t)
	wrong := open(t, b.URL(), func(o *Options) { o.User, o.Topics = "u", Topics("ok/{rig}/x") })
	within(t, 10*time.Second, "wrong password is told", func() bool { return strings.Contains(wrong.Status().Detail, "wrong user or password") })
	if s := wrong.Status(); s.State != NeverConnected {
		t.Errorf("wrong password: got %v", s)
	}
}

func TestRefusedSubscriptionIsTriedAgain(t *testing.T) {
	s := newStub(t, 0x80, 0x80, 1)
	w := open(t, s.url(), nil)
	w.reaches(t, Refused)
	w.reaches(t, Subscribed)
	if n := w.Stats().Connects; n != 1 {
		t.Errorf("%d links, want the one kept", n)
	}
}

func TestLesserQoSIsTold(t *testing.T) {
	w := open(t, newStub(t, 0).url(), nil)
	w.reaches(t, Subscribed)
	if d := w.Status().Detail; d != "QoS 0 granted, 1 asked for" {
		t.Errorf("got %q", d)
	}
}

func TestPulledCableIsSeen(t *testing.T) {
	b := embedded(t)
	v, url := newValve(t, strings.TrimPrefix(b.url(), "tcp://"))
	w := open(t, url, func(o *Options) { o.KeepAlive = 2 * time.Second })
	w.reaches(t, Subscribed)
	v.close()
	began := time.Now()
	within(t, 15*time.Second, "lost", func() bool { return w.count(Lost) > 0 })
	// Keep alive 2 s, half of it for the answer, and paho's look once a second.
	if took := time.Since(began); took > 6*time.Second {
		t.Errorf("told after %v, want within 6 s", took)
	}
}

func TestPublishIntoAPulledCableEndsInTime(t *testing.T) {
	b := embedded(t)
	v, url := newValve(t, strings.TrimPrefix(b.url(), "tcp://"))
	w := open(t, url, func(o *Options) { o.PublishTimeout = 300 * time.Millisecond })
	w.reaches(t, Subscribed)
	v.close()
	began := time.Now()
	err := w.Publish(topicA, 1, false, []byte("x"))
	if took := time.Since(began); !errors.Is(err, ErrNotDelivered) || took > 2*time.Second {
		t.Errorf("got %v after %v, want not delivered after 300 ms", err, took)
	}
}

// An answer that never comes holds nobody up beyond the client's own end.
func TestPublishEndsWithTheClient(t *testing.T) {
	b := embedded(t)
	v, url := newValve(t, strings.TrimPrefix(b.url(), "tcp://"))
	w := open(t, url, func(o *Options) { o.PublishTimeout = time.Hour })
	w.reaches(t, Subscribed)
	v.close()
	wait := w.Begin(topicA, 1, false, []byte("x"))
	said := make(chan error, 1)
	go func() { said <- wait() }()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := w.Close(ctx); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-said:
		if !errors.Is(err, ErrNotDelivered) {
			t.Errorf("got %v, want not delivered", err)
		}
	case <-ctx.Done():
		t.Error("it waits on, a minute after the client's end")
	}
}

// monitor decodes and gathers what a client takes, as the program does.
type monitor struct {
	w        *watched
	json     *payload.JSON
	gather   ingest.Assembler
	counters ingest.Counters
	frames   int
}

func newMonitor(t testing.TB, w *watched) *monitor {
	m := ingest.OwnForm()
	d, err := payload.NewJSON(&m)
	if err != nil {
		t.Fatal(err)
	}
	return &monitor{w: w, json: d}
}

func (m *monitor) step(t testing.TB) {
	t.Helper()
	msg := m.w.take(t)
	reject := func(rig string, r ingest.Reject, what string) { m.counters.Add(rig, r, what) }
	m.json.Decode(&ingest.Message{Rig: msg.Rig, Payload: msg.Payload, Received: msg.Received}, ingest.SinkFuncs{
		OnSample: func(rig string, s *ingest.Sample) {
			f, r := m.gather.Add(s, msg.Received)
			if r != ingest.Used {
				reject(rig, r, s.Time.String())
			}
			if f != nil {
				m.frames++
			}
		},
		OnReject: reject,
	})
}

func reading(at time.Time, v float64) string {
	return fmt.Sprintf(`{"t":%q,"hook_load":%g}`, at.UTC().Format(time.RFC3339Nano), v)
}

func TestSampleSentAgainCountsOnce(t *testing.T) {
	s := newStub(t, 1)
	w := open(t, s.url(), nil)
	w.reaches(t, Subscribed)
	m := newMonitor(t, w)
	at := time.Now()
	s.deliver(topicA, reading(at, 1), false)
	s.deliver(topicA, reading(at, 1), true)
	m.step(t)
	m.step(t)
	if m.frames != 1 || m.counters.Total("A7", ingest.RejectRepeatedTime) != 1 {
		t.Errorf("sent twice: %d frames, %v, want one frame and one repeated time", m.frames, m.counters.Snapshot())
	}
	// Marked as sent again, but the first never came.
	s.deliver(topicA, reading(at.Add(time.Second), 2), true)
	m.step(t)
	if m.frames != 2 || m.gather.Last().Values[ingest.HookLoad].Value.V != 2 {
		t.Errorf("marked as sent again alone: %d frames, want it used", m.frames)
	}
	if n := w.Stats().Duplicates; n != 2 {
		t.Errorf("%d counted as sent again, want 2", n)
	}
	within(t, 5*time.Second, "all three acknowledged", func() bool { return s.acked() == 3 })
}

func TestBadPayloadsDoNotStopTheInput(t *testing.T) {
	brokers(t, func(t *testing.T, b *aBroker) {
		w := open(t, b.url(), nil)
		w.reaches(t, Subscribed)
		m := newMonitor(t, w)
		send := sender(t, b.url())
		send(topicA, 1, false, "x")
		m.step(t)
		before := runtime.NumGoroutine()
		for i := range 1999 {
			send(topicA, 0, false, fmt.Sprint("{", i))
		}
		for range 1999 {
			m.step(t)
		}
		send(topicA, 1, false, "")
		send(topicA, 1, false, `{"t":"2026-11-24T12:00:00Z","mud":1}`)
		send(topicA, 1, false, reading(time.Now(), 1471e3))
		for range 3 {
			m.step(t)
		}
		for r, want := range map[ingest.Reject]uint64{ingest.RejectBrokenJSON: 2000, ingest.RejectEmpty: 1, ingest.RejectNoChannel: 1} {
			if n := m.counters.Total("A7", r); n != want {
				t.Errorf("%d counted as %v, want %d", n, r, want)
			}
		}
		if m.frames != 1 || m.gather.Last().Values[ingest.HookLoad].Value.V != 1471e3 {
			t.Errorf("%d frames, want the good one", m.frames)
		}
		if after := runtime.NumGoroutine(); after > before {
			t.Errorf("%d goroutines, %d before", after, before)
		}
	})
}

// A topic with a space makes the embedded broker close the link, and a QoS 1
// message comes again with each new one.
func TestTopicThatABrokerChokesOnIsNeverSent(t *testing.T) {
	b := embedded(t)
	w := open(t, b.url(), nil)
	w.reaches(t, Subscribed)
	for _, topic := range []string{"hoist/Hook Load/readings", "hoist/+/readings", "hoist/#", "hoist//x", "", "a\x00b", "\xff", strings.Repeat("x", 65536)} {
		if err := w.Publish(topic, 1, false, nil); !errors.Is(err, ErrNotDelivered) {
			t.Errorf("%.20q: got %v, want it refused", topic, err)
		}
	}
	if err := w.Publish(topicA, 1, false, nil); err != nil {
		t.Error(err)
	}
	w.take(t)
	if n := w.Stats().Losses; n != 0 {
		t.Errorf("%d links lost", n)
	}
}

func TestTooLargeIsCountedNotDelivered(t *testing.T) {
	b := mosquitto(t)
	w := open(t, b.url(), func(o *Options) { o.MaxPayload = 100 })
	w.reaches(t, Subscribed)
	send := sender(t, b.url())
	send(topicA, 1, false, strings.Repeat("x", 101))
	send(topicA, 1, false, strings.Repeat("y", 100))
	if m := w.take(t); m.Payload[0] != 'y' {
		t.Errorf("got %.10q", m.Payload)
	}
	if s := w.Stats(); s.TooLarge != 1 || s.Received != 2 {
		t.Errorf("got %+v, want 1 too large", s)
	}
}

func TestTwoSourcesSideBySide(t *testing.T) {
	b1, b2 := embedded(t), mosquitto(t)
	w1, w2 := open(t, b1.url(), nil), open(t, b2.url(), func(o *Options) { o.Topics = Topics("field/{rig}/raw") })
	w1.reaches(t, Subscribed)
	w2.reaches(t, Subscribed)
	b1.stop()
	w1.reaches(t, Lost)
	sender(t, b2.url())("field/B2/raw", 1, false, "x")
	if m := w2.take(t); m.Rig != "B2" {
		t.Errorf("got %+v", m)
	}
	if s := w2.Status(); s.State != Subscribed {
		t.Errorf("the other source is %v", s)
	}
}

// The peer takes the link and says nothing, as a wrong port or a hung broker does.
func TestSilentPeerHoldsUpNobody(t *testing.T) {
	before := runtime.NumGoroutine()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	url := "tcp://" + l.Addr().String()
	w := open(t, url, func(o *Options) { o.ConnectTimeout = 200 * time.Millisecond })
	within(t, 5*time.Second, "told", func() bool { return w.Status().Detail != "" })
	if s := w.Status(); s.State != NeverConnected {
		t.Errorf("got %v, want never connected", s)
	}
	w.end(t)
	// Closed in the middle of an attempt.
	w = open(t, url, func(o *Options) { o.ConnectTimeout = 2 * time.Second })
	within(t, 5*time.Second, "started", func() bool { return len(w.states()) > 0 })
	began := time.Now()
	w.end(t)
	if took := time.Since(began); took > time.Second {
		t.Errorf("close took %v in the middle of an attempt, want at once", took)
	}
	within(t, 10*time.Second, "no goroutine left", func() bool { return runtime.NumGoroutine() <= before })
}
