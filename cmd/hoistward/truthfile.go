package main

import (
	"errors"
	"os"
	"path/filepath"

	"hoistward/simulator"
)

// truthFile keeps what really happened on a simulated rig.
type truthFile struct {
	f *os.File
	w *simulator.TruthWriter
}

func newTruthFile(path string) (*truthFile, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, err
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	return &truthFile{f: f, w: simulator.NewTruthWriter(f)}, nil
}

// Write adds a row; a nil file takes none.
func (t *truthFile) Write(x *simulator.Truth) error {
	if t == nil {
		return nil
	}
	return t.w.Write(x)
}

func (t *truthFile) close() error {
	if t == nil {
		return nil
	}
	return errors.Join(t.w.Flush(), t.f.Close())
}
