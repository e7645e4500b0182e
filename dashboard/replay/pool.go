package replay

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"io"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"hoistward/alarms/watch"
)

// Options are what a Desk is made from.
type Options struct {
	Library *Library
	Open    watch.Open
	// Set returns a rig file with settings made in it, or why they cannot be.
	Set func(rigFile []byte, settings []string) ([]byte, error)
	// Keys lists what can be set in a rig file; the answer is handed on as JSON.
	Keys func(rigFile []byte) any
	// Report makes an incident report and says what it could not read; nil = there are none.
	Report func(context.Context, ReportOf) (page []byte, problems []string, err error)
	// Truth opens the simulator's truth of a rig; nil, nil = there is none.
	Truth func(rig string) (io.ReadCloser, error)
	Now   func() time.Time // nil = time.Now

	Workers  int           // runs at once; 0 = 1
	Waiting  int           // behind them; 0 = 4
	RunBytes int64         // of memory for one result; 0 = 192 MiB: a day of 10 Hz takes 110
	AllBytes int64         // for all; 0 = 384 MiB
	Keep     time.Duration // a result that nobody asks for; 0 = 15 min
}

// ReportOf says which incident report is wanted.
type ReportOf struct {
	Rig           string
	Files         []string
	At            time.Time
	Before, After time.Duration
	Set           []string
	Alarm         string
}

func (o Options) withDefaults() Options {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Workers == 0 {
		o.Workers = 1
	}
	if o.Waiting == 0 {
		o.Waiting = 4
	}
	if o.RunBytes == 0 {
		o.RunBytes = 192 << 20
	}
	if o.AllBytes == 0 {
		o.AllBytes = 384 << 20
	}
	if o.Keep == 0 {
		o.Keep = 15 * time.Minute
	}
	return o
}

// What a run is at.
const (
	stateWaiting   = "waiting"
	stateRunning   = "running"
	stateDone      = "done"
	stateFailed    = "failed"
	stateCancelled = "cancelled"
)

// Run is one request and what has become of it.
type Run struct {
	ID         string    `json:"id"`
	Rig        string    `json:"rig"`
	Request    Request   `json:"request"`
	State      string    `json:"state"`
	Progress   float64   `json:"progress"` // 0 to 1
	Error      string    `json:"error"`
	Problems   []string  `json:"problems"` // what of the recording could not be used
	Recordings []string  `json:"recordings"`
	Result     *Result   `json:"result,omitempty"`
	asked      time.Time // last
	files      []Recording
	cancel     context.CancelFunc
}

// Bounds of what is remembered. Chosen here.
const (
	mostRuns     = 40
	mostProblems = 50
	tidyEvery    = 30 * time.Second
)

// ErrBusy is that the queue is full.
var ErrBusy = errors.New("other replays are waiting already: ask again when one has ended, or cancel one")

// Desk plays recordings for pages. Make it with New, end it with Close.
type Desk struct {
	o     Options
	queue chan *Run
	ctx   context.Context
	stop  context.CancelFunc
	group sync.WaitGroup

	mu   sync.Mutex
	runs map[string]*Run
}

// New returns a desk whose workers wait.
func New(o Options) *Desk {
	d := &Desk{o: o.withDefaults(), runs: map[string]*Run{}}
	d.queue = make(chan *Run, d.o.Waiting)
	d.ctx, d.stop = context.WithCancel(context.Background())
	for range d.o.Workers {
		d.group.Go(d.work)
	}
	d.group.Go(d.tidy)
	return d
}

// Close ends what runs, and drops every result.
func (d *Desk) Close(ctx context.Context) error {
	d.stop()
	done := make(chan struct{})
	go func() { d.group.Wait(); close(done) }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (d *Desk) work() {
	for {
		select {
		case <-d.ctx.Done():
			return
		case r := <-d.queue:
			d.play(r)
		}
	}
}

func (d *Desk) tidy() {
	tick := time.NewTicker(tidyEvery)
	defer tick.Stop()
	for {
		select {
		case <-d.ctx.Done():
			return
		case <-tick.C:
			d.mu.Lock()
			freed := d.expire(d.o.AllBytes)
			d.mu.Unlock()
			giveBack(freed)
		}
	}
}

// ask puts a run in the queue. The request has been checked.
func (d *Desk) ask(q Request, files []Recording) (Run, error) {
	var id [8]byte
	rand.Read(id[:])
	r := &Run{ID: hex.EncodeToString(id[:]), Rig: files[0].Rig, Request: q, State: stateWaiting, Problems: []string{}, files: files}
	for _, f := range files {
		r.Recordings = append(r.Recordings, f.ID)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.expire(d.o.AllBytes)
	r.asked = d.o.Now()
	select {
	case d.queue <- r:
	default:
		return Run{}, ErrBusy
	}
	d.runs[r.ID] = r
	return *r, nil
}

// get returns a run as it is now. That is asking for it.
func (d *Desk) get(id string) (Run, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	r := d.runs[id]
	if r == nil {
		return Run{}, false
	}
	r.asked = d.o.Now()
	c := *r
	c.Problems = slices.Clone(r.Problems)
	return c, true
}

// drop cancels a run and forgets it.
func (d *Desk) drop(id string) {
	d.mu.Lock()
	r := d.runs[id]
	var freed int64
	if r != nil {
		freed = d.forget(r)
	}
	d.mu.Unlock()
	giveBack(freed)
}

func (d *Desk) forget(r *Run) (freed int64) {
	if r.cancel != nil {
		r.cancel()
	}
	if r.State == stateWaiting || r.State == stateRunning {
		r.State = stateCancelled
	}
	delete(d.runs, r.ID)
	if r.Result != nil {
		return r.Result.bytes()
	}
	return 0
}

// giveBackFrom is how much memory must be free for the system to be given it at once:
// that walks the heap.
const giveBackFrom = 16 << 20

func giveBack(freed int64) {
	if freed >= giveBackFrom {
		debug.FreeOSMemory()
	}
}

// expire forgets what nobody has asked for, and the oldest of what is above most bytes.
func (d *Desk) expire(most int64) (freed int64) {
	now := d.o.Now()
	var total int64
	var ended []*Run
	for _, r := range d.runs {
		switch {
		case r.State == stateWaiting || r.State == stateRunning:
		case now.Sub(r.asked) > d.o.Keep:
			freed += d.forget(r)
		default:
			ended = append(ended, r)
			if r.Result != nil {
				total += r.Result.bytes()
			}
		}
	}
	slices.SortFunc(ended, func(a, b *Run) int { return a.asked.Compare(b.asked) })
	for len(ended) > 0 && (total > most || len(ended) > mostRuns) {
		n := d.forget(ended[0])
		freed, total, ended = freed+n, total-n, ended[1:]
	}
	return freed
}

// room drops the oldest results until one more of the greatest size may be made.
func (d *Desk) room() {
	d.mu.Lock()
	freed := d.expire(d.o.AllBytes - d.o.RunBytes)
	d.mu.Unlock()
	giveBack(freed)
}

func (d *Desk) play(r *Run) {
	ctx, cancel := context.WithCancel(d.ctx)
	defer cancel()
	d.mu.Lock()
	if r.State != stateWaiting {
		d.mu.Unlock()
		return // dropped while it waited
	}
	r.State, r.cancel = stateRunning, cancel
	d.mu.Unlock()
	d.room()
	p := playing{o: &d.o, q: &r.Request, rig: r.Rig, files: r.files,
		progress: func(share float64) { d.change(func() { r.Progress = share }) },
		problem:  func(text string) { d.change(func() { r.addProblem(text) }) },
	}
	result, err := p.run(ctx)
	d.change(func() {
		r.asked = d.o.Now()
		switch {
		case r.State == stateCancelled:
		case ctx.Err() != nil:
			r.State = stateCancelled
		case err != nil:
			r.State, r.Error = stateFailed, p.withoutFolders(err.Error())
		default:
			r.State, r.Progress, r.Result = stateDone, 1, result
		}
	})
}

func (r *Run) addProblem(text string) {
	switch n := len(r.Problems); {
	case n < mostProblems:
		r.Problems = append(r.Problems, text)
	case n == mostProblems:
		r.Problems = append(r.Problems, "and more")
	}
}

func (d *Desk) change(do func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	do()
}
