package jetstream

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
	"golang.org/x/sync/errgroup"
)

// Record is one message of the log.
type Record struct {
	Seq      uint64    // in the log, rising
	Received time.Time // by the server that leads the stream, UTC
	Rig      string    // empty = of the whole partition
	Kind     string
	Payload  []byte
}

// Offer appends a record of a rig to the log and returns its number once the servers have
// it. It asks until there is an answer or ctx ends; what came twice for that is kept once.
func (s *Store) Offer(ctx context.Context, rig, kind string, payload []byte) (uint64, error) {
	if err := CheckRig(rig); err != nil {
		return 0, err
	}
	return s.offer(ctx, "hoist."+rig+"."+kind, payload)
}

// OfferAll appends a record of a whole partition, likewise.
func (s *Store) OfferAll(ctx context.Context, partition int, kind string, payload []byte) (uint64, error) {
	return s.offer(ctx, "log."+strconv.Itoa(partition)+"."+kind, payload)
}

func (s *Store) offer(ctx context.Context, subject string, payload []byte) (uint64, error) {
	m := &nats.Msg{Subject: subject, Data: payload, Header: nats.Header{}}
	m.Header.Set(js.MsgIDHeader, nuid.Next())
	ack, err := write(ctx, s, LogStream, func(ctx context.Context) (*js.PubAck, error) {
		return s.js.PublishMsg(ctx, m, js.WithRetryAttempts(0))
	})
	if err != nil {
		return 0, fmt.Errorf("jetstream log: %s: %w", subject, gone(err))
	}
	return ack.Sequence, nil
}

// State is what the log has now: the numbers of its first and last records.
func (s *Store) State(ctx context.Context) (first, last uint64, err error) {
	info, err := again(ctx, func(ctx context.Context) (*js.StreamInfo, error) { return s.log.Info(ctx) })
	if err != nil {
		return 0, 0, fmt.Errorf("jetstream log: %w", gone(err))
	}
	return info.State.FirstSeq, info.State.LastSeq, nil
}

// OfferAllOf appends one record of a kind for each of several rigs, as Offer does, without
// waiting for one before the next.
func (s *Store) OfferAllOf(ctx context.Context, kind string, payloads map[string][]byte) error {
	var all errgroup.Group
	all.SetLimit(atOnce)
	for rig, payload := range payloads {
		all.Go(func() error {
			_, err := s.Offer(ctx, rig, kind, payload)
			return err
		})
	}
	return all.Wait()
}

// atOnce is how many requests of one kind are under way together. Chosen here.
const atOnce = 16

// Openings returns, by rig, the number of the first session that the log has of each rig
// of a partition that is not in but; rigs without one are not in it.
func (s *Store) Openings(ctx context.Context, partition int, but func(rig string) bool) (map[string]uint64, error) {
	subject := "log." + strconv.Itoa(partition) + ".*." + Opening
	info, err := again(ctx, func(ctx context.Context) (*js.StreamInfo, error) {
		return s.log.Info(ctx, js.WithSubjectFilter(subject))
	})
	if err != nil {
		return nil, fmt.Errorf("jetstream log of partition %d: %w", partition, gone(err))
	}
	first := map[string]uint64{}
	var mu sync.Mutex
	var all errgroup.Group
	all.SetLimit(atOnce)
	for subject := range info.State.Subjects {
		rig, _ := split(subject)
		if but(rig) {
			continue
		}
		all.Go(func() error {
			m, err := again(ctx, func(ctx context.Context) (*js.RawStreamMsg, error) {
				return s.log.GetMsg(ctx, 1, js.WithGetMsgSubject(subject))
			})
			if errors.Is(err, js.ErrMsgNotFound) { // it has just aged out
				return nil
			}
			if err != nil {
				return fmt.Errorf("jetstream log of rig %s: %w", rig, gone(err))
			}
			mu.Lock()
			defer mu.Unlock()
			first[rig] = m.Sequence
			return nil
		})
	}
	return first, all.Wait()
}

// pullTime is how long one request for records stands, 2 s. Chosen here: the loss of the
// server that answers it is noticed in half of it.
const pullTime = 2 * time.Second

// Follow hands over the records of a partition after the number after, in order and each
// once, those that come later too, until ctx ends or take returns an error, which it
// returns. waiting is how many more are there already. Where the log no longer reaches
// back to after it is ErrGap; after 0 asks for whatever is there.
func (s *Store) Follow(ctx context.Context, partition int, after uint64, take func(r Record, waiting int) error) error {
	first, last, err := s.State(ctx)
	if err != nil {
		return err
	}
	if after > 0 && first > after+1 || after > last {
		return fmt.Errorf("partition %d: %w: it has %d to %d, the snapshot ends at %d", partition, ErrGap, first, last, after)
	}
	where := fmt.Sprintf("jetstream log of partition %d", partition)
	c, err := again(ctx, func(ctx context.Context) (js.Consumer, error) {
		return s.log.OrderedConsumer(ctx, js.OrderedConsumerConfig{
			FilterSubjects: []string{"log." + strconv.Itoa(partition) + ".>"},
			DeliverPolicy:  js.DeliverByStartSequencePolicy, OptStartSeq: after + 1,
		})
	})
	if err != nil {
		return fmt.Errorf("%s: %w", where, gone(err))
	}
	return each(ctx, c, where, func(m js.Msg, meta *js.MsgMetadata) error {
		r := Record{Seq: meta.Sequence.Stream, Received: meta.Timestamp.UTC(), Payload: m.Data()}
		r.Rig, r.Kind = split(m.Subject())
		return take(r, int(meta.NumPending))
	})
}

// each hands over what an ordered consumer brings, until ctx ends or take returns an
// error, which it returns. where is named in errors of the link.
func each(ctx context.Context, c js.Consumer, where string, take func(m js.Msg, meta *js.MsgMetadata) error) error {
	messages, err := c.Messages(js.PullExpiry(pullTime), js.PullHeartbeat(pullTime/4)) // a server that is lost is told by two heartbeats
	if err != nil {
		return fmt.Errorf("%s: %w", where, err)
	}
	defer messages.Stop()
	defer context.AfterFunc(ctx, messages.Stop)()
	for {
		m, err := messages.Next()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			return fmt.Errorf("%s: %w", where, err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return fmt.Errorf("%s: %w", where, err)
		}
		if err := take(m, meta); err != nil {
			return err
		}
	}
}

// split reads log.PARTITION.RIG.KIND, or log.PARTITION.KIND.
func split(subject string) (rig, kind string) {
	parts := strings.SplitN(subject, ".", 4)
	if len(parts) < 4 {
		return "", parts[len(parts)-1]
	}
	return parts[2], parts[3]
}

// gone names the error of a stream or bucket that was deleted.
func gone(err error) error {
	for _, e := range []error{js.ErrStreamNotFound, js.ErrBucketNotFound, js.ErrConsumerNotFound} {
		if errors.Is(err, e) {
			return fmt.Errorf("%w: %w", ErrGone, err)
		}
	}
	return err
}
