package record

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"time"

	"hoistward/ingest"
)

// Rows wait as bytes: a reading of four channels takes some 60, where the entry itself
// takes ten times that. The form is of this program alone and is on no disk. A packed
// row is
//
//	4   length of what follows, little-endian
//	4   number of the rig
//	1   what it is (itemKind)
//	1   kind of entry
//	8   Received, ns since 1970 modulo 2^64, little-endian
//	    the rest by pack
const packedHead = 18

func packedSize(b []byte) int           { return 4 + int(binary.LittleEndian.Uint32(b)) }
func packedRig(b []byte) uint32         { return binary.LittleEndian.Uint32(b[4:]) }
func packedKind(b []byte) itemKind      { return itemKind(b[8]) }
func packedEntry(b []byte) bool         { return packedKind(b) == itemEntry }
func packedEntryKind(b []byte) byte     { return b[9] }
func packedReceived(b []byte) time.Time { return instant(int64(binary.LittleEndian.Uint64(b[10:]))) }

// pack appends a row to dst.
func pack(dst []byte, rig uint32, it *item) []byte {
	begin := len(dst)
	e := &it.entry
	dst = binary.LittleEndian.AppendUint32(dst, 0)
	dst = binary.LittleEndian.AppendUint32(dst, rig)
	dst = append(dst, byte(it.kind), byte(e.Kind))
	dst = binary.LittleEndian.AppendUint64(dst, uint64(e.Received.UnixNano()))
	dst = packTime(dst, e.Received, instant(e.Received.UnixNano()))
	dst = binary.AppendUvarint(dst, e.Seq)
	switch it.kind {
	case itemEntry:
		if e.Kind == ingest.EntrySample {
			dst = packSample(dst, &e.Sample, e.Received)
		} else {
			dst = packBody(dst, e)
		}
	case itemEstimate:
		dst = packEstimate(dst, it.estimate, e.Received)
	default: // the texts of what is neither
		dst = packText(packText(packText(dst, it.text), it.source), it.reason)
		dst = binary.AppendUvarint(dst, it.count)
	}
	binary.LittleEndian.PutUint32(dst[begin:], uint32(len(dst)-begin-4))
	return dst
}

// How a time stands: against another that is nearly the same, or by itself.
const (
	timeZero = iota
	timeNear
	timeFar
)

func packTime(dst []byte, t, near time.Time) []byte {
	d := t.Sub(near)
	switch {
	case t.IsZero():
		return append(dst, timeZero)
	case near.Add(d).Equal(t):
		return binary.AppendVarint(append(dst, timeNear), int64(d))
	}
	return binary.AppendUvarint(binary.AppendVarint(append(dst, timeFar), t.Unix()), uint64(t.Nanosecond()))
}

// Marks of a value.
const (
	packedPlain  = 0x80 // good, without a reason; else quality and reason follow
	packedNumber = 0x40 // the number follows
)

func packSample(dst []byte, s *ingest.Sample, received time.Time) []byte {
	dst = packTime(dst, s.Time, received)
	dst = binary.AppendUvarint(dst, uint64(s.Has))
	for c := range ingest.NumChannels {
		if !s.Named(c) {
			continue
		}
		v := s.Values[c]
		number := v.Quality != ingest.Bad // of a bad value V means nothing
		mark := byte(0)
		if number {
			mark |= packedNumber
		}
		if v.Quality == ingest.Good && v.Reason == ingest.NoReason {
			mark |= packedPlain
		}
		dst = append(dst, mark)
		if mark&packedPlain == 0 {
			dst = append(dst, byte(v.Quality), byte(v.Reason))
		}
		if number {
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(v.V))
		}
	}
	return dst
}

// Marks of a body.
const (
	bodyNone = iota
	bodyText
	bodyBad // the text says why
)

func packBody(dst []byte, e *ingest.Entry) []byte {
	body, err := encodeBody(e)
	text, ok := body.(string)
	switch {
	case err != nil:
		return packText(append(dst, bodyBad), err.Error())
	case !ok:
		return append(dst, bodyNone)
	}
	return packText(append(dst, bodyText), text)
}

func packText(dst []byte, s string) []byte {
	return append(binary.AppendUvarint(dst, uint64(len(s))), s...)
}

func packEstimate(dst []byte, r *estimateRow, received time.Time) []byte {
	dst = packTime(dst, r.at, received)
	dst = binary.AppendUvarint(dst, uint64(len(r.Numbers)))
	for _, x := range r.Numbers {
		dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(x))
	}
	dst = binary.AppendUvarint(dst, uint64(len(r.Texts)))
	for _, s := range r.Texts {
		dst = packText(dst, s)
	}
	return dst
}

// unpacker reads packed rows, one at a time, into an item of its own.
type unpacker struct {
	b        []byte
	item     item
	estimate estimateRow
	words    map[string]string // texts that come again and again
}

// row returns the row at the beginning of b; it is valid until the next call.
func (u *unpacker) row(rig string, b []byte) *item {
	kind, of := packedKind(b), packedEntryKind(b)
	at := packedReceived(b)
	u.b = b[packedHead : 4+binary.LittleEndian.Uint32(b)]
	it := &u.item
	*it = item{kind: kind}
	e := &it.entry
	e.Rig, e.Kind = rig, ingest.Kind(of)
	e.Received = u.time(at)
	e.Seq = u.number()
	switch kind {
	case itemEntry:
		if e.Kind == ingest.EntrySample {
			u.sample(&e.Sample, e.Received)
			break
		}
		switch mark := u.byte(); mark {
		case bodyText:
			it.body = string(u.bytes())
		case bodyBad:
			it.bad = errors.New(string(u.bytes()))
		}
	case itemEstimate:
		u.readEstimate(e.Received)
		it.estimate = &u.estimate
	default:
		it.text, it.source, it.reason = string(u.bytes()), string(u.bytes()), string(u.bytes())
		it.count = u.number()
	}
	return it
}

func (u *unpacker) byte() byte {
	x := u.b[0]
	u.b = u.b[1:]
	return x
}

func (u *unpacker) number() uint64 {
	x, n := binary.Uvarint(u.b)
	u.b = u.b[n:]
	return x
}

func (u *unpacker) signed() int64 {
	x, n := binary.Varint(u.b)
	u.b = u.b[n:]
	return x
}

func (u *unpacker) float() float64 {
	x := math.Float64frombits(binary.LittleEndian.Uint64(u.b))
	u.b = u.b[8:]
	return x
}

func (u *unpacker) bytes() []byte {
	n := u.number()
	b := u.b[:n]
	u.b = u.b[n:]
	return b
}

// mostWords is how many texts of estimates are kept for the next row.
const mostWords = 1024

func (u *unpacker) word() string {
	b := u.bytes()
	if s, ok := u.words[string(b)]; ok {
		return s
	}
	s := string(b)
	if u.words == nil || len(u.words) >= mostWords {
		u.words = map[string]string{}
	}
	u.words[s] = s
	return s
}

func (u *unpacker) time(near time.Time) time.Time {
	switch u.byte() {
	case timeNear:
		return near.Add(time.Duration(u.signed()))
	case timeFar:
		s := u.signed()
		return time.Unix(s, int64(u.number())).UTC()
	}
	return time.Time{}
}

func (u *unpacker) sample(s *ingest.Sample, received time.Time) {
	s.Time = u.time(received)
	s.Has = uint32(u.number())
	for c := range ingest.NumChannels {
		if !s.Named(c) {
			continue
		}
		v := ingest.Value{Quality: ingest.Good}
		mark := u.byte()
		if mark&packedPlain == 0 {
			v.Quality, v.Reason = ingest.Quality(u.byte()), ingest.Reason(u.byte())
		}
		if mark&packedNumber != 0 {
			v.V = u.float()
		}
		s.Values[c] = v
	}
}

func (u *unpacker) readEstimate(received time.Time) {
	r := &u.estimate
	r.at = u.time(received)
	r.Numbers, r.Texts = r.Numbers[:0], r.Texts[:0]
	for range u.number() {
		r.Numbers = append(r.Numbers, u.float())
	}
	for range u.number() {
		r.Texts = append(r.Texts, u.word())
	}
}

// rows are packed rows in order.
type rows struct {
	b []byte
	n int
}

func (r *rows) add(row []byte) {
	r.b = append(r.b, row...)
	r.n++
}

// drop takes the first n rows, size bytes, away.
func (r *rows) drop(n, size int) {
	rest := copy(r.b, r.b[size:])
	r.b = r.b[:rest]
	if r.n -= n; r.n == 0 && cap(r.b) > keptRoom {
		r.b = nil
	}
}

// keptRoom is how much room a rig's rows keep once they are written, bytes.
const keptRoom = 16 << 10

// insert puts row before the one at offset at.
func (r *rows) insert(at int, row []byte) {
	b := make([]byte, 0, len(r.b)+len(row))
	b = append(append(append(b, r.b[:at]...), row...), r.b[at:]...)
	r.b, r.n = b, r.n+1
}

// gapOf reads what a packed gap entry says.
func gapOf(it *item) *ingest.Gap {
	var g ingest.Gap
	text, ok := it.body.(string)
	if it.entry.Kind != ingest.EntryGap || !ok || json.Unmarshal([]byte(text), &g) != nil {
		return nil
	}
	return &g
}
