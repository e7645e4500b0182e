package carry

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"reflect"
	"slices"
	"time"
	"unsafe"
)

// block is memory that was written or read: the elements of a slice, what a pointer
// points at, or the value itself.
type block struct {
	at   unsafe.Pointer
	elem reflect.Type
	n    int
}

func (b *block) size() uintptr { return uintptr(b.n) * b.elem.Size() }

// place returns where in the block n values of t stand at off, if they do.
func (b *block) place(off uintptr, t reflect.Type, n int) bool {
	size := b.elem.Size()
	if off+uintptr(n)*t.Size() > b.size() || size == 0 {
		return false
	}
	if t == b.elem {
		return off%size == 0
	}
	if n > 1 { // a slice of an array that the block holds
		return holdsRun(b.elem, off%size, t, n)
	}
	return holds(b.elem, off%size, t)
}

// holdsRun reports whether n values of want in a row stand off bytes into t.
func holdsRun(t reflect.Type, off uintptr, want reflect.Type, n int) bool {
	for i := range n {
		if at := off + uintptr(i)*want.Size(); at >= t.Size() || !holds(t, at, want) {
			return false
		}
	}
	return true
}

type encoder struct {
	*Codec
	out    []byte
	blocks []block
	depth  int
}

// Append appends the bytes of what v points at, a value of the Codec's type. What was
// appended before an error is of no use.
func (c *Codec) Append(dst []byte, v any) ([]byte, error) {
	p := reflect.ValueOf(v)
	if p.Kind() != reflect.Pointer || p.Type().Elem() != c.root || p.IsNil() {
		return dst, fmt.Errorf("carry: got a %T, want a pointer to a %s", v, c.root)
	}
	e := encoder{Codec: c, out: dst}
	e.blocks = append(e.blocks, block{p.UnsafePointer(), c.root, 1})
	err := e.value(c.root, p.UnsafePointer())
	return e.out, err
}

func (e *encoder) uint(n uint64) { e.out = binary.AppendUvarint(e.out, n) }

func (e *encoder) text(s string) {
	e.uint(uint64(len(s)))
	e.out = append(e.out, s...)
}

// value writes the value of type t at p.
func (e *encoder) value(t reflect.Type, p unsafe.Pointer) error {
	if e.depth++; e.depth > deepest {
		return fmt.Errorf("carry: more than %d levels at a %s", deepest, t)
	}
	defer func() { e.depth-- }()
	if by, ok := e.named[t]; ok {
		return e.name(by, t, p)
	}
	switch t.Kind() {
	case reflect.Struct:
		return e.structure(t, p)
	case reflect.Array:
		return e.run(t.Elem(), p, t.Len())
	case reflect.Slice:
		v := reflect.NewAt(t, p).Elem()
		if v.IsNil() {
			e.uint(isNil)
			return nil
		}
		return e.block(block{v.UnsafePointer(), t.Elem(), v.Len()}, true)
	case reflect.Pointer:
		at := *(*unsafe.Pointer)(p)
		if at == nil {
			e.uint(isNil)
			return nil
		}
		return e.block(block{at, t.Elem(), 1}, false)
	case reflect.Map:
		return e.table(t, reflect.NewAt(t, p).Elem())
	}
	return e.scalar(t, p)
}

// name writes a constant's name, once it is sure that the name finds the same.
func (e *encoder) name(by named, t reflect.Type, p unsafe.Pointer) error {
	s, ok := by.name(p)
	if !ok {
		return fmt.Errorf("carry: a %s is not the one that its name %q finds", t, s)
	}
	e.text(s)
	return nil
}

func (e *encoder) structure(t reflect.Type, p unsafe.Pointer) error {
	if t == timeType {
		b, err := (*(*time.Time)(p)).MarshalBinary()
		if err != nil {
			return fmt.Errorf("carry: %w", err)
		}
		e.text(string(b))
		return nil
	}
	for i := range t.NumField() {
		f := t.Field(i)
		if err := e.value(f.Type, unsafe.Add(p, f.Offset)); err != nil {
			return fmt.Errorf("%w, in %s.%s", err, t, f.Name)
		}
	}
	return nil
}

// run writes n values in a row.
func (e *encoder) run(t reflect.Type, p unsafe.Pointer, n int) error {
	size := t.Size()
	for i := range n {
		if err := e.value(t, unsafe.Add(p, uintptr(i)*size)); err != nil {
			return err
		}
	}
	return nil
}

// block writes memory, or where it stands in what was written.
func (e *encoder) block(b block, counted bool) error {
	if b.size() > 0 {
		start := uintptr(b.at)
		for i := range e.blocks {
			old := &e.blocks[i]
			first := uintptr(old.at)
			if start+b.size() <= first || first+old.size() <= start {
				continue
			}
			if start < first || !old.place(start-first, b.elem, b.n) {
				return fmt.Errorf("carry: %d of %s share memory in part with %d of %s", b.n, b.elem, old.n, old.elem)
			}
			e.uint(isKnown)
			e.uint(uint64(i))
			e.uint(uint64(start - first))
			if counted {
				e.uint(uint64(b.n))
			}
			return nil
		}
	}
	e.uint(isNew)
	if counted {
		e.uint(uint64(b.n))
	}
	e.blocks = append(e.blocks, b)
	return e.run(b.elem, b.at, b.n)
}

// table writes a map in the order of its keys' bytes.
func (e *encoder) table(t reflect.Type, v reflect.Value) error {
	if v.IsNil() {
		e.uint(isNil)
		return nil
	}
	e.uint(isNew)
	e.uint(uint64(v.Len()))
	out := e.out
	var pairs [][]byte
	for it := v.MapRange(); it.Next(); {
		e.out = nil
		for _, part := range []reflect.Value{it.Key(), it.Value()} {
			at := reflect.New(part.Type())
			at.Elem().Set(part)
			if err := e.value(part.Type(), at.UnsafePointer()); err != nil {
				return err
			}
		}
		pairs = append(pairs, e.out)
	}
	slices.SortFunc(pairs, bytes.Compare)
	e.out = out
	for _, pair := range pairs {
		e.out = append(e.out, pair...)
	}
	return nil
}

func (e *encoder) scalar(t reflect.Type, p unsafe.Pointer) error {
	switch t.Kind() {
	case reflect.Bool, reflect.Int8, reflect.Uint8:
		e.out = append(e.out, *(*byte)(p))
	case reflect.Int, reflect.Int16, reflect.Int32, reflect.Int64:
		e.out = binary.AppendVarint(e.out, reflect.NewAt(t, p).Elem().Int())
	case reflect.Uint, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		e.uint(reflect.NewAt(t, p).Elem().Uint())
	case reflect.Float32:
		e.out = binary.LittleEndian.AppendUint32(e.out, math.Float32bits(*(*float32)(p)))
	case reflect.Float64:
		e.out = binary.LittleEndian.AppendUint64(e.out, math.Float64bits(*(*float64)(p)))
	case reflect.String:
		e.text(*(*string)(p))
	default:
		return fmt.Errorf("carry: a %s (%s)", t.Kind(), t)
	}
	return nil
}
