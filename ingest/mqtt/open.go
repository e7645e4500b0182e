package mqtt

import (
	"bufio"
	"crypto/tls"
	"net"
	"net/url"
	"os"
	"slices"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// readAhead is how much is read from the network at once, bytes: some 200 messages of a
// rig.
const readAhead = 32 << 10

// buffered is a connection that is read ahead. Paho asks it for the first byte of a
// packet, for each byte of its length and for the rest one by one, which on a bare
// connection is three system calls a message.
type buffered struct {
	net.Conn
	ahead *bufio.Reader
}

func (b *buffered) Read(p []byte) (int, error) { return b.ahead.Read(p) }

// readAheadOf makes paho's connections buffered ones. Those through a proxy, and
// WebSockets, which read ahead of themselves, stay paho's own.
func readAheadOf(p *paho.ClientOptions) {
	for _, name := range []string{"all_proxy", "ALL_PROXY"} {
		if os.Getenv(name) != "" {
			return
		}
	}
	for _, u := range p.Servers {
		if u.Scheme == "ws" || u.Scheme == "wss" {
			return
		}
	}
	p.SetCustomOpenConnectionFn(dialAhead)
}

// dialAhead connects to a broker by its address, encrypted where that says so.
func dialAhead(u *url.URL, o paho.ClientOptions) (net.Conn, error) {
	var conn net.Conn
	var err error
	if slices.Contains(secureSchemes, u.Scheme) {
		conn, err = tls.DialWithDialer(o.Dialer, "tcp", u.Host, o.TLSConfig)
	} else {
		conn, err = o.Dialer.Dial("tcp", u.Host)
	}
	if err != nil {
		return nil, err
	}
	return &buffered{conn, bufio.NewReaderSize(conn, readAhead)}, nil
}
