package record

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// ReadHolds reads the list of holds, a JSON object a line; a file that is not there
// is an empty list. A line that cannot be read fails it: nothing may be deleted then.
func ReadHolds(path string) ([]Hold, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var all []Hold
	in := bufio.NewScanner(f)
	for n := 1; in.Scan(); n++ {
		if len(bytes.TrimSpace(in.Bytes())) == 0 {
			continue
		}
		var h Hold
		d := json.NewDecoder(bytes.NewReader(in.Bytes()))
		d.DisallowUnknownFields()
		if err := d.Decode(&h); err != nil {
			return nil, fmt.Errorf("%s: line %d: %w", path, n, err)
		}
		if !h.From.Before(h.To) {
			return nil, fmt.Errorf("%s: line %d: got a hold from %s to %s, want a time that ends after it begins", path, n, h.From, h.To)
		}
		all = append(all, h)
	}
	return all, in.Err()
}

// WriteHolds puts the list in the place of the one before.
func WriteHolds(path string, holds []Hold) error {
	var b bytes.Buffer
	for _, h := range holds {
		line, err := json.Marshal(h)
		if err != nil {
			return err
		}
		b.Write(append(line, '\n'))
	}
	part := path + ".part"
	if err := os.WriteFile(part, b.Bytes(), 0o644); err != nil {
		return err
	}
	if err := syncFile(part); err != nil {
		return err
	}
	return os.Rename(part, path)
}
