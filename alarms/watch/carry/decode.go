package carry

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"reflect"
	"time"
	"unsafe"
)

var errShort = errors.New("carry: the bytes end early")

type decoder struct {
	*Codec
	in     []byte
	blocks []block
	depth  int
}

// Read reads what Append wrote into what v points at, which must be a zero value of the
// Codec's type. After an error v is of no use. The bytes must be those of the same
// [Codec.Fingerprint]; any others give an error or wrong values, never a wild pointer.
func (c *Codec) Read(src []byte, v any) error {
	p := reflect.ValueOf(v)
	if p.Kind() != reflect.Pointer || p.Type().Elem() != c.root || p.IsNil() {
		return fmt.Errorf("carry: got a %T, want a pointer to a %s", v, c.root)
	}
	d := decoder{Codec: c, in: src}
	d.blocks = append(d.blocks, block{p.UnsafePointer(), c.root, 1})
	if err := d.value(c.root, p.UnsafePointer()); err != nil {
		return err
	}
	if len(d.in) > 0 {
		return fmt.Errorf("carry: %d bytes are left over", len(d.in))
	}
	return nil
}

func (d *decoder) uint() (uint64, error) {
	n, size := binary.Uvarint(d.in)
	if size <= 0 {
		return 0, errShort
	}
	d.in = d.in[size:]
	return n, nil
}

// count reads how many follow, each of at least a byte.
func (d *decoder) count() (int, error) {
	n, err := d.uint()
	if err == nil && n > uint64(len(d.in)) {
		err = errShort
	}
	return int(n), err
}

func (d *decoder) bytes(n int) ([]byte, error) {
	if n > len(d.in) {
		return nil, errShort
	}
	b := d.in[:n]
	d.in = d.in[n:]
	return b, nil
}

func (d *decoder) text() (string, error) {
	n, err := d.count()
	if err != nil {
		return "", err
	}
	b, err := d.bytes(n)
	return string(b), err
}

func (d *decoder) value(t reflect.Type, p unsafe.Pointer) error {
	if d.depth++; d.depth > deepest {
		return fmt.Errorf("carry: more than %d levels at a %s", deepest, t)
	}
	defer func() { d.depth-- }()
	if by, ok := d.named[t]; ok {
		s, err := d.text()
		if err != nil {
			return err
		}
		if !by.find(s, p) {
			return fmt.Errorf("carry: no %s is named %q", t, s)
		}
		return nil
	}
	switch t.Kind() {
	case reflect.Struct:
		return d.structure(t, p)
	case reflect.Array:
		return d.run(t.Elem(), p, t.Len())
	case reflect.Slice, reflect.Pointer:
		return d.block(t, p)
	case reflect.Map:
		return d.table(t, reflect.NewAt(t, p).Elem())
	}
	return d.scalar(t, p)
}

func (d *decoder) structure(t reflect.Type, p unsafe.Pointer) error {
	if t == timeType {
		s, err := d.text()
		if err != nil {
			return err
		}
		if err := (*time.Time)(p).UnmarshalBinary([]byte(s)); err != nil {
			return fmt.Errorf("carry: %w", err)
		}
		return nil
	}
	for i := range t.NumField() {
		f := t.Field(i)
		if err := d.value(f.Type, unsafe.Add(p, f.Offset)); err != nil {
			return fmt.Errorf("%w, in %s.%s", err, t, f.Name)
		}
	}
	return nil
}

func (d *decoder) run(t reflect.Type, p unsafe.Pointer, n int) error {
	for i := range n {
		if err := d.value(t, unsafe.Add(p, uintptr(i)*t.Size())); err != nil {
			return err
		}
	}
	return nil
}

func (d *decoder) block(t reflect.Type, p unsafe.Pointer) error {
	mark, err := d.uint()
	if err != nil || mark == isNil {
		return err
	}
	if mark == isKnown {
		return d.known(t, p)
	}
	if mark != isNew {
		return fmt.Errorf("carry: got mark %d before a %s", mark, t)
	}
	if t.Kind() == reflect.Pointer {
		v := reflect.New(t.Elem())
		reflect.NewAt(t, p).Elem().Set(v.Convert(t))
		d.blocks = append(d.blocks, block{v.UnsafePointer(), t.Elem(), 1})
		return d.value(t.Elem(), v.UnsafePointer())
	}
	n, err := d.count()
	if err != nil {
		return err
	}
	v := reflect.MakeSlice(t, n, n)
	reflect.NewAt(t, p).Elem().Set(v)
	d.blocks = append(d.blocks, block{v.UnsafePointer(), t.Elem(), n})
	return d.run(t.Elem(), v.UnsafePointer(), n)
}

// known reads where in memory that was read a pointer or slice points.
func (d *decoder) known(t reflect.Type, p unsafe.Pointer) error {
	var at [3]uint64
	at[2] = 1
	parts := 2
	if t.Kind() == reflect.Slice {
		parts = 3
	}
	for i := range parts {
		n, err := d.uint()
		if err != nil {
			return err
		}
		at[i] = n
	}
	if at[0] >= uint64(len(d.blocks)) || at[1] > math.MaxInt32 || at[2] > math.MaxInt32 {
		return fmt.Errorf("carry: a %s points nowhere", t)
	}
	b := &d.blocks[at[0]]
	if at[2] == 0 || !b.place(uintptr(at[1]), t.Elem(), int(at[2])) {
		return fmt.Errorf("carry: a %s points at what is none", t)
	}
	there := unsafe.Add(b.at, uintptr(at[1]))
	if parts == 2 {
		reflect.NewAt(t, p).Elem().Set(reflect.NewAt(t.Elem(), there).Convert(t))
		return nil
	}
	n := int(at[2])
	reflect.NewAt(t, p).Elem().Set(reflect.NewAt(reflect.ArrayOf(n, t.Elem()), there).Elem().Slice3(0, n, n).Convert(t))
	return nil
}

func (d *decoder) table(t reflect.Type, v reflect.Value) error {
	mark, err := d.uint()
	if err != nil || mark == isNil {
		return err
	}
	n, err := d.count()
	if err != nil {
		return err
	}
	v.Set(reflect.MakeMapWithSize(t, n))
	for range n {
		key, elem := reflect.New(t.Key()), reflect.New(t.Elem())
		if err := d.value(t.Key(), key.UnsafePointer()); err != nil {
			return err
		}
		if err := d.value(t.Elem(), elem.UnsafePointer()); err != nil {
			return err
		}
		v.SetMapIndex(key.Elem(), elem.Elem())
	}
	return nil
}

func (d *decoder) scalar(t reflect.Type, p unsafe.Pointer) error {
	switch t.Kind() {
	case reflect.Bool, reflect.Int8, reflect.Uint8:
		b, err := d.bytes(1)
		if err != nil {
			return err
		}
		if t.Kind() == reflect.Bool && b[0] > 1 {
			return fmt.Errorf("carry: got %d for a %s", b[0], t)
		}
		*(*byte)(p) = b[0]
	case reflect.Int, reflect.Int16, reflect.Int32, reflect.Int64:
		n, size := binary.Varint(d.in)
		if size <= 0 {
			return errShort
		}
		d.in = d.in[size:]
		v := reflect.NewAt(t, p).Elem()
		if v.OverflowInt(n) {
			return fmt.Errorf("carry: %d is too large for a %s", n, t)
		}
		v.SetInt(n)
	case reflect.Uint, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		n, err := d.uint()
		if err != nil {
			return err
		}
		v := reflect.NewAt(t, p).Elem()
		if v.OverflowUint(n) {
			return fmt.Errorf("carry: %d is too large for a %s", n, t)
		}
		v.SetUint(n)
	case reflect.Float32:
		b, err := d.bytes(4)
		if err != nil {
			return err
		}
		*(*float32)(p) = math.Float32frombits(binary.LittleEndian.Uint32(b))
	case reflect.Float64:
		b, err := d.bytes(8)
		if err != nil {
			return err
		}
		*(*float64)(p) = math.Float64frombits(binary.LittleEndian.Uint64(b))
	case reflect.String:
		s, err := d.text()
		*(*string)(p) = s
		return err
	default:
		return fmt.Errorf("carry: a %s (%s)", t.Kind(), t)
	}
	return nil
}
