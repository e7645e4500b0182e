package dashboard

import (
	"errors"
	"net"
	"net/http"
	"time"

	"hoistward/dashboard/access"

	"github.com/gorilla/websocket"
	"go.uber.org/zap"
)

// client is one page that watches one rig. Only its writer goroutine writes to
// conn; the handler's goroutine only reads.
type client struct {
	conn *websocket.Conn
	rig  *rigState
	seat access.Seat   // asked again at each ping
	wake chan struct{} // holds one: there is a newer snapshot
	gone chan struct{} // closed when reading has ended
}

var upgrader = websocket.Upgrader{
	HandshakeTimeout: 5 * time.Second,
	ReadBufferSize:   1 << 10,
	WriteBufferSize:  16 << 10,
	// The guard in front of every route has compared Origin with Host.
	CheckOrigin: func(*http.Request) bool { return true },
}

func (s *Server) watch(w http.ResponseWriter, r *http.Request) {
	rig := s.rigOf(r)
	if !s.admit() {
		s.full.Add(1)
		writeError(w, http.StatusServiceUnavailable, "too many pages are open, or the monitor is stopping")
		return
	}
	defer s.running.Done()
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil { // Upgrade has answered the request
		return
	}
	c := &client{conn: conn, rig: rig, seat: seatOf(r), wake: make(chan struct{}, 1), gone: make(chan struct{})}
	if tcp, ok := conn.NetConn().(*net.TCPConn); ok {
		_ = tcp.SetWriteBuffer(socketBuffer) // smaller is only better, never needed
	}
	s.mu.Lock()
	s.clients[c] = struct{}{}
	rig.pages++
	s.mu.Unlock()
	s.served.Add(1)
	s.freshen(rig)

	written := make(chan error, 1)
	go func() { written <- s.write(c) }()
	ended := c.read()
	close(c.gone)
	if err := <-written; err != nil {
		ended = err
	}
	s.count(c, ended)
	s.mu.Lock()
	delete(s.clients, c)
	rig.pages--
	s.mu.Unlock()
}

// admit counts a page in, unless the server is full or stopping.
func (s *Server) admit() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || len(s.clients) >= maxClients {
		return false
	}
	s.running.Add(1)
	return true
}

// count says why a page is gone: it did not take or answer in time, or it left.
func (s *Server) count(c *client, ended error) {
	var late net.Error
	if !errors.As(ended, &late) || !late.Timeout() {
		s.lost.Add(1)
		return
	}
	s.slow.Add(1)
	s.opts.Log.Info("page dropped: it does not read", zap.String("rig", c.rig.name),
		zap.String("peer", c.conn.RemoteAddr().String()))
}

// read takes pongs and the close from the page. Anything else that it sends is
// too much: acts come by POST.
func (c *client) read() error {
	c.conn.SetReadLimit(maxFrame)
	alive := func(string) error { return c.conn.SetReadDeadline(time.Now().Add(pongWait)) }
	c.conn.SetPongHandler(alive)
	// The library's own handlers would answer from this goroutine.
	c.conn.SetPingHandler(func(string) error { return nil })
	c.conn.SetCloseHandler(func(int, string) error { return nil })
	_ = alive("")
	for {
		if _, _, err := c.conn.NextReader(); err != nil {
			return err
		}
	}
}

// write sends the newest snapshot whenever there is a newer one, at most
// perClient a second, and pings, until the page is gone, the server stops, or a
// write fails. It closes the connection.
func (s *Server) write(c *client) error {
	defer c.conn.Close()
	ping := time.NewTicker(pingEvery)
	defer ping.Stop()
	pace := newPace(time.Second / perClient)
	var sent *frame
	var due <-chan time.Time
	send := func() error {
		due = nil
		f := c.rig.newest.Load()
		if f == nil || f == sent {
			return nil
		}
		if wait := pace.take(time.Now()); wait > 0 {
			due = time.After(wait)
			return nil
		}
		sent = f
		return c.put(websocket.TextMessage, f.text(s.opts.Now()))
	}
	err := send()
	for err == nil {
		select {
		case <-c.wake:
			if due == nil {
				err = send()
			}
		case <-due:
			err = send()
		case <-ping.C:
			if !s.still(c.seat, c.rig.name) {
				err = c.put(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.ClosePolicyViolation, "the session is over"))
				c.awaitClose()
				return err
			}
			err = c.put(websocket.PingMessage, nil)
		case <-c.gone:
			return nil
		case <-s.closing:
			err = c.put(websocket.CloseMessage,
				websocket.FormatCloseMessage(websocket.CloseGoingAway, "the monitor is stopping"))
			c.awaitClose()
			return err
		}
	}
	return err
}

func (c *client) put(kind int, text []byte) error {
	if err := c.conn.SetWriteDeadline(time.Now().Add(writeWait)); err != nil {
		return err
	}
	return c.conn.WriteMessage(kind, text)
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
