package jetstream

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"
)

// Names of the streams and the bucket. Subjects are hoist.RIG.KIND and journal.RIG; the
// topic hoist/RIG/readings of MQTT is the subject hoist.RIG.readings.
const (
	LogStream     = "ENTRIES"
	JournalStream = "JOURNAL"
	StateBucket   = "rig_state"
)

// Kinds of record in the log: the last part of the subject.
const (
	Readings = "readings"
	Tick     = "tick"
	Act      = "act"
	Opening  = "session"
)

// What a Store refuses.
var (
	ErrLost     = errors.New("another member has this rig")
	ErrGap      = errors.New("the log no longer reaches back to the snapshot")
	ErrFull     = errors.New("the journal is full: nothing more is kept")
	ErrSettings = errors.New("the stream is set otherwise than stated here")
)

// Options are the sizes of what is kept.
type Options struct {
	Replicas     int           // servers that keep each message, 1, 3 or 5
	MaxAge       time.Duration // of the log; older entries go
	MaxBytes     int64         // of the log; the oldest entries go
	JournalBytes int64         // of the journal; beyond, writing is refused, never is a line lost
}

// Store is the shared part of a group. It is safe for concurrent use.
type Store struct {
	js      js.JetStream
	log     js.Stream
	journal js.Stream
	state   js.KeyValue
}

// Open makes what is not yet there and returns the store. A stream that is there with
// other replicas or limits is left alone, and is an error that says what differs.
func Open(ctx context.Context, nc *nats.Conn, o Options) (*Store, error) {
	j, err := js.New(nc)
	if err != nil {
		return nil, fmt.Errorf("jetstream: %w", err)
	}
	s := &Store{js: j}
	if s.log, err = ensure(ctx, j, js.StreamConfig{
		Name: LogStream, Subjects: []string{"hoist.*." + Readings, "hoist.*." + Tick, "hoist.*." + Act, "hoist.*." + Opening},
		Replicas: o.Replicas, MaxAge: o.MaxAge, MaxBytes: o.MaxBytes, Discard: js.DiscardOld, DenyDelete: true,
	}); err != nil {
		return nil, err
	}
	if s.journal, err = ensure(ctx, j, js.StreamConfig{
		Name: JournalStream, Subjects: []string{"journal.*"}, Replicas: o.Replicas, MaxBytes: o.JournalBytes,
		Discard: js.DiscardNew, DenyDelete: true, DenyPurge: true,
	}); err != nil {
		return nil, err
	}
	s.state, err = j.KeyValue(ctx, StateBucket)
	if errors.Is(err, js.ErrBucketNotFound) {
		s.state, err = j.CreateOrUpdateKeyValue(ctx, js.KeyValueConfig{Bucket: StateBucket, Replicas: o.Replicas, History: 1})
	}
	if err != nil {
		return nil, fmt.Errorf("jetstream bucket %s: %w", StateBucket, err)
	}
	return s, nil
}

func ensure(ctx context.Context, j js.JetStream, want js.StreamConfig) (js.Stream, error) {
	stream, err := j.Stream(ctx, want.Name)
	if errors.Is(err, js.ErrStreamNotFound) {
		stream, err = j.CreateStream(ctx, want)
	}
	if err != nil {
		return nil, fmt.Errorf("jetstream stream %s: %w", want.Name, err)
	}
	got := stream.CachedInfo().Config
	for _, x := range []struct {
		what      string
		got, want any
	}{
		{"replicas", got.Replicas, want.Replicas}, {"bytes", got.MaxBytes, want.MaxBytes}, {"age", got.MaxAge, want.MaxAge},
		{"what is discarded", got.Discard, want.Discard}, {"subjects", strings.Join(got.Subjects, " "), strings.Join(want.Subjects, " ")},
	} {
		if x.got != x.want {
			return nil, fmt.Errorf("jetstream stream %s: %w: %s: got %v, want %v", want.Name, ErrSettings, x.what, x.got, x.want)
		}
	}
	return stream, nil
}

// checkRig refuses names that are no part of a subject.
func checkRig(rig string) error {
	if rig == "" || strings.ContainsAny(rig, ".*> \t\r\n") {
		return fmt.Errorf("jetstream: rig %q: want a name without dots, stars, > and spaces", rig)
	}
	return nil
}

// Offer appends a record to the log and returns its number once the servers have it.
func (s *Store) Offer(ctx context.Context, rig, kind string, payload []byte) (uint64, error) {
	if err := checkRig(rig); err != nil {
		return 0, err
	}
	ack, err := s.js.Publish(ctx, "hoist."+rig+"."+kind, payload)
	if err != nil {
		return 0, fmt.Errorf("jetstream log of rig %s: %w", rig, err)
	}
	return ack.Sequence, nil
}

// pullTime is how long one request for records stands, 2 s. Chosen here: the loss of the
// server that answers it is noticed in half of it.
const pullTime = 2 * time.Second

// Record is one message of the log.
type Record struct {
	Seq      uint64    // in the log, rising
	Received time.Time // by the server that leads the stream, UTC
	Kind     string
	Payload  []byte
}

// Follow hands over the records of a rig after the number after, in order and each once,
// those that come later too, until ctx ends or take returns an error, which it returns.
// Where the log no longer reaches back to after it is ErrGap; after 0 asks for whatever is
// there.
func (s *Store) Follow(ctx context.Context, rig string, after uint64, take func(Record) error) error {
	if err := checkRig(rig); err != nil {
		return err
	}
	info, err := again(ctx, func(ctx context.Context) (*js.StreamInfo, error) { return s.log.Info(ctx) })
	if err != nil {
		return fmt.Errorf("jetstream log of rig %s: %w", rig, err)
	}
	if after > 0 && info.State.FirstSeq > after+1 || after > info.State.LastSeq {
		return fmt.Errorf("rig %s: %w: it has %d to %d, the snapshot ends at %d", rig, ErrGap, info.State.FirstSeq, info.State.LastSeq, after)
	}
	c, err := again(ctx, func(ctx context.Context) (js.Consumer, error) {
		return s.log.OrderedConsumer(ctx, js.OrderedConsumerConfig{
			FilterSubjects: []string{"hoist." + rig + ".*"}, DeliverPolicy: js.DeliverByStartSequencePolicy, OptStartSeq: after + 1,
		})
	})
	if err != nil {
		return fmt.Errorf("jetstream log of rig %s: %w", rig, err)
	}
	messages, err := c.Messages(js.PullExpiry(pullTime), js.PullHeartbeat(pullTime/4)) // a server that is lost is told by two heartbeats
	if err != nil {
		return fmt.Errorf("jetstream log of rig %s: %w", rig, err)
	}
	defer messages.Stop()
	defer context.AfterFunc(ctx, messages.Stop)()
	for {
		m, err := messages.Next()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			return fmt.Errorf("jetstream log of rig %s: %w", rig, err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return fmt.Errorf("jetstream log of rig %s: %w", rig, err)
		}
		kind := m.Subject()[strings.LastIndexByte(m.Subject(), '.')+1:]
		if err := take(Record{meta.Sequence.Stream, meta.Timestamp.UTC(), kind, m.Data()}); err != nil {
			return err
		}
	}
}
