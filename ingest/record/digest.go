package record

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"hoistward/ingest"
)

// Contents says what one recording holds, with its digests: a report names by them
// what it was made from.
type Contents struct {
	File      string    `json:"file"` // without its folder
	Rig       string    `json:"rig"`
	Entries   uint64    `json:"entries"`
	FirstSeq  uint64    `json:"first_seq"`
	LastSeq   uint64    `json:"last_seq"`
	First     time.Time `json:"first_received"`
	Last      time.Time `json:"last_received"`
	EntryHash string    `json:"entries_sha256"` // of the entries' content: a copy has the same
	FileHash  string    `json:"file_sha256"`    // of the file's bytes: a copy may have another
	LogBeside bool      `json:"log_beside"`     // a write-ahead log stands beside the file, which FileHash is not of
	Damage    []string  `json:"damage,omitempty"`
}

// RigOf returns the rig whose recording path is.
func RigOf(path string) (string, error) {
	s, err := openSource(path)
	if err != nil {
		return "", err
	}
	return s.rig, s.db.Close()
}

// Digest reads the recording at path through. What is damaged is told in Contents;
// an error means that nothing can be said of the file.
func Digest(path string) (Contents, error) {
	c := Contents{File: filepath.Base(path), LogBeside: walBeside(path)}
	var err error
	if c.FileHash, err = fileHash(path); err != nil {
		return c, fmt.Errorf("digest of a recording: %w", err)
	}
	sum := newEntrySum()
	for e, err := range Read(path) {
		if err != nil {
			c.Damage = append(c.Damage, strings.ReplaceAll(err.Error(), path, c.File))
			continue
		}
		if c.Entries == 0 {
			c.Rig, c.FirstSeq, c.First = e.Rig, e.Seq, e.Received
		}
		c.Entries++
		c.LastSeq, c.Last = e.Seq, e.Received
		if err := sum.add(&e); err != nil {
			return c, fmt.Errorf("digest of %s, entry %d: %w", c.File, e.Seq, err)
		}
	}
	c.EntryHash = sum.text()
	return c, nil
}

func fileHash(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// entrySum is a SHA-256 over entries in a form of its own, so that it does not depend
// on how the file's pages lie: a heading, then of each entry its Seq, Received, Kind
// and rig; of a sample its time and, of each channel that it named, number, value,
// quality and reason; of any other the JSON of what it carries. Numbers are 8 bytes
// little-endian, texts have their length before them.
type entrySum struct {
	hash hash.Hash
	buf  []byte
}

const entrySumHeading = "hoistward entries 1\n"

func newEntrySum() *entrySum {
	s := &entrySum{hash: sha256.New()}
	s.hash.Write([]byte(entrySumHeading))
	return s
}

func (s *entrySum) add(e *ingest.Entry) error {
	s.buf = s.buf[:0]
	s.number(e.Seq)
	s.number(uint64(e.Received.UnixNano()))
	s.number(uint64(e.Kind))
	s.bytes([]byte(e.Rig))
	var body any
	switch {
	case e.Kind == ingest.EntrySample:
		s.sample(&e.Sample)
	case e.Act != nil:
		body = e.Act
	case e.Link != nil:
		body = e.Link
	case e.Session != nil:
		body = e.Session
	case e.Gap != nil:
		body = e.Gap
	}
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return err
		}
		s.bytes(text)
	}
	s.hash.Write(s.buf)
	return nil
}

func (s *entrySum) sample(m *ingest.Sample) {
	s.number(uint64(m.Time.UnixNano()))
	for c := range ingest.NumChannels {
		if !m.Named(c) {
			continue
		}
		v := m.Values[c]
		bits := math.Float64bits(v.V)
		if v.Quality == ingest.Bad {
			bits = 0 // it means nothing
		}
		s.number(uint64(c))
		s.number(bits)
		s.number(uint64(v.Quality)<<8 | uint64(v.Reason))
	}
}

func (s *entrySum) number(x uint64) { s.buf = binary.LittleEndian.AppendUint64(s.buf, x) }

func (s *entrySum) bytes(b []byte) {
	s.number(uint64(len(b)))
	s.buf = append(s.buf, b...)
}

func (s *entrySum) text() string { return hex.EncodeToString(s.hash.Sum(nil)) }
