package jetstream

import (
	"context"
	"errors"
	"fmt"
	"strconv"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
)

// Headers of a message of the journal. A message without text is a claim.
const (
	headerClaim = "Hoist-Claim" // of the member that wrote it, for this taking of the partition
	headerEntry = "Hoist-Entry" // number of the newest record of the log that led to it
)

// Journal is a claim to a partition's journal. It is not safe for concurrent use.
type Journal struct {
	store   *Store
	subject string
	claim   string
	last    uint64 // sequence of the newest message of the partition's journal
	entry   uint64 // newest record of the log that has lines in it
}

// Claim takes the partition's journal: who had it before can write nothing more. It takes
// what it finds, so that who calls it must have a Lease.
func (s *Store) Claim(ctx context.Context, partition int) (*Journal, error) {
	j := &Journal{store: s, subject: "journal." + strconv.Itoa(partition), claim: nuid.Next()}
	last, err := j.newest(ctx)
	if err != nil {
		return nil, err
	}
	if last != nil {
		j.last = last.Sequence
		if j.entry, err = strconv.ParseUint(last.Header.Get(headerEntry), 10, 64); err != nil {
			return nil, fmt.Errorf("%s: message %d: %w", j.subject, last.Sequence, err)
		}
	}
	_, end, err := s.State(ctx)
	if err != nil {
		return nil, err
	}
	if j.entry > end {
		return nil, fmt.Errorf("%s: %w: it has record %d, the log ends at %d", j.subject, ErrAhead, j.entry, end)
	}
	if err := j.write(ctx, j.entry, nil); err != nil {
		return nil, err
	}
	return j, nil
}

// Written returns the newest record of the log whose lines stand in the journal.
func (j *Journal) Written() uint64 { return j.entry }

// Append writes, as one, lines of records of the log up to the number entry, all after
// Written. ErrLost says that another has claimed the partition since: nothing was written
// and nothing ever will be by this claim.
func (j *Journal) Append(ctx context.Context, entry uint64, lines []byte) error {
	if entry <= j.entry || len(lines) == 0 {
		return nil
	}
	return j.write(ctx, entry, lines)
}

func (j *Journal) write(ctx context.Context, entry uint64, lines []byte) error {
	m := &nats.Msg{Subject: j.subject, Data: lines, Header: nats.Header{}}
	m.Header.Set(headerClaim, j.claim)
	m.Header.Set(headerEntry, strconv.FormatUint(entry, 10))
	ack, err := write(ctx, j.store, JournalStream, func(ctx context.Context) (*js.PubAck, error) {
		return j.store.js.PublishMsg(ctx, m, js.WithExpectLastSequencePerSubject(j.last))
	})
	switch {
	case err == nil:
		j.last, j.entry = ack.Sequence, entry
		return nil
	case refusedOrder(err):
		return j.resolve(ctx, entry)
	case refusedRoom(err):
		return fmt.Errorf("%s: %w: %w", j.subject, ErrFull, err)
	}
	return fmt.Errorf("%s: %w", j.subject, gone(err))
}

// resolve tells a write of our own, whose answer was lost, from another's.
func (j *Journal) resolve(ctx context.Context, entry uint64) error {
	last, err := j.newest(ctx)
	if err != nil {
		return err
	}
	if last != nil && last.Header.Get(headerClaim) == j.claim && last.Header.Get(headerEntry) == strconv.FormatUint(entry, 10) {
		j.last, j.entry = last.Sequence, entry
		return nil
	}
	return fmt.Errorf("%s: %w", j.subject, ErrLost)
}

func (j *Journal) newest(ctx context.Context) (*js.RawStreamMsg, error) {
	last, err := again(ctx, func(ctx context.Context) (*js.RawStreamMsg, error) {
		return j.store.journal.GetLastMsgForSubject(ctx, j.subject)
	})
	if errors.Is(err, js.ErrMsgNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", j.subject, gone(err))
	}
	return last, nil
}

// Lines hands over a partition's journal from its beginning to its end of now: lines
// alone, without claims, as they were written together.
func (s *Store) Lines(ctx context.Context, partition int, take func(lines []byte) error) error {
	subject := "journal." + strconv.Itoa(partition)
	last, err := (&Journal{store: s, subject: subject}).newest(ctx)
	if err != nil || last == nil {
		return err
	}
	c, err := again(ctx, func(ctx context.Context) (js.Consumer, error) {
		return s.journal.OrderedConsumer(ctx, js.OrderedConsumerConfig{FilterSubjects: []string{subject}})
	})
	if err != nil {
		return fmt.Errorf("%s: %w", subject, gone(err))
	}
	err = each(ctx, c, subject, func(m js.Msg, meta *js.MsgMetadata) error {
		if len(m.Data()) > 0 {
			if err := take(m.Data()); err != nil {
				return err
			}
		}
		if meta.Sequence.Stream >= last.Sequence {
			return errWhole
		}
		return nil
	})
	if err == errWhole {
		return nil
	}
	return err
}

// errWhole ends Lines: the end that the journal had is reached.
var errWhole = errors.New("the whole journal was read")

func refusedOrder(err error) bool {
	var e *js.APIError
	return errors.As(err, &e) && (e.ErrorCode == js.JSErrCodeStreamWrongLastSequence || e.ErrorCode == js.JSErrCodeStreamWrongLastSequenceConstant)
}

func refusedRoom(err error) bool {
	var e *js.APIError
	return errors.As(err, &e) && e.ErrorCode == storeFailed
}

// storeFailed is the server's code where a stream cannot take a message: for one with
// limits and "discard new" that it is full. Source: JSStreamStoreFailedF in the server's
// errors.json.
const storeFailed js.ErrorCode = 10077
