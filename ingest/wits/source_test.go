package wits

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"hoistward/ingest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// watched is a source with all that it told.
type watched struct {
	*Source
	mu     sync.Mutex
	states []Status
}

func open(t testing.TB, o SourceOptions) *watched {
	t.Helper()
	w := &watched{}
	o.Rig = "R1"
	o.OnStatus = func(s Status) {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.states = append(w.states, s)
	}
	orDefault(&o.RetryMin, 10*time.Millisecond)
	orDefault(&o.RetryMax, 50*time.Millisecond)
	orDefault(&o.QuietAfter, 5*time.Second)
	s, err := NewSource(o)
	if err != nil {
		t.Fatal(err)
	}
	w.Source = s
	s.Start()
	t.Cleanup(func() { w.close(t) })
	return w
}

func (w *watched) close(t testing.TB) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := w.Close(ctx); err != nil {
		t.Error(err)
	}
}

// take returns the next message.
func (w *watched) take(t testing.TB) Message {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	m, err := w.Next(ctx)
	if err != nil {
		t.Fatalf("no message: %v; status %v, %+v", err, w.Status(), w.Stats())
	}
	return m
}

func within(t testing.TB, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !holds(); {
		if time.Now().After(end) {
			t.Fatalf("waited 10 s for: %s", what)
		}
		time.Sleep(time.Millisecond)
	}
}

func (w *watched) reaches(t testing.TB, s State) {
	t.Helper()
	within(t, fmt.Sprintf("the state %v, now %+v", s, w.Status()), func() bool { return w.Status().State == s })
}

// told tells whether a state was told, with words in its detail.
func (w *watched) told(s State, words string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.ContainsFunc(w.states, func(x Status) bool { return x.State == s && strings.Contains(x.Detail, words) })
}

// sender is the other end of a connection.
type sender struct {
	t testing.TB
	net.Conn
}

func (s sender) say(text string) {
	s.t.Helper()
	if _, err := s.Write([]byte(text)); err != nil {
		s.t.Fatal(err)
	}
}

func listener(t testing.TB, at string) net.Listener {
	t.Helper()
	ln, err := net.Listen("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ln.Close() })
	return ln
}

func accept(t testing.TB, ln net.Listener) sender {
	t.Helper()
	if err := ln.(*net.TCPListener).SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	c, err := ln.Accept()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return sender{t, c}
}

// call connects to a source that listens.
func call(t testing.TB, w *watched) sender {
	t.Helper()
	within(t, "an address", func() bool { return w.Addr() != nil })
	c, err := net.Dial("tcp", w.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return sender{t, c}
}

const whole = "&&\r\n011485.2\r\n!!\r\n"

func TestClientTakesFramesAndComesBack(t *testing.T) {
	ln := listener(t, "127.0.0.1:0")
	w := open(t, SourceOptions{Connect: ln.Addr().String()})
	first := accept(t, ln)
	w.reaches(t, Connected)
	first.say(whole[:9])
	first.say(whole[9:])
	m := w.take(t)
	if string(m.Payload) != whole || m.Rig != "R1" || m.Reject != ingest.Used || time.Since(m.Received) > time.Minute {
		t.Errorf("got %+v, want the frame of R1", m)
	}
	w.reaches(t, Receiving)

	first.say("&&\r\n011486\r\n0112") // a half frame, and the sender dies
	first.Close()
	if m := w.take(t); m.Reject != ingest.RejectBrokenFrame || !strings.Contains(string(m.Payload), "ended inside a frame") {
		t.Errorf("got %+v, want a broken frame told", m)
	}
	second := accept(t, ln)
	if !w.told(Lost, "closed by the sender") {
		t.Errorf("the loss was not told: %v", w.states)
	}
	second.say("31.2\r\n!!\r\n" + whole) // the other half of some frame
	if m := w.take(t); m.Reject != ingest.RejectBrokenFrame {
		t.Errorf("got %+v, want the half frame told", m)
	}
	if m := w.take(t); string(m.Payload) != whole {
		t.Errorf("got %q, want the whole frame", m.Payload)
	}
	if n := w.Stats(); n.Received != 2 || n.Broken != 2 || n.Connects != 2 || n.Losses != 1 {
		t.Errorf("got %+v", n)
	}
}

func TestClientWaitsForASenderThatIsNotThere(t *testing.T) {
	ln := listener(t, "127.0.0.1:0")
	at := ln.Addr().String()
	ln.Close()
	w := open(t, SourceOptions{Connect: at})
	within(t, "why there is no connection", func() bool { return strings.Contains(w.Status().Detail, "refused") })
	if s := w.Status().State; s != NeverConnected {
		t.Errorf("got %v, want never connected", s)
	}
	accept(t, listener(t, at)).say(whole)
	w.take(t)
	w.reaches(t, Receiving)
}

func TestSilenceIsToldAndAHungSenderIsGivenUp(t *testing.T) {
	ln := listener(t, "127.0.0.1:0")
	w := open(t, SourceOptions{Connect: ln.Addr().String(), QuietAfter: 20 * time.Millisecond, IdleAfter: 300 * time.Millisecond})
	c := accept(t, ln)
	c.say(whole)
	w.take(t)
	within(t, "quiet", func() bool { return w.told(Quiet, "no whole frame for 20ms") })
	for range 5 { // bytes alone are no frames
		c.say("0114")
	}
	again := accept(t, ln)
	if !w.told(Lost, "no byte for 300ms") {
		t.Errorf("got %v, want the hung sender given up", w.states)
	}
	again.say(whole)
	for m := w.take(t); m.Reject != ingest.Used; m = w.take(t) {
	}
}

func TestServerWaitsForTheSenderAndLetsItComeBack(t *testing.T) {
	w := open(t, SourceOptions{Listen: "127.0.0.1:0"})
	c := call(t, w)
	if !w.told(NeverConnected, "waiting for a sender on 127.0.0.1:") {
		t.Errorf("got %v, want that it waits", w.states)
	}
	c.say(whole + "&&\r\n0114")
	w.take(t)
	// The sender lost its link without our knowing, and calls again.
	again := call(t, w)
	again.say("86\r\n!!\r\n" + whole)
	if m := w.take(t); m.Reject != ingest.RejectBrokenFrame || !strings.Contains(string(m.Payload), "outside of a frame") {
		t.Errorf("got %q, want the half frame of the new connection told", m.Payload)
	}
	if m := w.take(t); string(m.Payload) != whole {
		t.Errorf("got %q, want the frame of the new connection", m.Payload)
	}
	if n, err := c.Read(make([]byte, 1)); err == nil {
		t.Errorf("the old connection gave %d bytes, want it closed", n)
	}
	within(t, "the replacement told", func() bool { return w.told(Receiving, "two senders?") })
	if n := w.Stats(); n.Replaced != 1 || n.Received != 2 {
		t.Errorf("got %+v", n)
	}
}

func TestServerRefusesWhoIsNotAllowed(t *testing.T) {
	w := open(t, SourceOptions{Listen: "127.0.0.1:0", Allow: []netip.Prefix{netip.MustParsePrefix("127.0.0.2/32")}})
	c := call(t, w)
	if _, err := c.Read(make([]byte, 1)); err == nil {
		t.Error("the peer was not closed")
	}
	within(t, "the refusal told", func() bool { return w.told(NeverConnected, "127.0.0.1:") && w.told(NeverConnected, "not allowed") })
	if n := w.Stats(); n.Refused != 1 || n.Connects != 0 {
		t.Errorf("got %+v", n)
	}
	from := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}}
	good, err := from.Dial("tcp", w.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer good.Close()
	sender{t, good}.say(whole)
	w.take(t)
}

func TestServerWaitsForAPortThatIsTaken(t *testing.T) {
	ln := listener(t, "127.0.0.1:0")
	w := open(t, SourceOptions{Listen: ln.Addr().String()})
	within(t, "why it cannot listen", func() bool { return strings.Contains(w.Status().Detail, "in use") })
	ln.Close()
	call(t, w).say(whole)
	w.take(t)
}

// A reader that is behind loses the oldest frames, counted, and the network side
// never waits for it; what is held stays bounded.
func TestAReaderThatIsBehindLosesTheOldest(t *testing.T) {
	w := open(t, SourceOptions{Listen: "127.0.0.1:0", QueueLen: 4})
	c := call(t, w)
	for i := range 100 {
		c.say(fmt.Sprintf("&&\r\n0108%d\r\n!!\r\n", i))
	}
	within(t, "all frames", func() bool { return w.Stats().Received == 100 && w.Stats().Waiting == 4 })
	for i := 96; i < 100; i++ {
		if m := w.take(t); !strings.Contains(string(m.Payload), fmt.Sprintf("0108%d\r\n", i)) {
			t.Errorf("got %q, want frame %d", m.Payload, i)
		}
	}
	if n := w.Stats().Dropped; n != 96 {
		t.Errorf("got %d dropped, want 96", n)
	}
}

func TestCloseEndsEverything(t *testing.T) {
	for _, o := range []SourceOptions{{Listen: "127.0.0.1:0"}, {Connect: "127.0.0.1:1"}} {
		w := open(t, o)
		if o.Listen != "" {
			call(t, w).say(whole)
			within(t, "a frame", func() bool { return w.Stats().Waiting == 1 })
		}
		w.close(t)
		if o.Listen != "" {
			w.take(t) // what was taken before
		}
		if _, err := w.Next(t.Context()); err != ErrClosed {
			t.Errorf("got %v, want ErrClosed", err)
		}
		if s := w.Status().State; s != Closed {
			t.Errorf("got %v, want closed", s)
		}
	}
	s, err := NewSource(SourceOptions{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil { // never started
		t.Error(err)
	}
	s.Start()
	if _, err := s.Next(t.Context()); err != ErrClosed {
		t.Errorf("got %v, want ErrClosed", err)
	}
}

func TestOptionsThatCannotWork(t *testing.T) {
	for _, o := range []SourceOptions{
		{}, {Connect: "a:1", Listen: "b:2"}, {Connect: "host"}, {Connect: ":5000"}, {Connect: "host:0"}, {Connect: "host:70000"},
		{Listen: "host:x"}, {Connect: "h:1", QueueLen: -1}, {Connect: "h:1", QuietAfter: -1}, {Connect: "h:1", RetryMin: time.Minute},
	} {
		if _, err := NewSource(o); err == nil {
			t.Errorf("%+v: no error", o)
		}
	}
}
