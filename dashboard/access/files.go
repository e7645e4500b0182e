package access

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"time"
)

// modesMean: on Windows a file's mode says nothing of who may read it.
var modesMean = runtime.GOOS != "windows"

// replaceFile writes a file beside the old one, syncs it and takes the old one's place.
func replaceFile(path string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*") // made with mode 0600
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name()) // of the two errors the first says more
		return err
	}
	if d, err := os.Open(filepath.Dir(path)); err == nil {
		_ = d.Sync() // not every file system can; the file itself is on disk
		d.Close()
	}
	return nil
}

// setAside keeps a file that cannot be used under another name, and says under which.
func setAside(path, ending string, now time.Time) string {
	to := path + ending + now.UTC().Format("20060102T150405.000Z")
	if err := os.Rename(path, to); err != nil {
		return fmt.Sprintf("it could not be set aside: %v", err)
	}
	return "it was set aside as " + filepath.Base(to)
}
