package watch

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"

	"hoistward/alarms"
	"hoistward/alarms/watch/carry"
)

// A snapshot is a header and a body:
//
//	8   "hoistsn1"
//	32  what it may be read by: SHA-256 of the program's name for itself, of the types
//	    of the state, and of the catalogue
//	32  SHA-256 of the rig file
//	32  SHA-256 of number and body
//	8   number of the newest entry that it holds, little-endian
//	    body
var snapshotMagic = []byte("hoistsn1")

const snapshotHeader = 8 + 3*sha256.Size + 8

// What RestoreRig refuses.
var (
	ErrNoSnapshot    = errors.New("this is no snapshot of a rig")
	ErrDamaged       = errors.New("the snapshot is damaged")
	ErrOtherProgram  = errors.New("the snapshot was made by another version of the program")
	ErrOtherRigFile  = errors.New("the snapshot was made with another rig file")
	errNothingToKeep = errors.New("no session has begun")
)

var stateCodec = sync.OnceValues(func() (*carry.Codec, error) {
	return carry.For[rigState]()
})

// Carrier makes and reads snapshots for one program. It is safe for concurrent use.
type Carrier struct {
	id    [sha256.Size]byte
	codec *carry.Codec
}

// NewCarrier returns a Carrier. program is the program's name for itself, with its
// version and build: another's snapshots are refused, as its answers may be others. An
// error is one of the program, not of any input.
func NewCarrier(program string) (*Carrier, error) {
	codec, err := stateCodec()
	if err != nil {
		return nil, err
	}
	c, print, h := &Carrier{codec: codec}, codec.Fingerprint(), sha256.New()
	fmt.Fprintf(h, "%q %x %+v", program, print, alarms.All())
	h.Sum(c.id[:0])
	return c, nil
}

// Snapshot appends all that w goes by after the entry with the number seq. A rig
// restored from it gives for every entry that follows what w gives.
func (c *Carrier) Snapshot(dst []byte, w *Rig, seq uint64) ([]byte, error) {
	if w.detector == nil {
		return dst, fmt.Errorf("snapshot of rig %s: %w", w.name, errNothingToKeep)
	}
	begin := len(dst)
	dst = append(dst, snapshotMagic...)
	dst = append(append(dst, c.id[:]...), w.file[:]...)
	dst = append(dst, make([]byte, sha256.Size)...)
	dst = binary.LittleEndian.AppendUint64(dst, seq)
	dst, err := c.codec.Append(dst, &w.rigState)
	if err != nil {
		return dst[:begin], fmt.Errorf("snapshot of rig %s: %w", w.name, err)
	}
	sum := sha256.Sum256(dst[begin+snapshotHeader-8:])
	copy(dst[begin+snapshotHeader-8-sha256.Size:], sum[:])
	return dst, nil
}

// Restore returns the rig of a snapshot, and the number of the newest entry that it
// holds. rigFile is the text of the rig file in force. What was made by another
// program, with another rig file, or is not whole is refused: see the errors above.
func (c *Carrier) Restore(name string, open Open, rigFile []byte, snapshot []byte) (*Rig, uint64, error) {
	w, seq, err := c.restore(name, open, rigFile, snapshot)
	if err != nil {
		return nil, 0, fmt.Errorf("restore rig %s: %w", name, err)
	}
	return w, seq, nil
}

func (c *Carrier) restore(name string, open Open, rigFile, snapshot []byte) (*Rig, uint64, error) {
	r := bytes.NewReader(snapshot)
	magic := make([]byte, len(snapshotMagic))
	var id, file, sum [sha256.Size]byte
	for _, part := range [][]byte{magic, id[:], file[:], sum[:]} {
		if _, err := io.ReadFull(r, part); err != nil {
			return nil, 0, ErrNoSnapshot
		}
	}
	rest := snapshot[len(snapshot)-r.Len():]
	switch {
	case !bytes.Equal(magic, snapshotMagic) || len(rest) < 8:
		return nil, 0, ErrNoSnapshot
	case sha256.Sum256(rest) != sum:
		return nil, 0, ErrDamaged
	case id != c.id:
		return nil, 0, ErrOtherProgram
	case file != sha256.Sum256(rigFile):
		return nil, 0, ErrOtherRigFile
	}
	w := NewRig(name, open)
	w.name = ""
	if err := c.codec.Read(rest[8:], &w.rigState); err != nil {
		return nil, 0, err
	}
	if w.name != name || w.file != file {
		return nil, 0, fmt.Errorf("%w: it is of the rig %q", ErrNoSnapshot, w.name)
	}
	return w, binary.LittleEndian.Uint64(rest), nil
}
