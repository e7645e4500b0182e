package wits

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"sync"
	"time"

	"hoistward/ingest"
)

// dial keeps a connection to the sender.
func (s *Source) dial() {
	dialer := net.Dialer{Timeout: s.o.ConnectTimeout, KeepAliveConfig: s.o.keepAlive()}
	failures := 0
	for s.ctx.Err() == nil {
		conn, err := dialer.DialContext(s.ctx, "tcp", s.o.Connect)
		switch {
		case err != nil:
			s.lacks(err.Error())
		default:
			s.begin(conn)
			if s.serve(conn) {
				failures = 0
			}
		}
		failures++
		s.pause(failures)
	}
}

// listen waits for the sender. The newest connection counts: a sender that lost
// its own is not kept out by the dead one.
func (s *Source) listen() {
	config := net.ListenConfig{KeepAliveConfig: s.o.keepAlive()}
	var all sync.WaitGroup
	defer all.Wait()
	for failures := 0; s.ctx.Err() == nil; s.pause(failures) {
		failures++
		ln, err := config.Listen(s.ctx, "tcp", s.o.Listen)
		if err != nil {
			s.lacks(err.Error())
			continue
		}
		stop := context.AfterFunc(s.ctx, func() { ln.Close() })
		s.mu.Lock()
		s.address = ln.Addr()
		s.mu.Unlock()
		s.lacks("waiting for a sender on " + ln.Addr().String())
		for failures = 0; ; {
			conn, err := ln.Accept()
			if err != nil {
				s.lacks(err.Error())
				break
			}
			if !s.o.allows(conn.RemoteAddr()) {
				conn.Close()
				s.refuse(conn.RemoteAddr())
				continue
			}
			s.begin(conn)
			all.Go(func() { s.serve(conn) })
		}
		stop()
		ln.Close()
	}
}

func (s *Source) refuse(peer net.Addr) {
	s.mu.Lock()
	s.stats.Refused++
	open := s.conn != nil
	s.mu.Unlock()
	if !open {
		s.lacks(fmt.Sprintf("%s is not allowed to connect", peer))
	}
}

// begin makes conn the connection that counts, in place of any older one.
func (s *Source) begin(conn net.Conn) {
	s.mu.Lock()
	now := s.o.Now()
	if old := s.conn; old != nil {
		old.Close()
		s.stats.Replaced++
		s.replaced = now
		s.contest = fmt.Sprintf("a new connection from %s took the place of that from %s: two senders?", conn.RemoteAddr(), old.RemoteAddr())
	}
	s.conn, s.opened, s.newest, s.ever = conn, now, time.Time{}, true
	s.stats.Connects++
	s.mu.Unlock()
	s.judge()
}

// lacks says why there is no connection.
func (s *Source) lacks(why string) {
	s.mu.Lock()
	s.why = why
	s.mu.Unlock()
	s.judge()
}

// serve reads one connection to its end and tells whether a whole frame came.
func (s *Source) serve(conn net.Conn) (good bool) {
	defer conn.Close()
	stop := context.AfterFunc(s.ctx, func() { conn.Close() })
	defer stop()
	err := s.read(conn, &good)
	s.mu.Lock()
	if s.ctx.Err() == nil {
		s.stats.Losses++
	}
	if s.conn == conn {
		s.conn, s.why = nil, fmt.Sprintf("connection with %s: %v", conn.RemoteAddr(), err)
	}
	s.mu.Unlock()
	s.judge()
	return good
}

// read hands the frames of a connection on until it ends.
func (s *Source) read(conn net.Conn, good *bool) error {
	f := NewFramer(func(frame []byte) {
		*good = true
		s.take(conn, frame, ingest.Used)
	}, func(why string, head []byte) {
		s.take(conn, fmt.Appendf(nil, "%s: %q", why, head[:min(len(head), exampleBytes)]), ingest.RejectBrokenFrame)
	})
	defer f.Close()
	buf := make([]byte, 4<<10)
	for {
		if err := conn.SetReadDeadline(time.Now().Add(s.o.IdleAfter)); err != nil {
			return err
		}
		n, err := conn.Read(buf)
		f.Write(buf[:n])
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return fmt.Errorf("no byte for %v", s.o.IdleAfter)
		}
		if errors.Is(err, io.EOF) {
			return errors.New("closed by the sender")
		}
		if err != nil {
			return err
		}
	}
}

// take queues a frame, or what was none.
func (s *Source) take(conn net.Conn, payload []byte, r ingest.Reject) {
	now := s.o.Now()
	s.mu.Lock()
	if r == ingest.Used {
		s.stats.Received++
		if s.conn == conn {
			s.newest = now
		}
	} else {
		s.stats.Broken++
	}
	current := s.conn == conn
	fresh := current && r == ingest.Used && s.status.State != Receiving
	s.mu.Unlock()
	if !current { // of a connection that was given up
		return
	}
	s.offer(Message{Message: ingest.Message{Rig: s.o.Rig, Payload: append([]byte(nil), payload...), Received: now.UTC()}, Reject: r})
	if fresh {
		s.judge()
	}
}

// pause waits before the next attempt: each failure in a row doubles the time. It is
// spread, so that clients that lost one sender do not return as one.
func (s *Source) pause(failures int) {
	d := s.o.RetryMin
	for i := 1; i < failures && d < s.o.RetryMax; i++ {
		d *= 2
	}
	d = time.Duration(float64(min(d, s.o.RetryMax)) * (0.8 + 0.4*rand.Float64()))
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-s.ctx.Done():
	}
}
