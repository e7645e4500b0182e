// Package record keeps everything that can change an answer about a rig, and
// gives it back exactly: times to the nanosecond, numbers to the bit, in order.
//
// One SQLite file a rig and day (UTC) is written, DIR/<rig>/<rig>-2026-11-24.sqlite,
// by one goroutine, in transactions of up to a second or 1,000 rows, with a
// write-ahead log that is synced at each commit. The process may die at any
// moment: what Flush has confirmed is there, and at most the last transaction is
// not.
//
// An open file takes some 200 KiB, and a commit as long as the writing of many rows.
// So the files of Options.OpenFiles rigs stay open; those of further rigs are opened in
// turn, 50 a second at most, the one whose rows have waited longest first: with 1,000
// rigs a rig's rows come into its file every 20 s. What waits longer than a second, also
// for a file that cannot be written, is meanwhile in one file for all rigs, the spool,
// which is synced each second: a process that dies loses at most a second of any rig.
// At the next start, or when the folder is read while nobody records in it, the spool is
// folded into the files, each row once. It is bounded (Options.Spool, or twice what waits
// where that is more).
//
// Overload: the queue is bounded, in rows and in bytes. When it is full, or when the
// disk is, the newest entries are not taken; they are counted, and a gap entry in the
// recording says how many and why, before the next one. The caller is never made to
// wait.
//
// Values that are bad have no number in the file and none in what is read back,
// whatever stood in Value.V; values of channels that a message did not name are
// not kept; text that is not UTF-8 is kept with U+FFFD in place of what is not.
//
// The package may not decide what a value means, and may not block the way through.
package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode"
	"unicode/utf8"

	"hoistward/ingest"
)

// LowSpace is how many bytes free are little, where nothing else is said.
const LowSpace = 1 << 30

// Options of a Recorder. The zero value of each field means the default.
type Options struct {
	Software   string        // kept in each file's meta table, e.g. "hoistward 0.3"
	Queue      int           // rows that wait for the writer, 262,144: 26 s of 10,000 a second
	QueueBytes int           // of them as they wait, some 60 a reading, 16 MiB
	Hold       int           // rows held for files that cannot be written now, 16,384
	OpenFiles  int           // files that stay open, 32; see the package
	Pending    int           // bytes of rows that wait for files that do not, 32 MiB
	Spool      int           // bytes of the spool from which on it is written anew, 64 MiB
	LogMost    int           // bytes of a write-ahead log; a longer one is reported, 16 MiB
	Batch      int           // rows of one rig that are written at once, 1,000
	Interval   time.Duration // longest time that a row waits, 1 s
	Retry      time.Duration // between attempts after a failure, 1 s
	IdleClose  time.Duration // a file not written to for so long is closed, 5 min
	CheckTime  time.Duration // spent at most on checking files found at start, 5 s
	LowSpace   uint64        // bytes; less free space than this is reported, 1 GiB
	Estimates  []Column      // of the estimates that AddEstimate takes; none: it takes none

	maxPages func() int // tests: PRAGMA max_page_count of each connection
}

func (o Options) withDefaults() Options {
	set(&o.Queue, 1<<18)
	set(&o.QueueBytes, 16<<20)
	set(&o.OpenFiles, 32)
	set(&o.Pending, 32<<20)
	set(&o.Spool, 64<<20)
	set(&o.LogMost, 16<<20)
	set(&o.Hold, 16384)
	set(&o.Batch, 1000)
	set(&o.Interval, time.Second)
	set(&o.Retry, time.Second)
	set(&o.IdleClose, 5*time.Minute)
	set(&o.CheckTime, 5*time.Second)
	set(&o.LowSpace, LowSpace)
	return o
}

func set[T int | time.Duration | uint64](v *T, to T) {
	if *v <= 0 {
		*v = to
	}
}

// Status says how recording goes.
type Status struct {
	Written   uint64    // entries committed, gap entries included
	Events    uint64    // journal lines committed
	Rejects   uint64    // reject rows committed
	Estimates uint64    // estimates committed
	Dropped   uint64    // entries lost to overload or a disk that could not be written
	Missed    uint64    // journal lines, rejects, estimates and notes lost in the same way
	Refused   uint64    // rows that cannot be recorded, e.g. a Seq used twice
	Queued    int       // waiting now, in the queue or for a file that cannot be written
	Failing   []string  // rigs whose file cannot be written now
	LongLogs  []string  // rigs whose write-ahead log grows, as a reader does not let go
	LastError string    // the last thing that went wrong, empty if nothing did
	ErrorAt   time.Time // when, UTC
	SetAside  []string  // files found damaged and renamed
	Spool     uint64    // bytes of the spool; see the package
	Free      uint64    // bytes free where the recordings are
	FreeKnown bool      // whether Free is known on this system
	LowSpace  bool      // Free is known and less than Options.LowSpace
}

// Recorder writes recordings. All methods may be called from any goroutine.
type Recorder struct {
	dir   string
	opts  Options
	flush chan settling
	stop  chan struct{}
	done  chan struct{}
	held  *os.File           // keeps others out while it is open
	abort context.CancelFunc // gives up writing

	mu      sync.Mutex
	closed  bool
	intake  intake
	scratch item
	lost    map[string]*lost // by rig, not yet told to the writer

	pending atomic.Int64 // rows with the writer

	missed  atomic.Uint64
	dropped atomic.Uint64

	statusMu sync.Mutex
	status   Status
	closeErr error // set before done is closed
}

type itemKind uint8

const (
	itemEntry itemKind = iota
	itemEvent
	itemReject
	itemEstimate
	itemNote
	numItems
)

type item struct {
	kind     itemKind
	entry    ingest.Entry // Seq, Received and Rig are those of any kind of item
	text     string       // journal line, note, or a reject's detail
	source   string
	reason   string
	count    uint64
	estimate *estimateRow
	body     any   // of an entry that is no sample: text or nil
	bad      error // why it can never be written
}

// lost counts entries of one rig that were not taken.
type lost struct {
	count  uint64
	last   ingest.Entry // Seq and Received of the last one lost
	reason string
}

func (l *lost) add(e *ingest.Entry, reason string) *lost {
	if l == nil {
		l = &lost{reason: reason}
	}
	l.count++
	l.last = ingest.Entry{Seq: e.Seq, Received: e.Received, Rig: e.Rig}
	return l
}

// item returns the gap entry; it stands in the place of the last entry lost.
func (l *lost) item() *item {
	if l == nil {
		return nil
	}
	e := l.last
	e.Kind = ingest.EntryGap
	e.Gap = &ingest.Gap{Lost: l.count, Reason: l.reason}
	return &item{kind: itemEntry, entry: e}
}

// Open starts a recorder on dir, which is made if it is not there, and keeps every
// other recorder out of it until Close (ErrInUse, with who holds it). Files are
// opened when the first entry of a rig comes.
func Open(dir string, o Options) (*Recorder, error) {
	if err := checkColumns(o.Estimates); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("recorder: %w", err)
	}
	held, err := lockFolder(dir, o.Software)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	r := &Recorder{
		dir: dir, opts: o.withDefaults(), abort: cancel,
		stop: make(chan struct{}), done: make(chan struct{}),
		lost: map[string]*lost{}, held: held, flush: make(chan settling),
	}
	r.intake = newIntake(r.opts)
	r.foldSpool(ctx)
	w := &writer{r: r, ctx: ctx, checkLeft: r.opts.CheckTime, spool: newSpool(dir, r.opts.Estimates, r.opts.Spool)}
	w.measureSpace(time.Now())
	go w.run()
	return r, nil
}

// CheckRig tells why a rig's name cannot be used for a folder, a file and an address.
func CheckRig(name string) error {
	const reserved = `/\:*?"<>|`
	switch {
	case name == "" || len(name) > 64 || !utf8.ValidString(name):
		return fmt.Errorf("got the rig name %q, want 1 to 64 bytes of text", name)
	case strings.HasPrefix(name, "."), strings.HasSuffix(name, "."),
		strings.TrimSpace(name) != name:
		return fmt.Errorf("got the rig name %q, want one that neither begins nor ends with a space or a dot", name)
	case strings.ContainsAny(name, reserved), strings.ContainsFunc(name, unicode.IsControl):
		return fmt.Errorf("got the rig name %q, want one without %s and control characters", name, reserved)
	case name == "fleet":
		return fmt.Errorf("got the rig name %q, want another: the pages call all rigs so", name)
	}
	return nil
}

// Add takes e to be recorded. It never blocks; false means that e was not taken,
// which is counted and will stand in the recording as a gap. The times of e must
// be UTC, and e.Seq must rise with each entry of a rig.
func (r *Recorder) Add(e ingest.Entry) bool { return r.AddEntry(&e) }

// AddEntry is Add without a copy of the entry; nothing of e is kept.
func (r *Recorder) AddEntry(e *ingest.Entry) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	rig, err := r.intake.rig(e.Rig)
	if err != nil {
		r.refuse(err)
		return false
	}
	if !r.closed {
		r.scratch.kind, r.scratch.entry = itemEntry, *e
		if r.intake.add(rig, r.lost[e.Rig].item(), &r.scratch) {
			delete(r.lost, e.Rig)
			return true
		}
		r.lost[e.Rig] = r.lost[e.Rig].add(e, "the recorder's queue was full")
	}
	r.dropped.Add(1)
	return false
}

// Put takes e to be recorded and waits for room, for importing and simulating
// where nothing watches in the meantime. It is not called at the same time as Close.
func (r *Recorder) Put(ctx context.Context, e ingest.Entry) error {
	return r.put(ctx, &item{kind: itemEntry, entry: e})
}

// AddEvent takes a journal line that entry seq of the rig has made. It never blocks.
func (r *Recorder) AddEvent(rig string, seq uint64, received time.Time, line []byte) bool {
	return r.offer(item{kind: itemEvent, text: string(line),
		entry: ingest.Entry{Rig: rig, Seq: seq, Received: received}})
}

// AddReject takes note of count messages alike that were not understood. Detail
// is cut to 200 characters. It never blocks.
func (r *Recorder) AddReject(rig string, received time.Time, source, reason, detail string, count uint64) bool {
	return r.offer(item{kind: itemReject, source: source, reason: reason, count: count,
		text: cut(strings.ToValidUTF8(detail, "\uFFFD"), 200), entry: ingest.Entry{Rig: rig, Received: received}})
}

func cut(s string, characters int) string {
	n := 0
	for i := range s {
		if n == characters {
			return s[:i]
		}
		n++
	}
	return s
}

func (r *Recorder) offer(it item) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	rig, err := r.intake.rig(it.entry.Rig)
	if err != nil {
		r.refuse(err)
		return false
	}
	if !r.closed && r.intake.add(rig, nil, &it) {
		return true
	}
	r.missed.Add(1)
	return false
}

// takeLost gives the gaps that no later entry has carried to the writer.
func (r *Recorder) takeLost() []*item {
	r.mu.Lock()
	defer r.mu.Unlock()
	var all []*item
	for rig, l := range r.lost {
		all = append(all, l.item())
		delete(r.lost, rig)
	}
	return all
}

// ErrClosed is returned by Flush after Close.
var ErrClosed = errors.New("recorder: closed")

// settling asks the writer to bring all rows to disk, and those of one rig into its file.
type settling struct {
	rig  string // empty = of none
	done chan error
}

// Flush returns when everything added before is on disk, in its file or in the spool,
// or with the error that keeps it from there. What is in the spool is in no reader's
// sight until it has come into its file.
func (r *Recorder) Flush(ctx context.Context) error { return r.settle(ctx, "") }

// settle is Flush, and brings what there is of rig into its file.
func (r *Recorder) settle(ctx context.Context, rig string) error {
	done := make(chan error, 1)
	select {
	case <-r.stop: // closed: even where the writer is still at it
		return ErrClosed
	default:
	}
	select {
	case r.flush <- settling{rig, done}:
	case <-r.done:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("recorder: flush: %w", ctx.Err())
	}
	select {
	case err := <-done:
		return err
	case <-r.done:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("recorder: flush: %w", ctx.Err())
	}
}

// Close takes nothing more, writes what is queued, folds each write-ahead log
// into its file and closes the files. When ctx ends first, it gives up. The error
// says what could not be written.
func (r *Recorder) Close(ctx context.Context) error {
	r.mu.Lock()
	if !r.closed {
		r.closed = true
		close(r.stop)
	}
	r.mu.Unlock()
	select {
	case <-r.done:
		return r.closeErr
	case <-ctx.Done():
		r.abort()
		return fmt.Errorf("recorder: close: %w, %d rows were still queued", ctx.Err(), r.queued())
	}
}

// Status returns how recording goes.
func (r *Recorder) Status() Status {
	r.statusMu.Lock()
	defer r.statusMu.Unlock()
	s := r.status
	s.Failing = append([]string(nil), s.Failing...)
	s.LongLogs = append([]string(nil), s.LongLogs...)
	s.SetAside = append([]string(nil), s.SetAside...)
	s.Dropped += r.dropped.Load()
	s.Missed += r.missed.Load()
	s.Queued = r.queued()
	return s
}

// queued is how many rows are not on disk yet.
func (r *Recorder) queued() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.intake.packed.n + int(r.pending.Load())
}

func (r *Recorder) update(f func(*Status)) {
	r.statusMu.Lock()
	f(&r.status)
	r.statusMu.Unlock()
}

func (r *Recorder) refuse(err error) {
	r.update(func(s *Status) {
		s.Refused++
		s.LastError, s.ErrorAt = err.Error(), time.Now().UTC()
	})
}
