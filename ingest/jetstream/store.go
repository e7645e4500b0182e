package jetstream

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"
)

// Partitions is into how many parts the rigs are divided. It is part of the subjects of
// what is kept, so it is never changed.
const Partitions = 16

// Names of the streams and buckets.
const (
	LogStream     = "HOIST_LOG"
	JournalStream = "HOIST_JOURNAL"
	StateBucket   = "hoist_state" // newest snapshot of each rig
	GroupBucket   = "hoist_group" // what all members must have alike

	mqttStream   = "$MQTT_msgs" // made by the servers for MQTT messages with QoS 1
	mqttReadings = "$MQTT.msgs.hoist.*.readings"
	mqttConsumer = "hoist_log"
)

// Kinds of record in the log: the last part of the subject.
const (
	Readings = "readings"
	Tick     = "tick" // time passes for a whole partition
	Act      = "act"
	Link     = "link" // for a whole partition
	Opening  = "session"
)

// What a Store refuses.
var (
	ErrLost     = errors.New("another member has this partition")
	ErrGap      = errors.New("the log no longer reaches back to the snapshot")
	ErrAhead    = errors.New("the journal is ahead of the log, which was made anew: move the old journal away first")
	ErrFull     = errors.New("the journal is full: nothing more is kept")
	ErrSettings = errors.New("the stream is set otherwise than stated here")
	ErrGone     = errors.New("what the group keeps is not there")
)

// Options are the sizes of what is kept.
type Options struct {
	Replicas     int           // servers that keep each message, 1, 3 or 5
	MaxAge       time.Duration // of the log; older records go
	MaxBytes     int64         // of the log; the oldest records go
	JournalBytes int64         // of the journal; beyond, writing is refused, never is a line lost
	Leaves       []string      // domains of rigs' own servers, whose stream RigStream is taken into the log
}

// RigStream is the stream of a rig's own server that the centre takes readings from.
const RigStream = "HOIST_RIG"

// Store is the shared part of a group. It is safe for concurrent use.
type Store struct {
	nc       *nats.Conn
	js       js.JetStream
	log      js.Stream
	journal  js.Stream
	mu       sync.Mutex  // of state
	state    js.KeyValue // made again where it is gone
	group    js.KeyValue
	replicas int
}

// PartitionOf returns the partition of a rig, 0 to Partitions-1, as the servers compute
// it: FNV-1a of the name, modulo. Source: "partition" of subject mappings in the
// servers' documentation.
func PartitionOf(rig string) int {
	h := fnv.New32a()
	h.Write([]byte(rig))
	return int(h.Sum32() % Partitions)
}

// Open makes what is not yet there and returns the store. A stream that is there with
// other replicas or limits is left alone, and is an error that says what differs.
func Open(ctx context.Context, nc *nats.Conn, o Options) (*Store, error) {
	j, err := js.New(nc)
	if err != nil {
		return nil, fmt.Errorf("jetstream: %w", err)
	}
	s := &Store{nc: nc, js: j, replicas: o.Replicas}
	if err := s.ensureMQTT(ctx, o); err != nil {
		return nil, err
	}
	if s.log, err = ensure(ctx, j, logConfig(o)); err != nil {
		return nil, err
	}
	if s.journal, err = ensure(ctx, j, js.StreamConfig{
		Name: JournalStream, Subjects: []string{"journal.*"}, Replicas: o.Replicas, MaxBytes: o.JournalBytes,
		Discard: js.DiscardNew, DenyDelete: true, DenyPurge: true, Compression: js.S2Compression,
	}); err != nil {
		return nil, err
	}
	if s.state, err = s.bucket(ctx, StateBucket); err != nil {
		return nil, err
	}
	if s.group, err = s.bucket(ctx, GroupBucket); err != nil {
		return nil, err
	}
	return s, nil
}

// logConfig is the log: what MQTT brought, what rigs' own servers kept, and what members
// offer, each under log.PARTITION.RIG.KIND; ticks and links under log.PARTITION.KIND.
func logConfig(o Options) js.StreamConfig {
	partition := "log.{{partition(" + strconv.Itoa(Partitions) + ",1)}}.{{wildcard(1)}}."
	c := js.StreamConfig{
		Name: LogStream, Replicas: o.Replicas, MaxAge: o.MaxAge, MaxBytes: o.MaxBytes,
		Discard: js.DiscardOld, DenyDelete: true, Compression: js.S2Compression,
		Subjects:         []string{"hoist.*." + Act, "hoist.*." + Opening, "log.*." + Tick, "log.*." + Link},
		SubjectTransform: &js.SubjectTransformConfig{Source: "hoist.*.*", Destination: partition + "{{wildcard(2)}}"},
		Sources: []*js.StreamSource{{
			Name:              mqttStream,
			Consumer:          &js.StreamConsumerSource{Name: mqttConsumer, DeliverSubject: "log_source.mqtt"},
			SubjectTransforms: []js.SubjectTransformConfig{{Source: mqttReadings, Destination: partition + Readings}},
		}},
	}
	for _, leaf := range o.Leaves {
		c.Sources = append(c.Sources, &js.StreamSource{
			Name:     RigStream,
			External: &js.ExternalStream{APIPrefix: "$JS." + leaf + ".API", DeliverPrefix: "log_source." + leaf},
			SubjectTransforms: []js.SubjectTransformConfig{
				{Source: "hoist.*." + Readings, Destination: partition + Readings},
			},
		})
	}
	return c
}

// ensureMQTT makes the stream of MQTT messages as the servers would with the first MQTT
// session, and the durable consumer that the log takes readings by.
func (s *Store) ensureMQTT(ctx context.Context, o Options) error {
	_, err := s.js.Stream(ctx, mqttStream)
	if errors.Is(err, js.ErrStreamNotFound) {
		_, err = s.js.CreateStream(ctx, js.StreamConfig{
			Name: mqttStream, Subjects: []string{"$MQTT.msgs.>"}, Retention: js.InterestPolicy, Replicas: o.Replicas,
		})
	}
	if err != nil && !errors.Is(err, js.ErrStreamNameAlreadyInUse) {
		return fmt.Errorf("jetstream stream of MQTT messages: %w", err)
	}
	if _, err := s.js.Consumer(ctx, mqttStream, mqttConsumer); err == nil {
		return nil
	}
	_, err = s.js.CreateConsumer(ctx, mqttStream, js.ConsumerConfig{
		Durable: mqttConsumer, DeliverSubject: "log_source.mqtt", FilterSubject: mqttReadings,
		AckPolicy: js.AckFlowControlPolicy, FlowControl: true, IdleHeartbeat: time.Second,
		DeliverPolicy: js.DeliverAllPolicy, MaxAckPending: mostPending,
	})
	if err != nil && !errors.Is(err, js.ErrConsumerExists) {
		return fmt.Errorf("jetstream consumer of MQTT readings: %w", err)
	}
	return nil
}

// mostPending is how many readings are on their way to the log before more wait. Chosen
// here: a second of ten thousand readings.
const mostPending = 10000

func (s *Store) bucket(ctx context.Context, name string) (js.KeyValue, error) {
	b, err := s.js.KeyValue(ctx, name)
	if errors.Is(err, js.ErrBucketNotFound) {
		b, err = s.js.CreateKeyValue(ctx, js.KeyValueConfig{Bucket: name, Replicas: s.replicas, History: 1, Compression: true})
		if errors.Is(err, js.ErrBucketExists) {
			b, err = s.js.KeyValue(ctx, name)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("jetstream bucket %s: %w", name, err)
	}
	return b, nil
}

// ensure makes a stream, or finds the one that is there set as is wanted. Where only its
// sources differ, they are changed: rigs come and go.
func ensure(ctx context.Context, j js.JetStream, want js.StreamConfig) (js.Stream, error) {
	stream, err := j.Stream(ctx, want.Name)
	if errors.Is(err, js.ErrStreamNotFound) {
		stream, err = j.CreateStream(ctx, want)
		if errors.Is(err, js.ErrStreamNameAlreadyInUse) {
			stream, err = j.Stream(ctx, want.Name)
		}
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
	if sources(got) != sources(want) {
		if stream, err = j.UpdateStream(ctx, want); err != nil {
			return nil, fmt.Errorf("jetstream stream %s: sources: %w", want.Name, err)
		}
	}
	return stream, nil
}

func sources(c js.StreamConfig) string {
	var names []string
	for _, s := range c.Sources {
		name := s.Name
		if s.External != nil {
			name += "@" + s.External.APIPrefix
		}
		names = append(names, name)
	}
	return strings.Join(names, " ")
}

// CheckRig refuses names that are no part of a subject.
func CheckRig(rig string) error {
	if rig == "" || strings.ContainsAny(rig, ".*> \t\r\n") {
		return fmt.Errorf("rig %q: want a name without dots, stars, > and spaces", rig)
	}
	return nil
}
