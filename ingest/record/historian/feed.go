package historian

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/record"
)

// feed makes batches of what is recorded behind the places.
type feed struct {
	dir      string
	places   *places
	complete uint64 // up to it nothing more comes: it was recorded by an earlier run
	whole    bool   // the recorder is closed: nothing more comes at all
	turn     int    // rig that is read first
	files    map[string]fileState
}

// fileState is what was seen of a file, as long as its stamp stays.
type fileState struct {
	stamp record.Stamp
	span  record.Span
	err   error // damage
}

// batch is what is sent together.
type batch struct {
	points []point
	left   []refusal        // lines that cannot be put into line protocol
	places map[string]place // where the rigs stand when it is delivered
	oldest time.Time        // receipt of its oldest entry
	more   bool             // there is more waiting
}

func (b *batch) empty() bool { return len(b.places) == 0 }

func newFeed(dir string, complete uint64, p *places) *feed {
	return &feed{dir: dir, complete: complete, places: p, files: map[string]fileState{}}
}

// next returns a batch of about most entries, of one rig after the other. What could
// not be read is in the error, beside a batch of the rest.
func (f *feed) next(most int) (*batch, error) {
	b := &batch{places: map[string]place{}}
	rigs, err := folders(f.dir)
	if err != nil {
		return b, err
	}
	var all []error
	room := most
	for i := range rigs {
		at := (f.turn + i) % len(rigs)
		if room <= 0 {
			f.turn, b.more = at, true
			break
		}
		n, err := f.rig(b, rigs[at], room)
		if room -= n; err != nil {
			all = append(all, fmt.Errorf("rig %s: %w", rigs[at], err))
		}
	}
	return b, errors.Join(all...)
}

func folders(dir string) ([]string, error) {
	found, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var names []string
	for _, d := range found {
		if d.IsDir() {
			names = append(names, d.Name())
		}
	}
	return names, nil
}

// rig adds entries of one rig to b, and what belongs to them, and returns how many
// they were.
func (f *feed) rig(b *batch, rig string, most int) (int, error) {
	spans, damage, err := f.look(rig)
	if err != nil {
		return 0, err
	}
	from := f.places.of(rig)
	paths, upTo, more := f.choose(spans, from.seq)
	if len(paths) == 0 {
		return 0, damage
	}
	r := reading{b: b, to: from}
	n, err := r.entries(from.seq, upTo, most, paths)
	if err == nil {
		if n < most {
			r.to.seq = upTo // what is between is not read, or was never there
		}
		err = errors.Join(r.estimates(from.seq, paths), r.events(from.seq, paths))
	}
	if err != nil {
		return 0, err
	}
	b.points = append(b.points, r.points...)
	b.left = append(b.left, r.left...)
	b.places[rig] = r.to
	b.more = b.more || more || n == most
	if !r.oldest.IsZero() && (b.oldest.IsZero() || r.oldest.Before(b.oldest)) {
		b.oldest = r.oldest
	}
	return n, errors.Join(damage, r.damage)
}

// look brings the state of a rig's files up to date. Damage is told once.
func (f *feed) look(rig string) (spans map[string]record.Span, damage, err error) {
	paths, err := filepath.Glob(filepath.Join(escape(f.dir), escape(rig), "*.sqlite"))
	if err != nil {
		return nil, nil, err
	}
	spans = map[string]record.Span{}
	for _, path := range paths {
		now, err := record.StampOf(path)
		if err != nil {
			return nil, nil, err
		}
		old, known := f.files[path]
		if !known || old.stamp != now || !now.Settled() || f.whole {
			span, err := record.SpanOf(path)
			if err != nil && !spoiled(err) {
				return nil, nil, err // the order must hold: what cannot be read now is waited for
			}
			if old.err == nil || err == nil {
				damage = errors.Join(damage, err)
			}
			old = fileState{now, span, err}
			f.files[path] = old
		}
		if old.err == nil && old.span.Last > 0 {
			spans[path] = old.span
		}
	}
	return spans, damage, nil
}

func escape(path string) string {
	var b []rune
	for _, r := range path {
		if slices.Contains([]rune(`*?[\`), r) {
			b = append(b, '\\')
		}
		b = append(b, r)
	}
	return string(b)
}

// spoiled tells whether a file will not be readable by waiting.
func spoiled(err error) bool {
	return errors.Is(err, record.ErrDamaged) || errors.Is(err, record.ErrNotRecording) || errors.Is(err, record.ErrNewer)
}

// choose returns the files to read next behind from, and up to which Seq: the one
// that begins first and those that overlap it.
func (f *feed) choose(spans map[string]record.Span, from uint64) (paths []string, upTo uint64, more bool) {
	var horizon uint64
	for path, s := range spans {
		horizon = max(horizon, f.horizon(s))
		if s.Last > from {
			paths = append(paths, path)
		}
	}
	if horizon <= from {
		return nil, 0, false
	}
	slices.SortFunc(paths, func(a, b string) int {
		return cmp.Or(cmp.Compare(spans[a].First, spans[b].First), cmp.Compare(a, b))
	})
	n := 1
	last := spans[paths[0]].Last
	for n < len(paths) && spans[paths[n]].First <= last {
		last = max(last, spans[paths[n]].Last)
		n++
	}
	return paths[:n], min(last, horizon), last < horizon
}

// horizon is the Seq up to which a file has all that will come: an event or estimate
// of an entry is written before the next entry.
func (f *feed) horizon(s record.Span) uint64 {
	switch {
	case f.whole || s.Whole <= f.complete:
		return s.Whole
	case s.Whole == 0:
		return 0
	}
	return s.Whole - 1
}

// reading collects what belongs to one rig.
type reading struct {
	b      *batch
	points []point
	left   []refusal
	to     place
	oldest time.Time
	damage error
}

// fault keeps damage for telling, and returns any other error.
func (r *reading) fault(err error) error {
	if !spoiled(err) {
		return err
	}
	r.damage = errors.Join(r.damage, err)
	return nil
}

func (r *reading) entries(from, upTo uint64, most int, paths []string) (n int, err error) {
	for e, err := range record.ReadAfter(from, paths...) {
		if err != nil {
			if err := r.fault(err); err != nil {
				return n, err
			}
			continue
		}
		if e.Seq > upTo {
			break
		}
		if e.Kind == ingest.EntryGap { // it may stand before entries that it is behind
			continue
		}
		n++
		r.to.seq, r.to.received = e.Seq, e.Received.UnixNano()
		if r.oldest.IsZero() {
			r.oldest = e.Received
		}
		if e.Kind == ingest.EntrySample {
			if p := sampleOf(&e); len(p.fields) > 0 {
				r.points = append(r.points, p)
			}
		}
		if n == most {
			break
		}
	}
	return n, nil
}

func (r *reading) estimates(from uint64, paths []string) error {
	for e, err := range record.EstimatesAfter(from, paths...) {
		if err != nil {
			if err := r.fault(err); err != nil {
				return err
			}
			continue
		}
		if e.Seq > r.to.seq {
			break
		}
		if p := estimateOf(&e); len(p.fields) > 0 {
			r.points = append(r.points, p)
		}
	}
	return nil
}

func (r *reading) events(from uint64, paths []string) error {
	for e, err := range record.EventsAfter(from, paths...) {
		if err != nil {
			if err := r.fault(err); err != nil {
				return err
			}
			continue
		}
		if e.Seq > r.to.seq {
			break
		}
		p, err := eventOf(&e)
		if err != nil {
			r.left = append(r.left, refusal{rig: e.Rig, words: err.Error(), line: string(e.Line)})
			continue
		}
		r.points = append(r.points, p)
	}
	return nil
}
