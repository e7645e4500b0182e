package record

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// The spool keeps rows that wait for a file which does not stay open, those of all
// rigs together, so that one sync a second makes them safe. It is a folder of segments,
// each written from its beginning to its end and removed when all its rows are in their
// files. What is left of it by a process that died is folded into the files by the next
// recorder of the folder, and by whoever reads the folder while nobody records in it.
//
// A segment is
//
//	8   "HWSPOOL1"
//	4   length of the head, little-endian
//	4   CRC-32C of the head
//	    the head, JSON: spoolHead
//	    frames
//
// and a frame
//
//	4   "HWSF"
//	4   length of what follows the next field, little-endian
//	4   CRC-32C of it
//	    number of the first row, varint; then for each of some rigs its name (length and
//	    text), how many rows, of how many bytes (varints), and the rows as pack has them
//
// Rows are numbered in the order of their writing. A transaction that brings rows into
// a rig's file puts the number of the last of them beside them, in table meta under
// "spool " and the run: a row is in its file if, and only if, its number is not greater.
const (
	spoolFolder  = ".spool" // no rig's name begins with a dot
	spoolEnding  = ".spool"
	segmentMagic = "HWSPOOL1"
	frameMagic   = "HWSF"
	segmentHead  = len(segmentMagic) + 8
	frameHead    = len(frameMagic) + 8
)

// spoolHead is what a segment says of itself.
type spoolHead struct {
	Run     uint64   `json:"run"`    // of the recorder that writes it, drawn by lot
	Serial  int      `json:"serial"` // number of the segment, as in its name
	Base    int      `json:"base"`   // the run's segments below it are void: their rows stand here
	Columns []Column `json:"columns"`
}

// frameMost is how many bytes of rows a frame has, about.
const frameMost = 1 << 20

// spool is the writer's side.
type spool struct {
	dir      string
	head     spoolHead
	next     uint64 // number of the next row
	most     int64  // bytes; beyond, and beyond twice what waits, it is written anew
	segments []*segment
	file     *os.File // the last segment while it may take more; nil = none may
	b        []byte
}

// segment is one file of a spool.
type segment struct {
	run  uint64
	path string
	size int64
	rows int // that are not in their files
}

// newSpool goes on behind the segments that are in dir.
func newSpool(dir string, columns []Column, most int) *spool {
	return &spool{dir: filepath.Join(dir, spoolFolder), most: int64(most), next: 1,
		head: spoolHead{Run: rand.Uint64(), Columns: columns}}
}

func segmentPath(dir string, serial int) string {
	return filepath.Join(dir, fmt.Sprintf("%08d%s", serial, spoolEnding))
}

func (p *spool) size() (n int64) {
	for _, s := range p.segments {
		n += s.size
	}
	return n
}

// keep writes those rows of the rigs that are in no segment, and syncs once. When it
// returns nil, they are on disk. Waiting is how many bytes of rows wait in all.
func (p *spool) keep(rigs []*rigState, waiting int) error {
	if size := p.size(); size > p.most && size > 2*int64(waiting) {
		return p.rewrite(rigs)
	}
	b, parts := p.frames(p.b[:0], rigs, false)
	if p.recycle(b); len(parts) == 0 {
		return nil
	}
	seg, err := p.append(b)
	if err != nil {
		return fmt.Errorf("recorder: spool: %w", err)
	}
	p.next += given(parts, seg)
	return nil
}

// rewrite puts all rows that wait into a new segment, which makes the others void.
func (p *spool) rewrite(rigs []*rigState) error {
	b, parts := p.frames(p.b[:0], rigs, true)
	p.recycle(b)
	p.closeFile()
	old, base := p.segments, p.head.Base
	seg, err := p.begin(b, true)
	if err != nil {
		p.head.Base = base
		return fmt.Errorf("recorder: spool: %w", err)
	}
	p.segments = []*segment{seg}
	for _, s := range rigs {
		s.parts, s.spooled = s.parts[:0], 0
	}
	p.next += given(parts, seg)
	for _, s := range old {
		if err := os.Remove(s.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("recorder: spool: %w", err)
		}
	}
	return nil
}

// recycle keeps the scratch, unless it is large.
func (p *spool) recycle(b []byte) {
	if p.b = b; cap(b) > 2*frameMost {
		p.b = nil
	}
}

// inFrames are rows of one rig as they stand in frames.
type inFrames struct {
	rig   *rigState
	first uint64
	n     int
	bytes int
}

// given takes note in the rigs of what is in a segment, and returns how many rows that is.
func given(parts []inFrames, seg *segment) (n uint64) {
	for _, f := range parts {
		f.rig.parts = append(f.rig.parts, part{seg, f.first, f.n})
		f.rig.spooled += f.bytes
		seg.rows += f.n
		n += uint64(f.n)
	}
	return n
}

// frames appends frames of rows to b: of all that wait, or of what is in no segment.
func (p *spool) frames(b []byte, rigs []*rigState, all bool) ([]byte, []inFrames) {
	var parts []inFrames
	next, begin := p.next, -1
	for _, s := range rigs {
		from, n := 0, s.rows.n
		if !all {
			from, n = s.spooled, s.rows.n-s.inSpool()
		}
		if n == 0 {
			continue
		}
		if begin < 0 {
			begin = len(b)
			b = append(append(b, frameMagic...), make([]byte, 8)...)
			b = binary.AppendUvarint(b, next)
		}
		rows := s.rows.b[from:]
		b = packText(b, s.rig)
		b = binary.AppendUvarint(b, uint64(n))
		b = binary.AppendUvarint(b, uint64(len(rows)))
		b = append(b, rows...)
		parts = append(parts, inFrames{s, next, n, len(rows)})
		next += uint64(n)
		if len(b)-begin > frameMost {
			closeFrame(b[begin:])
			begin = -1
		}
	}
	if begin >= 0 {
		closeFrame(b[begin:])
	}
	return b, parts
}

func closeFrame(b []byte) {
	body := b[frameHead:]
	binary.LittleEndian.PutUint32(b[len(frameMagic):], uint32(len(body)))
	binary.LittleEndian.PutUint32(b[len(frameMagic)+4:], crc32.Checksum(body, castagnoli))
}

// append writes frames at the end of the last segment, or as a new one, and syncs.
func (p *spool) append(b []byte) (*segment, error) {
	if p.file == nil || p.segments[len(p.segments)-1].size > p.most/16 {
		p.closeFile()
		return p.begin(b, false)
	}
	seg := p.segments[len(p.segments)-1]
	_, err := p.file.WriteAt(b, seg.size)
	if err == nil {
		err = p.file.Sync()
	}
	if err != nil {
		// A part of a frame may be there, and a failed sync says nothing of what is on
		// disk: what is confirmed stays where it is, and the next rows go elsewhere.
		err = errors.Join(err, p.file.Truncate(seg.size))
		p.closeFile()
		return nil, err
	}
	seg.size += int64(len(b))
	return seg, nil
}

// begin makes a segment of frames, the only one that counts where it is sole. It has
// its name when it is whole and on disk.
func (p *spool) begin(b []byte, sole bool) (*segment, error) {
	if err := os.MkdirAll(p.dir, 0o755); err != nil {
		return nil, err
	}
	if err := p.skipTaken(); err != nil {
		return nil, err
	}
	if sole {
		p.head.Base = p.head.Serial
	}
	head, err := json.Marshal(p.head)
	if err != nil {
		return nil, err
	}
	h := binary.LittleEndian.AppendUint32([]byte(segmentMagic), uint32(len(head)))
	h = append(binary.LittleEndian.AppendUint32(h, crc32.Checksum(head, castagnoli)), head...)
	seg := &segment{run: p.head.Run, path: segmentPath(p.dir, p.head.Serial), size: int64(len(h) + len(b))}
	part := seg.path + ".new"
	f, err := os.OpenFile(part, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return nil, err
	}
	if _, err = f.Write(h); err == nil {
		_, err = f.Write(b)
	}
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = os.Rename(part, seg.path)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(part))
	}
	if err := syncFolder(p.dir); err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(seg.path))
	}
	p.file = f
	p.segments = append(p.segments, seg)
	return seg, nil
}

// skipTaken moves on to a serial number behind those of all segments in the folder,
// some of which an earlier run may have left.
func (p *spool) skipTaken() error {
	serials, err := segmentsIn(p.dir)
	if err != nil {
		return err
	}
	p.head.Serial++
	if n := len(serials); n > 0 {
		p.head.Serial = max(p.head.Serial, serials[n-1]+1)
	}
	return nil
}

func (p *spool) closeFile() {
	if p.file != nil {
		p.file.Close() // all of it is synced
		p.file = nil
	}
}

// sweep removes segments whose rows are all in their files, but the last, which may
// take more; with all, that one too, and the folder.
func (p *spool) sweep(all bool) error {
	if all {
		p.closeFile()
	}
	kept := p.segments[:0]
	var errs []error
	for i, s := range p.segments {
		if s.rows > 0 || i == len(p.segments)-1 && p.file != nil {
			kept = append(kept, s)
			continue
		}
		if err := os.Remove(s.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	clear(p.segments[len(kept):])
	p.segments = kept
	if all {
		_ = os.Remove(p.dir) // it stays where it is not empty
	}
	return errors.Join(errs...)
}
