package group_test

import (
	"bytes"
	"context"
	"errors"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"

	"hoistward/alarms/group"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
	"hoistward/ingest/jetstream/servers"
	"hoistward/ingest/payload"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

// cluster is real servers on loopback addresses.
type cluster struct {
	t     *testing.T
	nodes []servers.Node
	run   []*servers.Server
	urls  string
}

func startCluster(t *testing.T, n int) *cluster {
	t.Helper()
	c := &cluster{t: t}
	var err error
	if c.nodes, err = servers.Write(t.TempDir(), n); err != nil {
		t.Fatal(err)
	}
	started := make(chan error, n)
	c.run = make([]*servers.Server, n)
	for i, node := range c.nodes {
		go func() {
			var err error
			c.run[i], err = servers.Start(node.File)
			started <- err
		}()
		c.urls += node.URL + ","
	}
	for range n {
		if err := <-started; err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		for i := range c.run {
			c.stop(i)
		}
	})
	return c
}

func (c *cluster) stop(i int) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := c.run[i].Stop(ctx); err != nil {
		c.t.Error(err)
	}
}

func (c *cluster) until(what string, ok func() bool) {
	c.t.Helper()
	for end := time.Now().Add(40 * time.Second); !ok(); {
		if time.Now().After(end) {
			c.t.Fatalf("40 s and not yet: %s", what)
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

func (c *cluster) sizes() jetstream.Options {
	return jetstream.Options{Replicas: len(c.nodes), MaxAge: time.Hour, MaxBytes: 64 << 20, JournalBytes: 16 << 20}
}

func (c *cluster) open(nc *nats.Conn, o jetstream.Options) *jetstream.Store {
	c.t.Helper()
	var s *jetstream.Store
	var err error
	c.until("the store is there", func() bool {
		try, cancel := context.WithTimeout(c.t.Context(), 5*time.Second)
		defer cancel()
		s, err = jetstream.Open(try, nc, o)
		if errors.Is(err, jetstream.ErrSettings) {
			c.t.Fatal(err)
		}
		return err == nil
	})
	return s
}

// settings are those of a group that watches rigs named so, each an R1.
func settings(t testing.TB, rigs ...string) group.Settings {
	t.Helper()
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	s := group.Settings{Software: "test", Open: configs.OpenRig, Sessions: map[string]ingest.Session{}, Decoder: func() (watch.Decoder, error) {
		form := ingest.OwnForm()
		return payload.NewJSON(&form)
	}}
	for _, name := range rigs {
		own, err := configs.Set(text, "rig", name)
		if err != nil {
			t.Fatal(err)
		}
		s.Sessions[name] = ingest.Session{Software: "test", RigFile: string(own), KeepsLog: true}
	}
	return s
}

// running is a member in a test.
type running struct {
	*group.Member
	stop func()
	err  chan error
}

func (c *cluster) member(name string, s group.Settings, change func(*group.Options)) *running {
	c.t.Helper()
	nc := c.dial()
	o := group.Options{Name: name, Settings: s, Store: c.open(nc, c.sizes()), Conn: nc,
		Told: func(what string, err error) { c.t.Logf("%s: %s: %v", name, what, err) }}
	if change != nil {
		change(&o)
	}
	m := group.New(o)
	ctx, cancel := context.WithCancel(c.t.Context())
	r := &running{Member: m, err: make(chan error, 1)}
	go func() { r.err <- m.Run(ctx) }()
	stopped := false
	r.stop = func() {
		if !stopped {
			stopped = true
			cancel()
			if err := <-r.err; err != nil {
				c.t.Errorf("%s: %v", name, err)
			}
		}
	}
	c.t.Cleanup(r.stop)
	return r
}

// sameJournal holds every partition's journal against a replay of the log.
func (c *cluster) sameJournal(s *jetstream.Store, set group.Settings) (lines int) {
	c.t.Helper()
	for n := range jetstream.Partitions {
		var got []byte
		if err := s.Lines(c.t.Context(), n, func(b []byte) error { got = append(got, b...); return nil }); err != nil {
			c.t.Fatal(err)
		}
		j, err := s.Claim(c.t.Context(), n)
		if err != nil {
			c.t.Fatal(err)
		}
		want, err := group.Replay(c.t.Context(), s, &set, n, j.Written())
		if err != nil {
			c.t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			c.t.Errorf("partition %d: the journal is\n%s\nan uninterrupted replay gives\n%s", n, got, want)
		}
		lines += bytes.Count(got, []byte("\n"))
	}
	return lines
}

// sender sends simulated readings by MQTT, and remembers what was answered.
type sender struct {
	client mqtt.Client
	sent   map[string]int // answered, by rig
}

func (c *cluster) sender() *sender {
	c.t.Helper()
	o := mqtt.NewClientOptions().SetClientID("rigs").SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond)
	for _, n := range c.nodes {
		o.AddBroker(n.MQTT)
	}
	s := &sender{client: mqtt.NewClient(o), sent: map[string]int{}}
	if tok := s.client.Connect(); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		c.t.Fatal("MQTT: ", tok.Error())
	}
	c.t.Cleanup(func() { s.client.Disconnect(100) })
	return s
}

// play sends a scenario's readings for a time, to all rigs at once.
func (c *cluster) play(s *sender, scenario string, length time.Duration, rigs ...string) {
	c.t.Helper()
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		c.t.Fatal(err)
	}
	sc, err := simulator.LoadScenario(scenario)
	if err != nil {
		c.t.Fatal(err)
	}
	type sent struct {
		rig string
		tok mqtt.Token
	}
	var all []sent
	begin := time.Now()
	run, err := simulator.New(rig, sc, 3)
	if err != nil {
		c.t.Fatal(err)
	}
	run.Start(begin)
	var sample ingest.Sample
	var truth simulator.Truth
	for run.Next(&sample, &truth) && sample.Time.Sub(begin) < length {
		time.Sleep(time.Until(sample.Time))
		text := publish.Append(nil, &sample)
		for _, name := range rigs {
			all = append(all, sent{name, s.client.Publish("hoist/"+name+"/readings", 1, false, text)})
		}
	}
	for _, x := range all {
		if x.tok.WaitTimeout(20*time.Second) && x.tok.Error() == nil {
			s.sent[x.rig]++
		}
	}
}
