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
	headerClaim = "Hoist-Claim" // of the member that wrote it, for this taking of the rig
	headerEntry = "Hoist-Entry" // number of the record of the log that led to it
)

// Journal is a claim to a rig's journal. It is not safe for concurrent use.
type Journal struct {
	store *Store
	rig   string
	claim string
	last  uint64 // sequence of the newest message of the rig's journal
	entry uint64 // newest record of the log that has lines in it
	// Snapshot is the newest snapshot that was kept when the rig was taken; nil = none.
	Snapshot []byte
	revision uint64
}

// Claim takes the rig's journal: who had it before can write nothing more. It takes what
// it finds, so that who calls it must have been told by the server that the rig is his.
func (s *Store) Claim(ctx context.Context, rig string) (*Journal, error) {
	if err := checkRig(rig); err != nil {
		return nil, err
	}
	j := &Journal{store: s, rig: rig, claim: nuid.Next()}
	last, err := j.newest(ctx)
	if err != nil {
		return nil, err
	}
	if last != nil {
		j.last = last.Sequence
		if j.entry, err = strconv.ParseUint(last.Header.Get(headerEntry), 10, 64); err != nil {
			return nil, fmt.Errorf("journal of rig %s: message %d: %w", rig, last.Sequence, err)
		}
	}
	if err := j.write(ctx, j.entry, nil); err != nil {
		return nil, err
	}
	kept, err := again(ctx, func(ctx context.Context) (js.KeyValueEntry, error) { return s.state.Get(ctx, rig) })
	switch {
	case err == nil:
		j.Snapshot, j.revision = kept.Value(), kept.Revision()
	case !errors.Is(err, js.ErrKeyNotFound):
		return nil, fmt.Errorf("snapshot of rig %s: %w", rig, err)
	}
	return j, nil
}

// Written returns the newest record of the log whose lines stand in the journal.
func (j *Journal) Written() uint64 { return j.entry }

// Append writes the lines that the log's record with the number entry led to, as one. What
// a predecessor wrote already is not written again. ErrLost says that another has claimed
// the rig since: nothing was written and nothing ever will be by this claim.
func (j *Journal) Append(ctx context.Context, entry uint64, lines []byte) error {
	if entry <= j.entry || len(lines) == 0 {
		return nil
	}
	return j.write(ctx, entry, lines)
}

func (j *Journal) write(ctx context.Context, entry uint64, lines []byte) error {
	m := &nats.Msg{Subject: "journal." + j.rig, Data: lines, Header: nats.Header{}}
	m.Header.Set(headerClaim, j.claim)
	m.Header.Set(headerEntry, strconv.FormatUint(entry, 10))
	ack, err := again(ctx, func(ctx context.Context) (*js.PubAck, error) {
		return j.store.js.PublishMsg(ctx, m, js.WithExpectLastSequencePerSubject(j.last))
	})
	switch {
	case err == nil:
		j.last, j.entry = ack.Sequence, entry
		return nil
	case refusedOrder(err):
		return j.resolve(ctx, entry)
	case refusedRoom(err):
		return fmt.Errorf("journal of rig %s: %w: %w", j.rig, ErrFull, err)
	}
	return fmt.Errorf("journal of rig %s: %w", j.rig, err)
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
	return fmt.Errorf("journal of rig %s: %w", j.rig, ErrLost)
}

func (j *Journal) newest(ctx context.Context) (*js.RawStreamMsg, error) {
	last, err := again(ctx, func(ctx context.Context) (*js.RawStreamMsg, error) {
		return j.store.journal.GetLastMsgForSubject(ctx, "journal."+j.rig)
	})
	if errors.Is(err, js.ErrMsgNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("journal of rig %s: %w", j.rig, err)
	}
	return last, nil
}

// Keep replaces the rig's snapshot. ErrLost says that another has kept one since. After an
// answer that was lost it can say so of this claim's own: the next claim finds what is kept.
func (j *Journal) Keep(ctx context.Context, snapshot []byte) error {
	revision, err := j.store.state.Update(ctx, j.rig, snapshot, j.revision)
	if refusedOrder(err) {
		return fmt.Errorf("snapshot of rig %s: %w", j.rig, ErrLost)
	}
	if err != nil {
		return fmt.Errorf("snapshot of rig %s: %w", j.rig, err)
	}
	j.revision = revision
	return nil
}

// Lines returns the rig's journal from its beginning: lines alone, without claims.
func (s *Store) Lines(ctx context.Context, rig string) ([]byte, error) {
	if err := checkRig(rig); err != nil {
		return nil, err
	}
	last, err := (&Journal{store: s, rig: rig}).newest(ctx)
	if err != nil || last == nil {
		return nil, err
	}
	var out []byte
	for next := uint64(1); next <= last.Sequence; {
		m, err := again(ctx, func(ctx context.Context) (*js.RawStreamMsg, error) {
			return s.journal.GetMsg(ctx, next, js.WithGetMsgSubject("journal."+rig))
		})
		if err != nil {
			return nil, fmt.Errorf("journal of rig %s: %w", rig, err)
		}
		out, next = append(out, m.Data...), m.Sequence+1
	}
	return out, nil
}

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
