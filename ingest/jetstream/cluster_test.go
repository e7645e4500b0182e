package jetstream_test

import (
	"context"
	"fmt"
	"net"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"hoistward/ingest/jetstream"
)

// cluster is three real servers on loopback addresses.
type cluster struct {
	t       *testing.T
	servers []*server.Server
	urls    string
	mqtt    string
}

func freePorts(t *testing.T, n int) []int {
	t.Helper()
	var ports []int
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports
}

func startCluster(t *testing.T) *cluster {
	t.Helper()
	c := &cluster{t: t}
	ports := freePorts(t, 9)
	routes := server.RoutesFromStr(fmt.Sprintf("nats://127.0.0.1:%d,nats://127.0.0.1:%d,nats://127.0.0.1:%d", ports[3], ports[4], ports[5]))
	for i := range 3 {
		o := &server.Options{
			ServerName: fmt.Sprintf("s%d", i+1), Host: "127.0.0.1", Port: ports[i], NoSigs: true, NoLog: true,
			JetStream: true, StoreDir: t.TempDir(), Routes: routes,
			Cluster: server.ClusterOpts{Name: "centre", Host: "127.0.0.1", Port: ports[3+i]},
			MQTT:    server.MQTTOpts{Host: "127.0.0.1", Port: ports[6+i]},
		}
		s, err := server.NewServer(o)
		if err != nil {
			t.Fatal(err)
		}
		s.Start()
		t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
		c.servers = append(c.servers, s)
		c.urls += fmt.Sprintf("nats://127.0.0.1:%d,", ports[i])
	}
	c.mqtt = fmt.Sprintf("tcp://127.0.0.1:%d", ports[6])
	c.urls = c.urls[:len(c.urls)-1]
	c.until("the servers agree", func() bool {
		for _, s := range c.servers {
			if s.JetStreamIsCurrent() && s.JetStreamIsLeader() && len(s.JetStreamClusterPeers()) == 3 {
				return true
			}
		}
		return false
	})
	return c
}

func (c *cluster) until(what string, ok func() bool) {
	c.t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); {
		if time.Now().After(end) {
			c.t.Fatalf("30 s and not yet: %s", what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func (c *cluster) dial() *nats.Conn {
	c.t.Helper()
	nc, err := nats.Connect(c.urls, nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond))
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(nc.Close)
	return nc
}

var threeTimes = jetstream.Options{Replicas: 3, MaxAge: time.Hour, MaxBytes: 64 << 20, JournalBytes: 16 << 20}

func (c *cluster) open(ctx context.Context, o jetstream.Options) *jetstream.Store {
	c.t.Helper()
	var s *jetstream.Store
	var err error
	nc := c.dial()
	c.until("the store is there", func() bool {
		try, cancel := context.WithTimeout(ctx, 5*time.Second)
		defer cancel()
		s, err = jetstream.Open(try, nc, o)
		return err == nil
	})
	return s
}
