package record

import (
	"encoding/binary"
	"fmt"
	"io"
	"os"
)

// HeaderVersion returns a SQLite file's application_id and user_version from its first
// page, without opening it as a database, which may write to it. known is false where
// it is no SQLite file. What stands only in a write-ahead log is not seen.
//
// Source: SQLite's description of its file format, section 1.3, offsets 60 and 68.
func HeaderVersion(path string) (application, version uint32, known bool) {
	f, err := os.Open(path)
	if err != nil {
		return 0, 0, false
	}
	defer f.Close()
	b := make([]byte, 100)
	if _, err := io.ReadFull(f, b); err != nil || string(b[:16]) != "SQLite format 3\x00" {
		return 0, 0, false
	}
	return binary.BigEndian.Uint32(b[68:]), binary.BigEndian.Uint32(b[60:]), true
}

// tooNew refuses a recording of a newer format before anything can write to it.
func tooNew(path string) error {
	if id, version, known := HeaderVersion(path); known && id == applicationID && version > Format {
		return fmt.Errorf("%w: got format %d, want at most %d", ErrNewer, version, Format)
	}
	return nil
}
