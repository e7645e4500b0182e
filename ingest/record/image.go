package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
)

// images are recordings without rows, as bytes, ready to be written as the file of
// another rig: making the tables by statements takes fifty times as long, and a monitor
// of a thousand rigs makes a thousand files at its start and at each midnight.
type images struct {
	day  string
	made map[int]image // by the length of the rig's name
}

// image is a recording of a rig whose name is put in its place.
type image struct {
	b  []byte
	at int // where the name stands
}

// of returns the bytes of an empty recording of rig on a day.
func (im *images) of(ctx context.Context, dir string, o openOptions) ([]byte, error) {
	if im.day != o.day {
		im.day, im.made = o.day, map[int]image{}
	}
	made, ok := im.made[len(o.rig)]
	if !ok {
		var err error
		if made, err = makeImage(ctx, dir, o); err != nil {
			return nil, err
		}
		im.made[len(o.rig)] = made
	}
	b := bytes.Clone(made.b)
	copy(b[made.at:], o.rig)
	return b, nil
}

// makeImage makes the recordings of two rigs whose names differ in each byte: they
// differ where the name stands, and nowhere else.
func makeImage(ctx context.Context, dir string, o openOptions) (image, error) {
	var both [2][]byte
	for i, letter := range []string{"\x01", "\x02"} {
		part := filepath.Join(dir, ".image.new")
		o := o
		o.rig = strings.Repeat(letter, len(o.rig))
		err := errors.Join(removeAll(part, part+"-journal"), createFile(ctx, part, o))
		if err == nil {
			both[i], err = os.ReadFile(part)
		}
		if err = errors.Join(err, os.Remove(part)); err != nil {
			return image{}, err
		}
	}
	at := firstDifference(both[0], both[1])
	if at < 0 || at+len(o.rig) > len(both[0]) {
		return image{}, errors.New("the recordings of two rigs do not differ")
	}
	other := bytes.Clone(both[0])
	copy(other[at:], strings.Repeat("\x02", len(o.rig)))
	if !bytes.Equal(other, both[1]) {
		return image{}, errors.New("the recordings of two rigs differ in more than the name")
	}
	return image{both[0], at}, nil
}

func firstDifference(a, b []byte) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return -1
}

func removeAll(paths ...string) error {
	for _, p := range paths {
		if err := os.Remove(p); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return nil
}

// createFile makes a recording without rows by statements.
func createFile(ctx context.Context, path string, o openOptions) error {
	dsn, err := fileURL(path, url.Values{"_pragma": {"synchronous(OFF)"}})
	if err != nil {
		return err
	}
	f, err := connect(ctx, dsn, path, o.Options)
	if err != nil {
		return err
	}
	return errors.Join(f.create(ctx, o.rig, o.day, o.Software), f.close())
}

// placeFile puts an empty recording in its place. It is written under another name and
// given its own when it is whole and on disk: a process that dies here leaves nothing
// that a reader could take for a damaged recording.
func placeFile(ctx context.Context, path string, o openOptions) error {
	dir := filepath.Dir(path)
	b, err := o.images.of(ctx, dir, o)
	if err != nil {
		return fmt.Errorf("an empty recording: %w", err)
	}
	part := path + ".new"
	if err := removeAll(path+"-wal", path+"-shm"); err != nil {
		return err
	}
	f, err := os.OpenFile(part, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncFolder(dir)
}
