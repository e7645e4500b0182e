package jetstream_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"

	"hoistward/ingest/jetstream"
	"hoistward/ingest/jetstream/servers"
)

var sizes = jetstream.Options{Replicas: 1, MaxAge: time.Hour, MaxBytes: 64 << 20, JournalBytes: 16 << 20}

// one is a real server on a loopback address.
func one(t *testing.T) (dial func() *nats.Conn) {
	t.Helper()
	nodes, err := servers.Write(t.TempDir(), 3)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range nodes {
		go func() {
			s, err := servers.Start(n.File)
			if err != nil {
				t.Error(err)
				return
			}
			t.Cleanup(func() {
				ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
				defer cancel()
				if err := s.Stop(ctx); err != nil {
					t.Error(err)
				}
			})
		}()
	}
	return func() *nats.Conn {
		t.Helper()
		nc, err := nats.Connect(nodes[0].URL, nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond), nats.RetryOnFailedConnect(true))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		return nc
	}
}

func open(t *testing.T, nc *nats.Conn, o jetstream.Options) *jetstream.Store {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; {
		try, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		s, err := jetstream.Open(try, nc, o)
		cancel()
		if err == nil {
			return s
		}
		if time.Now().After(end) {
			t.Fatal(err)
		}
	}
}

// The servers' own transform puts each rig where PartitionOf says.
func TestPartitionsAreTheServers(t *testing.T) {
	tr, err := server.NewSubjectTransform("hoist.*.*", fmt.Sprintf("log.{{partition(%d,1)}}.{{wildcard(1)}}.{{wildcard(2)}}", jetstream.Partitions))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[int]int{}
	for n := range 1000 {
		rig := fmt.Sprintf("R%d", n)
		if got, want := tr.TransformSubject("hoist."+rig+".act"), fmt.Sprintf("log.%d.%s.act", jetstream.PartitionOf(rig), rig); got != want {
			t.Fatalf("%s: the servers say %s, PartitionOf %s", rig, got, want)
		}
		seen[jetstream.PartitionOf(rig)]++
	}
	for p := range jetstream.Partitions { // 62.5 expected in each; chance alone leaves 30 to 110
		if seen[p] < 30 || seen[p] > 110 {
			t.Errorf("partition %d has %d of 1,000 rigs", p, seen[p])
		}
	}
}

// A member that was paused while another took its partition can write nothing more,
// whatever it still computes.
func TestAMemberThatLostItsPartitionIsRefused(t *testing.T) {
	dial := one(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	s, s2 := open(t, dial(), sizes), open(t, dial(), sizes)
	for range 10 {
		if _, err := s.Offer(ctx, "R1", jetstream.Act, []byte("{}")); err != nil {
			t.Fatal(err)
		}
	}
	paused, err := s.Claim(ctx, 3)
	if err != nil {
		t.Fatal(err)
	}
	if err := paused.Append(ctx, 7, []byte("one\n")); err != nil {
		t.Fatal(err)
	}
	first, err := s.Keep(ctx, "R1", []byte("state 7"), 0)
	if err != nil {
		t.Fatal(err)
	}
	other, err := s2.Claim(ctx, 3)
	if err != nil {
		t.Fatal(err)
	}
	if other.Written() != 7 {
		t.Errorf("taken over at %d", other.Written())
	}
	if err := paused.Append(ctx, 8, []byte("two\n")); !errors.Is(err, jetstream.ErrLost) {
		t.Errorf("the paused member writes: %v", err)
	}
	for _, entry := range []uint64{7, 8} { // 7 is there already
		if err := other.Append(ctx, entry, []byte("two\n")); err != nil {
			t.Error(err)
		}
	}
	next, err := s2.Keep(ctx, "R1", []byte("state 8"), first)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := s2.Keep(ctx, "R1", []byte("state 8"), first); err != nil || again != next {
		t.Errorf("a snapshot whose answer was lost: %d, %v, want %d", again, err, next)
	}
	if _, err := s.Keep(ctx, "R1", []byte("state 7 again"), first); !errors.Is(err, jetstream.ErrLost) {
		t.Errorf("the paused member keeps a snapshot: %v", err)
	}
	var got []byte
	if err := s.Lines(ctx, 3, func(b []byte) error { got = append(got, b...); return nil }); string(got) != "one\ntwo\n" || err != nil {
		t.Errorf("journal %q, %v", got, err)
	}
	kept, err := s.Snapshots(ctx, jetstream.PartitionOf("R1"))
	if err != nil || len(kept) != 1 || string(kept["R1"].Value) != "state 8" || kept["R1"].Revision != next {
		t.Errorf("snapshots %v, %v", kept, err)
	}
}

// The servers give a partition to one at a time: to the next when the first gives it
// back, and when the first no longer asks.
func TestLeases(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	dial := one(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	s, nc2 := open(t, dial(), sizes), dial()
	s2 := open(t, nc2, sizes)
	go func() { // time passes
		for tick := time.NewTicker(100 * time.Millisecond); ctx.Err() == nil; <-tick.C {
			s.Beat(5)
		}
	}()
	l1, err := s.Seek(ctx, 5)
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan *jetstream.Lease, 1)
	seek := func(s *jetstream.Store) {
		go func() {
			if l, err := s.Seek(ctx, 5); err == nil {
				got <- l
			}
		}()
	}
	seek(s2)
	select {
	case <-got:
		t.Fatal("two have the partition")
	case <-l1.Lost():
		t.Fatal("a lease that is renewed is lost")
	case <-time.After(2 * jetstream.LeaseTime):
	}
	l1.Release(ctx)
	l2 := <-got
	seek(s)
	nc2.Close() // as if the process had died
	l3 := <-got
	l3.Release(ctx)
	l2.Release(ctx)
}

func TestWhatTheStoreRefuses(t *testing.T) {
	dial := one(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	small := sizes
	small.JournalBytes, small.MaxBytes = 2000, 4000
	nc := dial()
	s := open(t, nc, small)
	if _, err := jetstream.Open(ctx, dial(), sizes); !errors.Is(err, jetstream.ErrSettings) {
		t.Errorf("other limits: %v", err)
	}
	if _, err := s.Offer(ctx, "R1.>", jetstream.Act, nil); err == nil {
		t.Error("a rig named R1.>")
	}
	for range 60 {
		if _, err := s.OfferAll(ctx, 2, jetstream.Link, bytes.Repeat([]byte("z"), 200)); err != nil {
			t.Fatal(err)
		}
	}
	j, err := s.Claim(ctx, 2)
	if err != nil {
		t.Fatal(err)
	}
	for n := range uint64(40) { // what repeats is kept small: the journal is compressed
		err = j.Append(ctx, n+1, fmt.Appendf(nil, "%d %x\n", n, bytes.Repeat([]byte{byte(n)}, 50)))
		if err != nil {
			break
		}
	}
	if !errors.Is(err, jetstream.ErrFull) {
		t.Errorf("a journal that is full: %v", err)
	}
	for _, after := range []uint64{3, 1000} {
		err := s.Follow(ctx, 2, after, func(jetstream.Record, int) error { return errors.New("taken") })
		if !errors.Is(err, jetstream.ErrGap) {
			t.Errorf("after %d, which is no longer, or never was: %v", after, err)
		}
	}
	raw, err := js.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	if err := raw.DeleteKeyValue(ctx, jetstream.StateBucket); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Keep(ctx, "R1", []byte("state"), 0); !errors.Is(err, jetstream.ErrGone) {
		t.Errorf("a bucket that is gone: %v", err)
	}
	if err := s.Mend(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Keep(ctx, "R1", []byte("state"), 0); err != nil {
		t.Error(err)
	}
	if err := raw.DeleteStream(ctx, jetstream.LogStream); err != nil {
		t.Fatal(err)
	}
	again := open(t, dial(), small)
	if _, err := again.Claim(ctx, 2); !errors.Is(err, jetstream.ErrAhead) {
		t.Errorf("a log that was made anew beside an old journal: %v", err)
	}
}
