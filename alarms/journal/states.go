package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"hoistward/alarms"
)

// States keeps each rig's saved alarm state in a folder, one file a rig, for a
// restart. One goroutine writes; of a rig only the newest state waits for it. A state
// that the disk refuses is tried again, until a newer one takes its place.
type States struct {
	dir     string
	trouble func(error) // told of each failure that follows a success
	replace func(path string, b []byte) error
	mu      sync.Mutex
	rigs    map[string]*kept
	closed  bool
	wake    chan struct{}
	stop    chan struct{}
	done    chan struct{}
}

// kept is what States knows of one rig. Counters rise with each Keep.
type kept struct {
	newest       []byte
	asked, wrote uint64
	err          error
	waiting      []waiter
}

type waiter struct {
	asked uint64
	reply chan error
}

// retryStates is the time between two attempts at a state that the disk refused.
const retryStates = time.Second

// OpenStates returns the states in dir. trouble must not block; nil = nobody is told.
func OpenStates(dir string, trouble func(error)) *States {
	return openStates(dir, trouble, ReplaceFile)
}

func openStates(dir string, trouble func(error), replace func(string, []byte) error) *States {
	if trouble == nil {
		trouble = func(error) {}
	}
	s := &States{dir: dir, trouble: trouble, replace: replace, rigs: map[string]*kept{},
		wake: make(chan struct{}, 1), stop: make(chan struct{}), done: make(chan struct{})}
	go s.run()
	return s
}

func (s *States) path(rig string) string { return filepath.Join(s.dir, rig+".json") }

// Load returns what was saved for rig, brought up to the lines of the journal that
// are newer, as text for a session; empty where there is nothing. A state that cannot
// be read is set aside, and lost says so: then only the journal is gone by, as nobody
// had acknowledged anything.
func (s *States) Load(rig string, now time.Time, journal string) (text, lost string, err error) {
	saved, lost := s.read(rig, now)
	if saved.Alarms == nil {
		saved.Alarms = map[alarms.Key]alarms.Alarm{}
	}
	if err := catchUp(&saved, rig, journal, lost != ""); err != nil {
		return "", lost, err
	}
	if len(saved.Alarms) == 0 && saved.At == 0 {
		return "", lost, nil
	}
	b, err := alarms.MarshalState(&saved)
	return string(b), lost, err
}

func (s *States) read(rig string, now time.Time) (saved alarms.Saved, lost string) {
	b, err := os.ReadFile(s.path(rig))
	if errors.Is(err, fs.ErrNotExist) {
		return saved, ""
	}
	if err == nil {
		saved, err = alarms.UnmarshalState(b)
	}
	if err == nil {
		return saved, ""
	}
	aside := s.path(rig) + ".damaged-"
	if errors.Is(err, alarms.ErrNewerState) {
		aside = s.path(rig) + ".newer-"
	}
	aside += now.UTC().Format("20060102T150405.000Z")
	lost = fmt.Sprintf("%v; set aside as %s", err, filepath.Base(aside))
	if moved := os.Rename(s.path(rig), aside); moved != nil {
		lost = fmt.Sprintf("%v; and it could not be set aside: %v", err, moved)
	}
	s.trouble(fmt.Errorf("rig %s: saved state: %s", rig, lost))
	return alarms.Saved{}, lost
}

// Keep makes state the newest of rig. It never blocks.
func (s *States) Keep(rig string, state []byte) {
	s.mu.Lock()
	k := s.rigs[rig]
	if k == nil {
		k = &kept{}
		s.rigs[rig] = k
	}
	k.newest = state
	k.asked++
	s.mu.Unlock()
	s.nudge()
}

func (s *States) nudge() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Sync returns when the state that was kept last for rig, or a newer one, is on disk,
// or with the failure to bring it there.
func (s *States) Sync(rig string) error {
	s.mu.Lock()
	k := s.rigs[rig]
	switch {
	case k == nil || k.wrote == k.asked:
		s.mu.Unlock()
		return nil
	case s.closed:
		s.mu.Unlock()
		return errors.New("the monitor is stopping")
	}
	w := waiter{k.asked, make(chan error, 1)}
	k.waiting = append(k.waiting, w)
	s.mu.Unlock()
	s.nudge()
	return <-w.reply
}

func (s *States) run() {
	defer close(s.done)
	again := time.NewTicker(retryStates)
	defer again.Stop()
	for {
		select {
		case <-s.wake:
		case <-again.C:
		case <-s.stop:
			s.writeAll()
			return
		}
		s.writeAll()
	}
}

func (s *States) writeAll() {
	s.mu.Lock()
	var behind []string
	for rig, k := range s.rigs {
		if k.wrote != k.asked {
			behind = append(behind, rig)
		}
	}
	s.mu.Unlock()
	for _, rig := range behind {
		s.write(rig)
	}
}

func (s *States) write(rig string) {
	s.mu.Lock()
	k := s.rigs[rig]
	state, asked := k.newest, k.asked
	s.mu.Unlock()
	err := s.replace(s.path(rig), state)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		err = fmt.Errorf("rig %s: alarm state: %w", rig, err)
		if k.err == nil {
			s.trouble(err)
		}
	} else {
		if k.wrote = asked; k.asked == asked {
			k.newest = nil // of a thousand rigs it is ten megabytes
		}
	}
	k.err = err
	var later []waiter
	for _, w := range k.waiting {
		if w.asked <= asked {
			w.reply <- err
		} else {
			later = append(later, w)
		}
	}
	k.waiting = later
}

// Err returns the failure that stands, nil where every state is on disk or on its way.
func (s *States) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	for _, k := range s.rigs {
		err = errors.Join(err, k.err)
	}
	return err
}

// Close writes what waits and stops. Keep must not be called after it.
func (s *States) Close(ctx context.Context) error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	close(s.stop)
	select {
	case <-s.done:
		return s.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// ReplaceFile writes b beside path, syncs it, puts it in path's place and syncs the
// folder: at any moment the whole old or the whole new file is there. A folder that is
// not there is made.
func ReplaceFile(path string, b []byte) error {
	dir, name := filepath.Dir(path), filepath.Base(path)+".new-*"
	f, err := os.CreateTemp(dir, name)
	if errors.Is(err, fs.ErrNotExist) { // another disk is in the place of the one before
		if err = os.MkdirAll(dir, 0o755); err == nil {
			f, err = os.CreateTemp(dir, name)
		}
	}
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return syncDir(filepath.Dir(path))
}
