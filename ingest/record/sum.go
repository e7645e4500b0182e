package record

import (
	"encoding/binary"
	"hash/crc32"
	"math"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// rowSum works out the checksum of rows of certain columns: a flipped byte inside
// a number leaves the file's structure whole, and nothing else would find it.
//
// The sum is that of the CRC-32C of each column that is not NULL, over its name,
// its type and its value, modulo 2³². So it depends neither on the order of the
// columns nor on those that a later program adds.
type rowSum struct {
	names   []uint32 // CRC-32C of each column's name
	left    int      // number of the one column that is left out, from 1; 0 = none
	scratch []byte
}

func newRowSum(columns []string) *rowSum {
	s := &rowSum{}
	for _, c := range columns {
		s.names = append(s.names, crc32.Checksum([]byte(c), castagnoli))
	}
	return s
}

// leaveOut takes a column out of the sum.
func (s *rowSum) leaveOut(i int) { s.left = i + 1 }

// of returns the checksum of a row, whose values are nil, int64, float64 or string,
// as column crc holds it: in 32 signed bits, which take four bytes in the file.
func (s *rowSum) of(row []any) int64 {
	var sum uint32
	for i, name := range s.names {
		if i+1 == s.left {
			continue
		}
		b := s.scratch[:0]
		switch v := row[i].(type) {
		case int64:
			b = binary.LittleEndian.AppendUint64(append(b, 'i'), uint64(v))
		case float64:
			if v == 0 {
				v = 0 // the file does not keep the sign of zero
			}
			b = binary.LittleEndian.AppendUint64(append(b, 'f'), math.Float64bits(v))
		case string:
			b = append(append(b, 's'), v...)
		default:
			continue
		}
		sum += crc32.Update(name, castagnoli, b)
		s.scratch = b
	}
	return int64(int32(sum))
}
