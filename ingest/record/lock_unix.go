//go:build linux || darwin

package record

import (
	"errors"
	"os"
	"syscall"
)

// tryLock takes the file for this process alone, without waiting. The system lets it
// go when the process ends, however it ends.
func tryLock(f *os.File) (taken bool, err error) {
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}
