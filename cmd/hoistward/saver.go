package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
)

// saver keeps the alarms' state on disk for a restart, the newest of each rig,
// beside the loop and never in its way.
type saver struct {
	dir     string
	log     *zap.Logger
	mu      sync.Mutex
	waiting map[string][]byte
	wake    chan struct{}
	stop    chan struct{}
	done    chan struct{}
}

func newSaver(dir string, log *zap.Logger) *saver {
	s := &saver{
		dir: dir, log: log, waiting: map[string][]byte{},
		wake: make(chan struct{}, 1), stop: make(chan struct{}), done: make(chan struct{}),
	}
	go s.run()
	return s
}

func (s *saver) path(rig string) string { return filepath.Join(s.dir, rig+".json") }

// load returns the state saved for rig, "" where there is none. A state that cannot
// be read is set aside: what is active then comes back unacknowledged.
func (s *saver) load(rig string, now time.Time) string {
	b, err := os.ReadFile(s.path(rig))
	if errors.Is(err, os.ErrNotExist) {
		return ""
	}
	if err == nil {
		_, err = alarms.UnmarshalState(b)
	}
	if err != nil {
		aside := s.path(rig) + ".damaged-" + now.UTC().Format("20060102T150405Z")
		s.log.Error("alarm state cannot be read: set aside", zap.String("rig", rig), zap.String("as", aside), zap.Error(err))
		if err := os.Rename(s.path(rig), aside); err != nil {
			s.log.Error("alarm state cannot be set aside", zap.Error(err))
		}
		return ""
	}
	return string(b)
}

func (s *saver) save(rig string, state []byte) {
	s.mu.Lock()
	s.waiting[rig] = state
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

func (s *saver) run() {
	defer close(s.done)
	for {
		select {
		case <-s.wake:
			s.write()
		case <-s.stop:
			s.write()
			return
		}
	}
}

func (s *saver) write() {
	s.mu.Lock()
	batch := s.waiting
	s.waiting = map[string][]byte{}
	s.mu.Unlock()
	for rig, state := range batch {
		if err := replaceFile(s.path(rig), state); err != nil {
			s.log.Error("alarm state cannot be saved", zap.String("rig", rig), zap.Error(err))
		}
	}
}

// replaceFile writes b beside path, syncs it and puts it in path's place.
func replaceFile(path string, b []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new-*")
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
	return err
}

func (s *saver) close(ctx context.Context) error {
	close(s.stop)
	return waitFor(ctx, s.done)
}
