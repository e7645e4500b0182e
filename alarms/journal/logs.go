package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// Logs are append-only logs, one file a rig in a folder, each kept like a journal: the
// service log is one. A file is made with its first line.
type Logs struct {
	dir  string
	mu   sync.Mutex
	open map[string]*Writer
}

// NewLogs returns the logs in dir.
func NewLogs(dir string) *Logs { return &Logs{dir: dir, open: map[string]*Writer{}} }

// Path returns the file of rig.
func (l *Logs) Path(rig string) string { return filepath.Join(l.dir, rig+".jsonl") }

func (l *Logs) writer(rig string, at time.Time) (*Writer, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if w := l.open[rig]; w != nil {
		return w, nil
	}
	if err := os.MkdirAll(l.dir, 0o755); err != nil {
		return nil, fmt.Errorf("log of %s: %w", rig, err)
	}
	w, err := Open(l.Path(rig), rig, at)
	if err == nil {
		l.open[rig] = w
	}
	return w, err
}

// Append writes one line, without its newline, as Writer.AppendLine does. Where the
// file cannot be opened the line is lost, and the error says so.
func (l *Logs) Append(rig string, at time.Time, line []byte) error {
	w, err := l.writer(rig, at)
	if err != nil {
		return err
	}
	return w.AppendLine(at, line)
}

// Sync returns nil once every line appended for rig is on disk.
func (l *Logs) Sync(rig string) error {
	l.mu.Lock()
	w := l.open[rig]
	l.mu.Unlock()
	if w == nil {
		return fmt.Errorf("log of %s: its file could not be opened", rig)
	}
	return w.Sync()
}

// Close closes every file.
func (l *Logs) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	var err error
	for _, w := range l.open {
		err = errors.Join(err, w.Close())
	}
	l.open = map[string]*Writer{}
	return err
}
