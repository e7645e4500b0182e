package mqtt

import (
	"bytes"
	"net"
	"net/url"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A thousand messages that have come are read with a few reads of the network, not
// with three for each.
func TestMessagesAreReadAhead(t *testing.T) {
	var flow bytes.Buffer
	const messages = 1000
	for range messages {
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.TopicName, p.Payload = "hoist/R1/readings", []byte(`{"hook_load":1471.0}`)
		if err := p.Write(&flow); err != nil {
			t.Fatal(err)
		}
	}
	size := flow.Len()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	sent := make(chan error, 1)
	go func() {
		conn, err := ln.Accept()
		if err == nil {
			_, err = conn.Write(flow.Bytes())
		}
		sent <- err // the connection stays open
	}()
	o := paho.NewClientOptions().AddBroker("tcp://" + ln.Addr().String())
	readAheadOf(o)
	u := &url.URL{Scheme: "tcp", Host: ln.Addr().String()}
	conn, err := o.CustomOpenConnectionFn(u, *o)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := <-sent; err != nil {
		t.Fatal(err)
	}
	if err := conn.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	under := &counted{Conn: conn.(*buffered).Conn}
	conn.(*buffered).ahead.Reset(under)
	for range messages {
		if _, err := packets.ReadPacket(conn); err != nil {
			t.Fatal(err)
		}
	}
	// The kernel may hand out less than is asked for: half of the buffer is the least here.
	if most := 2*size/readAhead + 10; under.reads > most {
		t.Errorf("%d messages, %d bytes, took %d reads of the network, want at most %d", messages, size, under.reads, most)
	}
}

type counted struct {
	net.Conn
	reads int
}

func (c *counted) Read(p []byte) (int, error) {
	c.reads++
	return c.Conn.Read(p)
}
