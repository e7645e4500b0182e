package replay

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"hoistward/ingest/record"
)

// Recording is one file as the page lists it.
type Recording struct {
	ID      string `json:"id"`
	Rig     string `json:"rig"`     // empty = the file does not say
	From    int64  `json:"from_ms"` // receipt of the first entry, ms since 1970; 0 = none
	To      int64  `json:"to_ms"`   // of the last
	Raised  int    `json:"alarms"`  // raised in it
	Bytes   int64  `json:"bytes"`   // on disk
	Live    bool   `json:"live"`    // it is being recorded
	Damaged string `json:"damaged"` // what is wrong with it; empty = nothing that a look shows
	path    string
	seen    record.Stamp
}

// liveWithin is how long ago a file with a log beside it was last written for it to
// count as being recorded. Chosen here: a recorder writes at least each second.
const liveWithin = 30 * time.Second

// mostRecordings are listed, the newest.
const mostRecordings = 4000

// Library is the recordings below a folder, or some files. It is safe for concurrent
// use.
type Library struct {
	folder string   // of recordings; empty = files alone
	files  []string // beside it
	mu     sync.Mutex
	known  map[string]Recording // by path
}

// NewLibrary returns the library of a folder of recordings, which need not exist yet,
// and of files named one by one.
func NewLibrary(folder string, files ...string) *Library {
	return &Library{folder: folder, files: files, known: map[string]Recording{}}
}

// List returns the recordings, the newest first.
func (l *Library) List(now time.Time) ([]Recording, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	paths, err := l.paths()
	if err != nil {
		return nil, err
	}
	list := make([]Recording, 0, len(paths))
	kept := map[string]Recording{}
	for _, p := range paths {
		r, err := l.look(p, now)
		if errors.Is(err, fs.ErrNotExist) {
			continue // deleted since
		}
		kept[p.path] = r
		list = append(list, r)
	}
	l.known = kept
	slices.SortFunc(list, func(a, b Recording) int {
		return cmp.Or(cmp.Compare(b.From, a.From), strings.Compare(a.Rig, b.Rig), strings.Compare(a.ID, b.ID))
	})
	return list[:min(len(list), mostRecordings)], nil
}

type found struct{ id, path string }

func (l *Library) paths() ([]found, error) {
	var all []found
	for i, f := range l.files {
		all = append(all, found{fmt.Sprintf("%d/%s", i+1, filepath.Base(f)), f})
	}
	if l.folder == "" {
		return all, nil
	}
	err := filepath.WalkDir(l.folder, func(path string, d fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil:
			return err
		case !d.Type().IsRegular() || !recordingName(d.Name()):
			return nil
		}
		rel, err := filepath.Rel(l.folder, path)
		all = append(all, found{filepath.ToSlash(rel), path})
		return err
	})
	return all, err
}

// recordingName tells a recording, also one that the recorder set aside, from the
// log beside it.
func recordingName(name string) bool {
	aside := strings.Contains(name, ".sqlite.damaged-") || strings.Contains(name, ".sqlite.newer-")
	return strings.HasSuffix(name, ".sqlite") || aside && !strings.HasSuffix(name, "-wal") && !strings.HasSuffix(name, "-shm")
}

func (l *Library) look(p found, now time.Time) (Recording, error) {
	s, err := record.StampOf(p.path)
	if err != nil {
		return Recording{}, err
	}
	r, ok := l.known[p.path]
	if !ok || r.seen != s {
		r = Recording{ID: p.id, path: p.path, seen: s, Bytes: s.Size + s.LogSize}
		sum, err := record.SummaryOf(p.path)
		r.Rig, r.Raised = sum.Rig, sum.Raised
		if !sum.First.IsZero() {
			r.From, r.To = sum.First.UnixMilli(), sum.Last.UnixMilli()
		}
		if err != nil {
			r.Damaged = withoutFolder(err.Error(), p.path)
		} else if strings.Contains(filepath.Base(p.path), ".damaged-") {
			r.Damaged = "set aside by the recorder as damaged"
		} else if strings.Contains(filepath.Base(p.path), ".newer-") {
			r.Damaged = "set aside by the recorder: a newer hoistward wrote it"
		}
	}
	r.Live = s.LogSize > 0 && now.Sub(latest(s.Written, s.LogWritten)) < liveWithin
	return r, nil
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// withoutFolder writes a message without the folders of this machine.
func withoutFolder(text, path string) string {
	text = strings.ReplaceAll(text, path, filepath.Base(path))
	if abs, err := filepath.Abs(path); err == nil {
		text = strings.ReplaceAll(text, abs, filepath.Base(path))
	}
	return text
}

// find returns the recordings of these names, in order of time. They are looked for
// in the list: a name is never made into a path.
func (l *Library) find(ids []string, now time.Time) ([]Recording, error) {
	list, err := l.List(now)
	if err != nil {
		return nil, err
	}
	var out []Recording
	for _, id := range ids {
		i := slices.IndexFunc(list, func(r Recording) bool { return r.ID == id })
		if i < 0 {
			return nil, errNoRecording
		}
		out = append(out, list[i])
	}
	slices.SortFunc(out, func(a, b Recording) int { return cmp.Compare(a.From, b.From) })
	return out, nil
}

var errNoRecording = errors.New("no recording of that name")
