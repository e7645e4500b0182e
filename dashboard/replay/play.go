package replay

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"hoistward/alarms/watch"
	"hoistward/alarms/whatif"
	"hoistward/ingest"
	"hoistward/ingest/record"
)

// Result is what a run has found; which fields it has is its kind's.
type Result struct {
	Track *Track         `json:"track,omitempty"` // of a what-if, that under the change
	Shift *whatif.Result `json:"shift,omitempty"`
	Key   string         `json:"key,omitempty"` // of a sweep
	Sweep []whatif.Point `json:"sweep,omitempty"`
	page  []byte         // of a report
}

func (r *Result) bytes() int64 {
	n := int64(len(r.page))
	if r.Track != nil {
		n += r.Track.Bytes
	}
	return n
}

// playing is one run under way.
type playing struct {
	o        *Options
	q        *Request
	rig      string
	files    []Recording
	progress func(share float64)
	problem  func(string)
}

// lookEvery is how many entries are played between two looks at whether to go on.
const lookEvery = 256

func (p *playing) run(ctx context.Context) (*Result, error) {
	switch p.q.Kind {
	case WhatIf:
		return p.whatIf(ctx)
	case Sweep:
		return p.sweep(ctx)
	case Report:
		return p.report(ctx)
	}
	return p.replay(ctx)
}

// entries plays what was recorded of the rig, up to the window's end or until take
// says that it has enough.
func (p *playing) entries(ctx context.Context, take func(*ingest.Entry) (more bool, err error)) error {
	var paths []string
	for _, f := range p.files {
		paths = append(paths, f.path)
	}
	first, last := p.files[0].From, p.files[len(p.files)-1].To
	if p.q.To > 0 {
		last = min(last, p.q.To)
	}
	n := 0
	for e, err := range record.Read(paths...) {
		if err != nil {
			p.problem(p.withoutFolders(err.Error()))
			continue
		}
		if p.q.after(e.Received) {
			break
		}
		more, err := take(&e)
		if err != nil {
			return err
		}
		if !more {
			break
		}
		if n++; n%lookEvery == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
			p.progress(min(1, float64(e.Received.UnixMilli()-first)/float64(max(1, last-first))))
		}
	}
	if n == 0 {
		return fmt.Errorf("got no entries, want a recording that has some")
	}
	return nil
}

func (p *playing) withoutFolders(text string) string {
	for _, f := range p.files {
		text = withoutFolder(text, f.path)
	}
	return text
}

func (p *playing) replay(ctx context.Context) (*Result, error) {
	fleet := watch.NewFleet(p.o.Open)
	k, done, err := p.tracker()
	if err != nil {
		return nil, err
	}
	defer done()
	err = p.entries(ctx, func(e *ingest.Entry) (bool, error) {
		out, err := fleet.Apply(e)
		if err != nil {
			return false, err
		}
		k.see(e, &out, fleet.Rig(e.Rig), p.q.holds(e.Received))
		return p.room(k), nil
	})
	if err != nil {
		return nil, err
	}
	return &Result{Track: p.finish(k)}, nil
}

func (p *playing) tracker() (*tracker, func(), error) {
	if p.o.Truth == nil {
		return newTracker(p.rig, nil), func() {}, nil
	}
	file, err := p.o.Truth(p.rig)
	if err != nil {
		return nil, nil, err
	}
	if file == nil {
		return newTracker(p.rig, nil), func() {}, nil
	}
	truth, err := newTruth(file)
	if err != nil {
		file.Close()
		return nil, nil, err
	}
	return newTracker(p.rig, truth), func() { file.Close() }, nil
}

// room tells whether the track may grow, and says where it ends if not.
func (p *playing) room(k *tracker) bool {
	if k.track.table.bytes <= p.o.RunBytes {
		return true
	}
	p.problem(fmt.Sprintf("what is kept of one recording is full at %s: choose a shorter window to see what comes after it", stamped(k.last)))
	return false
}

func stamped(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

func (p *playing) finish(k *tracker) *Track {
	t := k.finish()
	if why := k.truthOfOneRun(); why != "" {
		p.problem(why)
		t.Columns = slices.DeleteFunc(t.Columns, func(q Quantity) bool { return q.From == "truth" })
	}
	if k.truth != nil && k.truth.err != nil {
		p.problem("truth file: " + k.truth.err.Error())
	}
	return t
}

func (p *playing) change(settings []string) whatif.Change {
	return func(recorded []byte) ([]byte, error) { return p.o.Set(recorded, settings) }
}

func (p *playing) whatIf(ctx context.Context) (*Result, error) {
	c := whatif.Compare(p.o.Open, p.change(p.q.Set))
	k := newTracker(p.rig, nil)
	err := p.entries(ctx, func(e *ingest.Entry) (bool, error) {
		shown := p.q.holds(e.Received)
		out, err := c.Apply(e, shown)
		if err != nil {
			return false, err
		}
		k.see(e, &out, c.Fleet().Rig(e.Rig), shown)
		return p.room(k), nil
	})
	if err != nil {
		return nil, err
	}
	shift := c.Result()
	return &Result{Track: p.finish(k), Shift: &shift}, nil
}

func (p *playing) sweep(ctx context.Context) (*Result, error) {
	key, lanes := p.lanes()
	s := whatif.NewSweep(p.o.Open, p.q.Alarm, lanes)
	err := p.entries(ctx, func(e *ingest.Entry) (bool, error) { return true, s.Apply(e, p.q.holds(e.Received)) })
	if err != nil {
		return nil, err
	}
	return &Result{Key: key, Sweep: s.Points(s.Rigs())}, nil
}

func (p *playing) lanes() (swept string, lanes []whatif.Lane) {
	var fixed, values []string
	for _, set := range p.q.Set {
		key, value, _ := cutSetting(set)
		if v, is, _ := whatif.Values(value); is {
			swept, values = key, v
		} else {
			fixed = append(fixed, set)
		}
	}
	for _, v := range values {
		lanes = append(lanes, whatif.Lane{Value: v, Change: p.change(append(slices.Clone(fixed), swept+"="+v))})
	}
	return swept, lanes
}

func (p *playing) report(ctx context.Context) (*Result, error) {
	var paths []string
	for _, f := range p.files {
		paths = append(paths, f.path)
	}
	page, problems, err := p.o.Report(ctx, ReportOf{Rig: p.rig, Files: paths, At: time.UnixMilli(p.q.At).UTC(),
		Before: seconds(p.q.Before), After: seconds(p.q.After), Set: p.q.Set, Alarm: p.q.Alarm})
	for _, text := range problems {
		p.problem(text)
	}
	if err != nil {
		return nil, fmt.Errorf("%s", p.withoutFolders(err.Error()))
	}
	return &Result{page: page}, nil
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// fileName is a name for a download: of the rig, the time and what it is.
func fileName(rig string, at int64, what string) string {
	clean := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r == '-' || r == '_' || r == '.' {
			return r
		}
		return '-'
	}, rig)
	return clean + "-" + time.UnixMilli(at).UTC().Format("20060102T150405Z") + "-" + what
}
