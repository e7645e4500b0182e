package mqtt

import (
	"io"
	"net"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// stub is the other end of a link, for what a real broker cannot be made to do. It
// answers the subscriptions with the given codes, one after the other, the last
// for all that follow, and the pings unless muted.
type stub struct {
	t     testing.TB
	l     net.Listener
	codes []byte

	mu   sync.Mutex
	conn net.Conn
	acks []uint16
	id   uint16
	subs int
}

func newStub(t testing.TB, codes ...byte) *stub {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &stub{t: t, l: l, codes: codes}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go s.serve(c)
		}
	}()
	return s
}

func (s *stub) url() string { return "tcp://" + s.l.Addr().String() }

func (s *stub) serve(c net.Conn) {
	defer c.Close()
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		s.answer(c, p)
	}
}

func (s *stub) answer(c net.Conn, p packets.ControlPacket) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch p := p.(type) {
	case *packets.ConnectPacket:
		s.conn = c
		packets.NewControlPacket(packets.Connack).Write(c)
	case *packets.SubscribePacket:
		a := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
		a.MessageID = p.MessageID
		a.ReturnCodes = []byte{s.codes[min(s.subs, len(s.codes)-1)]}
		s.subs++
		a.Write(c)
	case *packets.PingreqPacket:
		packets.NewControlPacket(packets.Pingresp).Write(c)
	case *packets.PubackPacket:
		s.acks = append(s.acks, p.MessageID)
	}
}

// deliver sends a QoS 1 message, marked as sent again or not.
func (s *stub) deliver(topic, payload string, again bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	if !again {
		s.id++
	}
	p.TopicName, p.Payload, p.Qos, p.Dup, p.MessageID = topic, []byte(payload), 1, again, s.id
	if err := p.Write(s.conn); err != nil {
		s.t.Error(err)
	}
}

func (s *stub) acked() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.acks)
}

// valve passes a TCP link through until it is shut: then nothing passes and
// nobody is told, as with a cable pulled out.
type valve struct {
	mu   sync.Mutex
	shut bool
}

func newValve(t testing.TB, to string) (*valve, string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	v := &valve{}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			t.Cleanup(func() { in.Close(); out.Close() })
			go v.pass(in, out)
			go v.pass(out, in)
		}
	}()
	return v, "tcp://" + l.Addr().String()
}

func (v *valve) pass(from, to net.Conn) {
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		v.mu.Lock()
		shut := v.shut
		v.mu.Unlock()
		if shut {
			io.Copy(io.Discard, from)
			return
		}
		if _, e := to.Write(buf[:n]); e != nil || err != nil {
			to.Close()
			return
		}
	}
}

func (v *valve) close() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.shut = true
}
