package dashboard

import (
	"errors"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"
	"unicode"

	"hoistward/dashboard/access"
	"hoistward/ingest"

	"github.com/gorilla/websocket"
	"go.uber.org/zap"
)

// client is one page that watches. Only its writer goroutine writes to conn; the
// handler's goroutine only reads.
type client struct {
	conn    *websocket.Conn
	rig     *rigState     // nil: a page of many rigs
	seat    access.Seat   // asked again at each ping; only the writer looks at it
	person  string        // who watches, "" = not said
	address string        // where it comes from, as it is counted
	wake    chan struct{} // holds one: there is a newer snapshot
	pings   chan string   // holds one: what the page's newest ping carried
	gone    chan struct{} // closed when reading has ended
}

// outlet is what a page is sent. newer tells whether there is anything that the page
// has not got yet; send puts it on conn: the newest only, so that nothing waits for a
// slow page.
type outlet interface {
	newer() bool
	send(c *client, now time.Time) error
}

var upgrader = websocket.Upgrader{
	HandshakeTimeout: 5 * time.Second,
	ReadBufferSize:   1 << 10,
	WriteBufferSize:  16 << 10,
	WriteBufferPool:  &sync.Pool{}, // a page holds one only while it is being written to
	// The guard in front of every route has compared Origin with Host.
	CheckOrigin: func(*http.Request) bool { return true },
}

func (s *Server) watch(w http.ResponseWriter, r *http.Request) {
	rig := s.rigOf(r)
	s.attend(w, r, rig, &rigOutlet{rig: rig}, 0)
}

// rigOutlet is one rig's snapshots.
type rigOutlet struct {
	rig  *rigState
	sent *frame
}

func (o *rigOutlet) newer() bool {
	f := o.rig.newest.Load()
	return f != nil && f != o.sent
}

func (o *rigOutlet) send(c *client, now time.Time) error {
	f := o.rig.newest.Load()
	m, err := f.message(now)
	if err != nil {
		return err
	}
	o.sent = f
	return c.put(func() error { return c.conn.WritePreparedMessage(m) })
}

// attend makes a WebSocket of the request and keeps it until the page leaves, takes
// nothing for writeWait, or the server stops. poll is how often out is asked without
// being woken, 0 = never.
func (s *Server) attend(w http.ResponseWriter, r *http.Request, rig *rigState, out outlet, poll time.Duration) {
	address := source(s.peer(r))
	if reason := s.admit(address); reason != "" {
		s.full.Add(1)
		writeError(w, http.StatusServiceUnavailable, reason)
		return
	}
	defer s.running.Done()
	defer s.dismiss(address)
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil { // Upgrade has answered the request
		return
	}
	c := &client{
		conn: conn, rig: rig, seat: seatOf(r), address: address, person: watcher(r),
		wake: make(chan struct{}, 1), pings: make(chan string, 1), gone: make(chan struct{}),
	}
	s.join(c)
	defer s.leave(c)
	s.served.Add(1)
	if rig != nil {
		s.freshen(rig)
	}
	written := make(chan error, 1)
	go func() { written <- s.write(c, out, poll) }()
	ended := c.read()
	close(c.gone)
	if err := <-written; err != nil {
		ended = err
	}
	s.count(c, ended)
}

// admit counts a page in, or says why it is not let in.
func (s *Server) admit(address string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.closed:
		return "the monitor is stopping"
	case s.admitted >= maxClients:
		return "too many pages are open"
	case address != "" && s.sources[address] >= perAddress:
		return "too many pages are open from this address"
	}
	s.admitted++
	s.sources[address]++
	s.running.Add(1)
	return ""
}

func (s *Server) dismiss(address string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.admitted--
	if s.sources[address]--; s.sources[address] <= 0 {
		delete(s.sources, address)
	}
}

// source is the address as pages are counted by: one machine's, a network's /64 where
// it is IPv6, since one machine has all of it. This machine's own is "", which has no
// bound of its own: a proxy here stands for many.
func source(address string) string {
	a, err := netip.ParseAddr(address)
	if err != nil {
		return address
	}
	a = a.Unmap()
	if a.IsLoopback() {
		return ""
	}
	if a.Is6() {
		if p, err := a.WithZone("").Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

// watcher is the name of who watches, as other pages are told it: the account's; where
// there is none, or at a cabin's terminal, the one that the page gives. "" = none.
func watcher(r *http.Request) string {
	name := strings.TrimSpace(r.URL.Query().Get("person"))
	if len([]rune(name)) > ingest.MaxPerson || strings.ContainsFunc(name, func(c rune) bool { return !unicode.IsPrint(c) }) {
		name = ""
	}
	seat := seatOf(r)
	signed, err := sign(seat, name)
	if err != nil { // nobody has said who stands at the terminal
		return seat.Person
	}
	return signed
}

func (s *Server) join(c *client) {
	s.mu.Lock()
	s.clients[c] = struct{}{}
	s.mu.Unlock()
	if c.rig == nil {
		s.fleetPages.Add(1)
	} else {
		c.rig.mu.Lock()
		c.rig.clients[c] = struct{}{}
		c.rig.mu.Unlock()
	}
	s.presence.Add(1)
}

func (s *Server) leave(c *client) {
	s.mu.Lock()
	delete(s.clients, c)
	s.mu.Unlock()
	if c.rig == nil {
		s.fleetPages.Add(-1)
	} else {
		c.rig.mu.Lock()
		delete(c.rig.clients, c)
		c.rig.mu.Unlock()
	}
	s.presence.Add(1)
}

// count says why a page is gone: it did not take or answer in time, or it left.
func (s *Server) count(c *client, ended error) {
	var late net.Error
	if !errors.As(ended, &late) || !late.Timeout() {
		s.lost.Add(1)
		return
	}
	s.slow.Add(1)
	rig := "all"
	if c.rig != nil {
		rig = c.rig.name
	}
	s.opts.Log.Info("page dropped: it does not read", zap.String("rig", rig),
		zap.String("peer", c.conn.RemoteAddr().String()))
}

// read takes pings, pongs and the close from the page. Anything else that it sends is
// too much: acts come by POST.
func (c *client) read() error {
	c.conn.SetReadLimit(maxFrame)
	alive := func(string) error { return c.conn.SetReadDeadline(time.Now().Add(pongWait)) }
	c.conn.SetPongHandler(alive)
	// The library's own handlers would answer from this goroutine.
	c.conn.SetPingHandler(func(data string) error {
		select { // of pings that come faster than they can be answered, the newest is (RFC 6455, 5.5.3)
		case <-c.pings:
		default:
		}
		c.pings <- data // only this goroutine fills it
		return alive("")
	})
	c.conn.SetCloseHandler(func(int, string) error { return nil })
	_ = alive("")
	for {
		if _, _, err := c.conn.NextReader(); err != nil {
			return err
		}
	}
}

// write sends what out has whenever there is something newer, at most perClient a
// second, and pings, until the page is gone, the server stops, or a write fails. It
// closes the connection.
func (s *Server) write(c *client, out outlet, poll time.Duration) error {
	defer c.conn.Close()
	ping := time.NewTicker(pingEvery)
	defer ping.Stop()
	var look <-chan time.Time
	if poll > 0 {
		t := time.NewTicker(poll)
		defer t.Stop()
		look = t.C
	}
	pace := newPace(time.Second / perClient)
	var due <-chan time.Time
	send := func() error {
		due = nil
		if !out.newer() {
			return nil
		}
		if wait := pace.take(time.Now()); wait > 0 {
			due = time.After(wait)
			return nil
		}
		return out.send(c, s.opts.Now())
	}
	err := send()
	for err == nil {
		select {
		case <-c.wake:
			if due == nil {
				err = send()
			}
		case <-look:
			err = send()
		case <-due:
			err = send()
		case <-ping.C:
			if !s.still(c) {
				err = c.control(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.ClosePolicyViolation, "the session is over"))
				c.awaitClose()
				return err
			}
			err = c.control(websocket.PingMessage, nil)
		case data := <-c.pings:
			err = c.control(websocket.PongMessage, []byte(data))
		case <-c.gone:
			return nil
		case <-s.closing:
			err = c.control(websocket.CloseMessage,
				websocket.FormatCloseMessage(websocket.CloseGoingAway, "the monitor is stopping"))
			c.awaitClose()
			return err
		}
	}
	return err
}

func (c *client) control(kind int, text []byte) error {
	return c.put(func() error { return c.conn.WriteMessage(kind, text) })
}

// put writes within writeWait.
func (c *client) put(write func() error) error {
	if err := c.conn.SetWriteDeadline(time.Now().Add(writeWait)); err != nil {
		return err
	}
	return write()
}

// awaitClose gives the peer a moment to answer the close: closing at once could
// reset the connection before the close frame is read.
func (c *client) awaitClose() {
	select {
	case <-c.gone:
	case <-time.After(writeWait):
	}
}

// pace lets one event pass per interval in the long run. An event up to half an
// interval early passes too, so that a source at exactly this rate, with jitter,
// is not held back.
type pace struct {
	interval time.Duration
	next     time.Time
}

func newPace(interval time.Duration) *pace { return &pace{interval: interval} }

// take returns 0 and counts the event, or how long to wait before asking again.
func (p *pace) take(now time.Time) time.Duration {
	if wait := p.next.Sub(now); wait > p.interval/2 {
		return wait - p.interval/2
	}
	if p.next.Before(now) {
		p.next = now
	}
	p.next = p.next.Add(p.interval)
	return 0
}
