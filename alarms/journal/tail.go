package journal

import (
	"bytes"
	"errors"
	"io"
	"os"
)

// lastLine says how a journal ends.
type lastLine struct {
	torn   bool // the last line has no newline
	length int64
}

// tailOf looks at the end of the file; one that is absent or empty is whole.
func tailOf(path string) (lastLine, error) {
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return lastLine{}, nil
	}
	if err != nil {
		return lastLine{}, err
	}
	end, err := tail(f)
	return end, errors.Join(err, f.Close())
}

func tail(f *os.File) (lastLine, error) {
	st, err := f.Stat()
	if err != nil {
		return lastLine{}, err
	}
	buf := make([]byte, 64<<10)
	for at := st.Size(); at > 0; {
		n := min(at, int64(len(buf)))
		if _, err := f.ReadAt(buf[:n], at-n); err != nil && !errors.Is(err, io.EOF) {
			return lastLine{}, err
		}
		if i := bytes.LastIndexByte(buf[:n], '\n'); i >= 0 {
			length := st.Size() - (at - n) - int64(i) - 1
			return lastLine{torn: length > 0, length: length}, nil
		}
		at -= n
	}
	return lastLine{torn: st.Size() > 0, length: st.Size()}, nil
}
