package jetstream_test

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
	"hoistward/ingest/payload"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

// member watches R1 by the log, as a process of its own would.
type member struct {
	t       *testing.T
	carrier *watch.Carrier
	decoder *payload.JSON
	rig     *watch.Rig
	text    []byte
}

func newMember(t *testing.T) *member {
	t.Helper()
	c, err := watch.NewCarrier("test")
	if err != nil {
		t.Fatal(err)
	}
	form := ingest.OwnForm()
	d, err := payload.NewJSON(&form)
	if err != nil {
		t.Fatal(err)
	}
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	return &member{t: t, carrier: c, decoder: d, rig: watch.NewRig("R1", configs.OpenRig), text: text}
}

// apply gives what a record of the log leads to, as lines of the journal.
func (m *member) apply(r jetstream.Record) (lines []byte) {
	e := ingest.Entry{Rig: "R1", Seq: r.Seq, Received: r.Received}
	switch r.Kind {
	case jetstream.Opening:
		e.Kind, e.Session = ingest.EntrySession, &ingest.Session{RigFile: string(m.text), KeepsLog: true}
	case jetstream.Tick:
		e.Kind = ingest.EntryTick
	case jetstream.Readings:
		e.Kind = ingest.EntrySample
		m.decoder.Decode(&ingest.Message{Rig: "R1", Payload: r.Payload, Received: r.Received}, ingest.SinkFuncs{
			OnSample: func(_ string, s *ingest.Sample) { e.Sample = *s },
			OnReject: func(_ string, x ingest.Reject, detail string) { m.t.Errorf("record %d: %v %s", r.Seq, x, detail) },
		})
	}
	out, err := m.rig.Apply(&e)
	if err != nil {
		m.t.Errorf("record %d: %v", r.Seq, err)
	}
	for i := range out.Events {
		lines = append(alarms.AppendJSON(lines, &out.Events[i]), '\n')
	}
	return lines
}

var errDead = errors.New("dead")

// watch takes the rig and watches it until it has taken the record until, or dies at die.
func (m *member) watch(ctx context.Context, s *jetstream.Store, until, die uint64) (*jetstream.Journal, error) {
	j, err := s.Claim(ctx, "R1")
	if err != nil {
		return nil, err
	}
	after := uint64(0)
	if j.Snapshot != nil {
		if m.rig, after, err = m.carrier.Restore("R1", configs.OpenRig, m.text, j.Snapshot); err != nil {
			return j, err
		}
	}
	done := errors.New("done")
	if after >= until {
		return j, nil
	}
	err = s.Follow(ctx, "R1", after, func(r jetstream.Record) error {
		lines := m.apply(r)
		if r.Seq >= die {
			return errDead // between what was computed and the journal
		}
		if err := j.Append(ctx, r.Seq, lines); err != nil {
			return err
		}
		if r.Seq%40 == 0 {
			b, err := m.carrier.Snapshot(nil, m.rig, r.Seq)
			if err != nil {
				return err
			}
			if err := j.Keep(ctx, b); err != nil {
				return err
			}
		}
		if r.Seq >= until {
			return done
		}
		return nil
	})
	if errors.Is(err, done) {
		err = nil
	}
	return j, err
}

func readings(t *testing.T, n int) [][]byte {
	t.Helper()
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	run, err := simulator.New(rig, sc, 3)
	if err != nil {
		t.Fatal(err)
	}
	run.Start(time.Now().Add(-52 * time.Second)) // they are sent faster than they were measured, and none comes before its time
	var out [][]byte
	var s ingest.Sample
	var truth simulator.Truth
	for len(out) < n && run.Next(&s, &truth) {
		out = append(out, publish.Append(nil, &s))
	}
	return out
}

func (c *cluster) publishMQTT(topic string, payloads [][]byte) {
	c.t.Helper()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(c.mqtt).SetClientID("rig-one"))
	if tok := client.Connect(); !tok.WaitTimeout(20*time.Second) || tok.Error() != nil {
		c.t.Fatal(tok.Error())
	}
	defer client.Disconnect(100)
	for _, p := range payloads {
		if tok := client.Publish(topic, 1, false, p); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			c.t.Fatal("publish: ", tok.Error())
		}
	}
}

// Readings by MQTT; members that die between what they computed and what they wrote; a
// server that is lost: the journal is that of one rig that was watched all along.
func TestTheJournalGoesOnThroughDeathsOfMembersAndOfAServer(t *testing.T) {
	c := startCluster(t)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	s := c.open(ctx, threeTimes)
	first, err := s.Offer(ctx, "R1", jetstream.Opening, nil)
	if err != nil {
		t.Fatal(err)
	}
	all := readings(t, 500)
	c.publishMQTT("hoist/R1/readings", all)
	var last uint64
	c.until("the log takes a tick", func() bool { last, err = s.Offer(ctx, "R1", jetstream.Tick, nil); return err == nil })
	if got := last - first - 1; got != uint64(len(all)) {
		t.Fatalf("%d readings are in the log, want %d", got, len(all))
	}
	for n := range 12 {
		if n == 6 {
			c.servers[2].Shutdown()
			c.servers[2].WaitForShutdown()
		}
		die := first + 1 + rand.Uint64N(last-first)
		c.until("a member watches", func() bool {
			_, err := newMember(t).watch(ctx, s, last, die)
			return err == nil || errors.Is(err, errDead)
		})
	}
	c.until("the last member is done", func() bool { _, err := newMember(t).watch(ctx, s, last, last+1); return err == nil })

	one, want := newMember(t), []byte(nil)
	stop := errors.New("stop")
	err = s.Follow(ctx, "R1", 0, func(r jetstream.Record) error {
		want = append(want, one.apply(r)...)
		if r.Seq >= last {
			return stop
		}
		return nil
	})
	if !errors.Is(err, stop) {
		t.Fatal(err)
	}
	got, err := s.Lines(ctx, "R1")
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Count(want, []byte("\n")) < 4 || !bytes.Equal(got, want) {
		t.Errorf("the journal is\n%s\nwant\n%s", got, want)
	}
}

// A member that was paused while another took its rig can write nothing more, neither
// lines nor a snapshot, whatever it still computes.
func TestAMemberThatLostItsRigIsRefused(t *testing.T) {
	c := startCluster(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	s, s2 := c.open(ctx, threeTimes), c.open(ctx, threeTimes)
	paused, err := s.Claim(ctx, "R1")
	if err != nil {
		t.Fatal(err)
	}
	if err := paused.Append(ctx, 7, []byte("one\n")); err != nil {
		t.Fatal(err)
	}
	if err := paused.Keep(ctx, []byte("state 7")); err != nil {
		t.Fatal(err)
	}
	other, err := s2.Claim(ctx, "R1")
	if err != nil {
		t.Fatal(err)
	}
	if other.Written() != 7 || string(other.Snapshot) != "state 7" {
		t.Errorf("taken over at %d with %q", other.Written(), other.Snapshot)
	}
	if err := paused.Append(ctx, 8, []byte("two\n")); !errors.Is(err, jetstream.ErrLost) {
		t.Errorf("the paused member writes: %v", err)
	}
	for _, entry := range []uint64{7, 8} { // 7 is there already
		if err := other.Append(ctx, entry, []byte("two\n")); err != nil {
			t.Error(err)
		}
	}
	if err := other.Keep(ctx, []byte("state 8")); err != nil {
		t.Fatal(err)
	}
	if err := paused.Keep(ctx, []byte("state 7 again")); !errors.Is(err, jetstream.ErrLost) {
		t.Errorf("the paused member keeps a snapshot: %v", err)
	}
	if got, err := s.Lines(ctx, "R1"); string(got) != "one\ntwo\n" || err != nil {
		t.Errorf("journal %q, %v", got, err)
	}
	if third, err := s.Claim(ctx, "R2"); err != nil || third.Written() != 0 || third.Snapshot != nil {
		t.Errorf("a rig that nobody had: %+v, %v", third, err)
	}
}

func TestWhatTheStoreRefuses(t *testing.T) {
	c := startCluster(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	small := threeTimes
	small.JournalBytes, small.MaxBytes = 2000, 4000
	s := c.open(ctx, small)
	if _, err := jetstream.Open(ctx, c.dial(), threeTimes); !errors.Is(err, jetstream.ErrSettings) {
		t.Errorf("other limits: %v", err)
	}
	if _, err := s.Offer(ctx, "R1.>", jetstream.Tick, nil); err == nil {
		t.Error("a rig named R1.>")
	}
	j, err := s.Claim(ctx, "R1")
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Append(ctx, 1, bytes.Repeat([]byte("x"), 1000)); err != nil {
		t.Fatal(err)
	}
	if err := j.Append(ctx, 2, bytes.Repeat([]byte("y"), 1000)); !errors.Is(err, jetstream.ErrFull) {
		t.Errorf("a journal that is full: %v", err)
	}
	for range 60 {
		if _, err := s.Offer(ctx, "R1", jetstream.Readings, bytes.Repeat([]byte("z"), 200)); err != nil {
			t.Fatal(err)
		}
	}
	for _, after := range []uint64{3, 1000} {
		if err := s.Follow(ctx, "R1", after, func(jetstream.Record) error { return errDead }); !errors.Is(err, jetstream.ErrGap) {
			t.Errorf("after %d, which is no longer, or never was: %v", after, err)
		}
	}
}
