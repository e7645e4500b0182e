package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

// Copy writes what is recorded of rig on the UTC day of t to the file dst, which
// must not be there yet: one plain file, checked, whole as of now, while recording
// goes on.
func (r *Recorder) Copy(ctx context.Context, rig string, t time.Time, dst string) error {
	if err := CheckRig(rig); err != nil {
		return err
	}
	if err := r.settle(ctx, rig); err != nil && !errors.Is(err, ErrClosed) {
		return err
	}
	return Copy(ctx, Path(r.dir, rig, t), dst)
}

// Copy writes the recording src to the file dst, which must not be there yet.
// Copying src with other tools while it is recorded misses what is still in the
// log beside it.
func Copy(ctx context.Context, src, dst string) (err error) {
	if _, err := os.Stat(dst); err == nil {
		return fmt.Errorf("copy of %s: %s is already there", src, dst)
	}
	s, err := openSource(src)
	if err != nil {
		return fmt.Errorf("copy: %w", err)
	}
	defer s.db.Close()
	part := dst + ".part"
	defer func() {
		if err != nil {
			os.Remove(part)
			err = fmt.Errorf("copy of %s to %s: %w", src, dst, err)
		}
	}()
	if err := os.Remove(part); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if _, err := s.db.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return err
	}
	if err := checkWhole(ctx, part); err != nil {
		return err
	}
	if err := syncFile(part); err != nil {
		return err
	}
	return os.Rename(part, dst)
}

func checkWhole(ctx context.Context, path string) error {
	s, err := openSource(path)
	if err != nil {
		return err
	}
	defer s.db.Close()
	var found string
	if err := s.db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&found); err != nil {
		return s.fault(err)
	}
	if found != "ok" {
		return fmt.Errorf("%s: %w: %s", path, ErrDamaged, found)
	}
	return nil
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
