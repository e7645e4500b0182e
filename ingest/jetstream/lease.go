package jetstream

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	js "github.com/nats-io/nats.go/jetstream"
)

// LeaseTime is how long a partition stays with a member that no longer asks, 2 s. Chosen
// here, so that a rig is watched again well within 5 s.
const LeaseTime = 2 * time.Second

const (
	leaseGroup = "watch"
	leaseWait  = 500 * time.Millisecond // of one request: the lease is renewed so often
)

// Lease is a partition that the servers have given to this member: it is the one that
// its ticks are delivered to.
type Lease struct {
	store     *Store
	partition int
	lost      chan struct{}
	end       context.CancelFunc
	done      chan struct{}
	once      sync.Once
}

func owner(partition int) string { return "watch-" + strconv.Itoa(partition) }

// Seek waits until the servers give the partition to this member, or ctx ends. They
// choose by delivering a tick, so somebody must offer ticks while nobody has it.
func (s *Store) Seek(ctx context.Context, partition int) (*Lease, error) {
	c, err := again(ctx, func(ctx context.Context) (js.Consumer, error) {
		return s.log.CreateOrUpdateConsumer(ctx, js.ConsumerConfig{
			Durable: owner(partition), FilterSubject: "log." + strconv.Itoa(partition) + "." + Tick,
			AckPolicy: js.AckNonePolicy, DeliverPolicy: js.DeliverNewPolicy, Replicas: s.replicas, MemoryStorage: true,
			PriorityPolicy: js.PriorityPolicyPinned, PriorityGroups: []string{leaseGroup}, PinnedTTL: LeaseTime,
		})
	})
	if err != nil {
		return nil, fmt.Errorf("partition %d: %w", partition, gone(err))
	}
	for {
		got, err := ask(c)
		switch {
		case ctx.Err() != nil:
			if got {
				_ = s.log.UnpinConsumer(context.WithoutCancel(ctx), owner(partition), leaseGroup)
			}
			return nil, ctx.Err()
		case err != nil && !unanswered(err) && !errors.Is(err, js.ErrPinIDMismatch):
			return nil, fmt.Errorf("partition %d: %w", partition, gone(err))
		case got:
			l := &Lease{store: s, partition: partition, lost: make(chan struct{}), done: make(chan struct{})}
			var hold context.Context
			hold, l.end = context.WithCancel(context.WithoutCancel(ctx))
			go l.renew(hold, c)
			return l, nil
		case err != nil:
			pause(ctx, askPause)
		}
	}
}

// ask asks for a tick and tells whether it came.
func ask(c js.Consumer) (bool, error) {
	batch, err := c.Fetch(1, js.FetchMaxWait(leaseWait), js.FetchPriorityGroup(leaseGroup))
	if err != nil {
		return false, err
	}
	got := false
	for range batch.Messages() {
		got = true
	}
	return got, batch.Error()
}

// renew asks on, which is what keeps the lease. That the servers do not answer is no
// loss: what they do not know of, nobody else can be given either.
func (l *Lease) renew(ctx context.Context, c js.Consumer) {
	defer close(l.done)
	for ctx.Err() == nil {
		_, err := ask(c)
		if errors.Is(err, js.ErrPinIDMismatch) || errors.Is(err, js.ErrConsumerNotFound) || errors.Is(err, js.ErrConsumerDeleted) {
			l.lose()
			return
		}
		if err != nil {
			pause(ctx, askPause)
		}
	}
}

func (l *Lease) lose() { l.once.Do(func() { close(l.lost) }) }

// Lost is closed when the servers have given the partition to another, or may have.
func (l *Lease) Lost() <-chan struct{} { return l.lost }

// Release gives the partition back, so that another can have it at once.
func (l *Lease) Release(ctx context.Context) {
	l.end()
	<-l.done
	select {
	case <-l.lost:
	default: // what fails here ends by itself after LeaseTime
		_ = l.store.log.UnpinConsumer(ctx, owner(l.partition), leaseGroup)
	}
}

// Beat offers a tick without waiting for an answer: the next one comes soon.
func (s *Store) Beat(partition int) {
	_ = s.nc.Publish("log."+strconv.Itoa(partition)+"."+Tick, nil)
}
