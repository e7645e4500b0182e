package record

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// leftover is a segment as it was found.
type leftover struct {
	segment
	head   spoolHead
	blocks []block
	damage error // what of it cannot be read
}

// block are rows of one rig.
type block struct {
	rig   string
	first uint64 // number of the first
	n     int
	rows  []byte
}

// segmentsIn returns the serial numbers of the segments in a spool's folder, rising.
func segmentsIn(dir string) ([]int, error) {
	found, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []int
	for _, d := range found {
		text, ok := strings.CutSuffix(d.Name(), spoolEnding)
		if n, err := strconv.Atoi(text); ok && err == nil && n > 0 {
			all = append(all, n)
		}
	}
	slices.Sort(all)
	return all, nil
}

// readSpool reads the spool of the recordings in dir. Segments that others make void
// have no rows.
func readSpool(dir string) ([]*leftover, error) {
	dir = filepath.Join(dir, spoolFolder)
	serials, err := segmentsIn(dir)
	if err != nil {
		return nil, err
	}
	base := map[uint64]int{}
	var all []*leftover
	for _, n := range serials {
		l, err := readSegment(segmentPath(dir, n))
		switch {
		case errors.Is(err, fs.ErrNotExist):
			continue // its recorder has removed it
		case err != nil:
			return nil, err
		}
		all = append(all, l)
		base[l.run] = max(base[l.run], l.head.Base)
	}
	for _, l := range all {
		if l.head.Serial < base[l.run] {
			l.blocks, l.rows = nil, 0
		}
	}
	return all, nil
}

// readSegment reads what can be trusted of a segment.
func readSegment(path string) (*leftover, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	l := &leftover{segment: segment{path: path, size: int64(len(b))}}
	body, err := readSegmentHead(b, &l.head)
	if err != nil {
		l.damage = fmt.Errorf("%s: %w: %w", path, ErrDamaged, err)
		return l, nil
	}
	l.run = l.head.Run
	lost := 0
	for at := 0; at < len(body); {
		blocks, size := readFrame(body[at:])
		if size == 0 { // look for the next one that is whole
			size = nextFrame(body[at:])
			lost += size
		}
		l.blocks = append(l.blocks, blocks...)
		at += size
	}
	if lost > 0 {
		l.damage = fmt.Errorf("%s: %w: %d of its %d bytes cannot be read", path, ErrDamaged, lost, len(b))
	}
	for _, k := range l.blocks {
		l.rows += k.n
	}
	return l, nil
}

// readSegmentHead returns what comes behind the head.
func readSegmentHead(b []byte, to *spoolHead) ([]byte, error) {
	const name = len(segmentMagic) - 1
	if len(b) > name && string(b[:name]) == segmentMagic[:name] && b[name] > segmentMagic[name] {
		return nil, fmt.Errorf("%w: got version %c of a spool, want at most %c", ErrNewer, b[name], segmentMagic[name])
	}
	if len(b) < segmentHead || string(b[:len(segmentMagic)]) != segmentMagic {
		return nil, errors.New("it does not begin as a spool of this version")
	}
	size := int64(binary.LittleEndian.Uint32(b[len(segmentMagic):]))
	sum := binary.LittleEndian.Uint32(b[len(segmentMagic)+4:])
	b = b[segmentHead:]
	if size > int64(len(b)) || crc32.Checksum(b[:size], castagnoli) != sum {
		return nil, errors.New("the checksum of its head fails")
	}
	if err := json.Unmarshal(b[:size], to); err != nil {
		return nil, err
	}
	return b[size:], nil
}

// readFrame returns the rows of the frame at the beginning of b and its size, 0 where
// none is there that is whole.
func readFrame(b []byte) ([]block, int) {
	if len(b) < frameHead || string(b[:len(frameMagic)]) != frameMagic {
		return nil, 0
	}
	size := int64(binary.LittleEndian.Uint32(b[len(frameMagic):]))
	sum := binary.LittleEndian.Uint32(b[len(frameMagic)+4:])
	body := b[frameHead:]
	if size > int64(len(body)) || crc32.Checksum(body[:size], castagnoli) != sum {
		return nil, 0
	}
	blocks, ok := readBlocks(body[:size])
	if !ok {
		return nil, 0
	}
	return blocks, frameHead + int(size)
}

func readBlocks(b []byte) (all []block, ok bool) {
	number := func() (x uint64) {
		x, n := binary.Uvarint(b)
		ok = ok && n > 0
		b = b[max(0, n):]
		return x
	}
	text := func(n uint64) (s []byte) {
		if ok = ok && n <= uint64(len(b)); ok {
			s, b = b[:n], b[n:]
		}
		return s
	}
	ok = true
	first := number()
	for ok && len(b) > 0 {
		rig := string(text(number()))
		n, size := number(), number()
		k := block{rig: rig, first: first, n: int(n), rows: text(size)}
		first += n
		ok = ok && k.whole()
		all = append(all, k)
	}
	return all, ok
}

// whole tells whether the rows of k follow each other to its end.
func (k *block) whole() bool {
	n := 0
	for b := k.rows; len(b) > 0; n++ {
		if len(b) < packedHead || packedSize(b) < packedHead || packedSize(b) > len(b) || packedKind(b) >= numItems {
			return false
		}
		b = b[packedSize(b):]
	}
	return n == k.n
}

// nextFrame returns how far it is to the next frame that is whole, or to the end.
func nextFrame(b []byte) int {
	for at := 1; at < len(b); at++ {
		i := bytes.Index(b[at:], []byte(frameMagic))
		if i < 0 {
			break
		}
		at += i
		if _, size := readFrame(b[at:]); size > 0 {
			return at
		}
	}
	return len(b)
}

// lastSpooled returns the greatest Seq in the spool of the recordings in dir.
func lastSpooled(dir string) (uint64, error) {
	all, err := readSpool(dir)
	if err != nil {
		return 0, err
	}
	var last uint64
	var u unpacker
	for _, l := range all {
		for _, k := range l.blocks {
			for b := k.rows; len(b) > 0; b = b[packedSize(b):] {
				if it := u.row(k.rig, b); it.entry.Seq <= 1<<62 {
					last = max(last, it.entry.Seq)
				}
			}
		}
	}
	return last, nil
}
