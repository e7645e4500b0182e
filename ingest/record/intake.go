package record

import (
	"context"
	"fmt"
)

// intake is where rows wait for the writer, packed, in order. It is bounded in rows and
// in bytes. The writer looks at it each Options.Interval, or sooner when it is half
// full: a row costs nobody a change of goroutine.
type intake struct {
	limit  int // rows
	bytes  int
	packed rows
	names  []string // of rigs, by number
	number map[string]uint32
	wake   chan struct{} // holds a token while it is half full
	room   chan struct{} // closed when the writer has taken what was there
}

func newIntake(o Options) intake {
	return intake{limit: o.Queue, bytes: o.QueueBytes, number: map[string]uint32{}, wake: make(chan struct{}, 1), room: make(chan struct{})}
}

// rig returns the number of a rig, or why it can have none.
func (q *intake) rig(name string) (uint32, error) {
	if n, ok := q.number[name]; ok {
		return n, nil
	}
	if err := CheckRig(name); err != nil {
		return 0, err
	}
	n := uint32(len(q.names))
	q.number[name] = n
	q.names = append(q.names, name)
	return n, nil
}

// add takes it, with gap before it where there is one, unless there is no room. A row
// that is larger than all the room is taken where nothing else waits.
func (q *intake) add(rig uint32, gap, it *item) bool {
	if q.packed.n >= q.limit || len(q.packed.b) >= q.bytes {
		return false
	}
	before := q.packed
	if gap != nil {
		q.packed.b = pack(q.packed.b, rig, gap)
		q.packed.n++
	}
	q.packed.b = pack(q.packed.b, rig, it)
	q.packed.n++
	if before.n > 0 && len(q.packed.b) > q.bytes {
		q.packed = before
		return false
	}
	if 2*q.packed.n >= q.limit || 2*len(q.packed.b) >= q.bytes {
		q.nudge()
	}
	return true
}

func (q *intake) nudge() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// most that the intake keeps of its room when it was emptied, bytes.
const keptIntake = 1 << 20

// take gives all that waits for spare, which was taken before, and the rigs' names.
func (q *intake) take(spare []byte) (rows, []string) {
	if cap(spare) > keptIntake {
		spare = nil
	}
	taken := q.packed
	q.packed = rows{b: spare[:0]}
	close(q.room)
	q.room = make(chan struct{})
	return taken, q.names
}

// put takes it when there is room.
func (r *Recorder) put(ctx context.Context, it *item) error {
	for {
		r.mu.Lock()
		rig, err := r.intake.rig(it.entry.Rig)
		if err != nil || r.closed {
			r.mu.Unlock()
			if err != nil {
				r.refuse(err)
				return err
			}
			return ErrClosed
		}
		if r.intake.add(rig, nil, it) {
			r.mu.Unlock()
			return nil
		}
		room := r.intake.room
		r.mu.Unlock()
		r.intake.nudge()
		select {
		case <-room:
		case <-r.stop:
			return ErrClosed
		case <-ctx.Done():
			return fmt.Errorf("recorder: %w", ctx.Err())
		}
	}
}
