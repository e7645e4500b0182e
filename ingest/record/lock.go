package record

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// ErrInUse says that something else records in the folder.
var ErrInUse = errors.New("the folder is in use")

const lockFile = "recorder.lock"

// lockFolder keeps every other recorder out of dir until the file is closed, and
// writes into it who holds it. A file system without locks is no reason not to
// record.
func lockFolder(dir, who string) (*os.File, error) {
	path := filepath.Join(dir, lockFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("recorder: %w", err)
	}
	if taken, err := tryLock(f); !taken && err == nil {
		holder, _ := io.ReadAll(io.LimitReader(f, 400))
		f.Close()
		text := strings.TrimSpace(string(holder))
		if text == "" {
			text = "something that has not said its name"
		}
		return nil, fmt.Errorf("recorder: %s: %w: held by %s; want one program that records in a folder", dir, ErrInUse, text)
	}
	if who == "" {
		who = "a recorder"
	}
	host, _ := os.Hostname()
	line := fmt.Sprintf("%s, process %d on %q since %s\n", who, os.Getpid(), host, time.Now().UTC().Format(time.RFC3339))
	if err := f.Truncate(0); err == nil { // what stands there is for people; a full disk may keep it from them
		_, _ = f.WriteAt([]byte(line), 0)
	}
	return f, nil
}
