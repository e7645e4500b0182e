package carry

import (
	"crypto/sha256"
	"fmt"
	"io"
	"reflect"
	"strings"
	"time"
	"unsafe"
)

// Codec carries values of one type. It is safe for concurrent use once made.
type Codec struct {
	root   reflect.Type
	module string // own structs have package paths that begin with it
	named  map[reflect.Type]named
	print  [sha256.Size]byte
}

// named is a type whose values both programs have, under a name.
type named struct {
	name func(unsafe.Pointer) (name string, found bool)
	find func(name string, to unsafe.Pointer) bool
}

// Option changes what a Codec carries.
type Option func(*Codec)

// ByName carries values of T as a name, to be looked up where they are read: for
// constants of the program, which are large and the same everywhere. What they say is
// then no part of the fingerprint.
func ByName[T comparable](name func(*T) string, find func(string) (T, bool)) Option {
	return func(c *Codec) {
		c.named[reflect.TypeFor[T]()] = named{
			name: func(p unsafe.Pointer) (string, bool) {
				v := (*T)(p)
				same, ok := find(name(v))
				return name(v), ok && same == *v
			},
			find: func(s string, to unsafe.Pointer) bool {
				v, ok := find(s)
				if ok {
					*(*T)(to) = v
				}
				return ok
			},
		}
	}
}

// For returns a Codec for values of T, a named struct. The error says which field
// cannot be carried, and why.
func For[T any](options ...Option) (*Codec, error) {
	c := &Codec{root: reflect.TypeFor[T](), named: map[reflect.Type]named{}}
	for _, o := range options {
		o(c)
	}
	c.module, _, _ = strings.Cut(c.root.PkgPath(), "/")
	h := sha256.New()
	if err := c.describe(h, c.root, c.root.String(), map[reflect.Type]bool{}); err != nil {
		return nil, err
	}
	h.Sum(c.print[:0])
	return c, nil
}

// Fingerprint identifies the type with all that it holds: names, kinds, order and
// places of fields.
func (c *Codec) Fingerprint() [sha256.Size]byte { return c.print }

var timeType = reflect.TypeFor[time.Time]()

// describe writes what the type is, and refuses what cannot be carried.
func (c *Codec) describe(w io.Writer, t reflect.Type, path string, seen map[reflect.Type]bool) error {
	fmt.Fprintf(w, "%s.%s %s %d\n", t.PkgPath(), t.String(), t.Kind(), t.Size())
	if _, ok := c.named[t]; ok || t == timeType || seen[t] {
		return nil
	}
	seen[t] = true
	switch t.Kind() {
	case reflect.Bool, reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64,
		reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64,
		reflect.Float32, reflect.Float64, reflect.String:
		return nil
	case reflect.Array:
		fmt.Fprintf(w, "[%d]", t.Len())
		return c.describe(w, t.Elem(), path+"[]", seen)
	case reflect.Slice, reflect.Pointer:
		return c.describe(w, t.Elem(), path+"[]", seen)
	case reflect.Map:
		if err := c.describe(w, t.Key(), path+"[key]", seen); err != nil {
			return err
		}
		return c.describe(w, t.Elem(), path+"[]", seen)
	case reflect.Struct:
		return c.describeStruct(w, t, path, seen)
	}
	return fmt.Errorf("carry: %s is a %s (%s), want plain data", path, t.Kind(), t)
}

func (c *Codec) describeStruct(w io.Writer, t reflect.Type, path string, seen map[reflect.Type]bool) error {
	if p := t.PkgPath(); p != "" && p != c.module && !strings.HasPrefix(p, c.module+"/") {
		return fmt.Errorf("carry: %s is a %s of another module: what it holds is not known to be plain data", path, t)
	}
	for i := range t.NumField() {
		f := t.Field(i)
		fmt.Fprintf(w, "%s@%d ", f.Name, f.Offset)
		if err := c.describe(w, f.Type, path+"."+f.Name, seen); err != nil {
			return err
		}
	}
	return nil
}

// deepest is how many levels of pointers, slices and fields are followed. Chosen here:
// far beyond any state, well within a stack.
const deepest = 200

// Marks before what a pointer, slice or map holds.
const (
	isNil   = 0
	isNew   = 1 // it follows
	isKnown = 2 // number of the block and place in it follow
)

// holds reports whether a value of want stands off bytes into one of t.
func holds(t reflect.Type, off uintptr, want reflect.Type) bool {
	for {
		if off == 0 && t == want {
			return true
		}
		switch t.Kind() {
		case reflect.Array:
			size := t.Elem().Size()
			if size == 0 || off >= t.Size() {
				return false
			}
			t, off = t.Elem(), off%size
		case reflect.Struct:
			i := t.NumField() - 1
			for i >= 0 && (t.Field(i).Offset > off || t.Field(i).Type.Size() == 0) {
				i--
			}
			if i < 0 {
				return false
			}
			off -= t.Field(i).Offset
			t = t.Field(i).Type
		default:
			return false
		}
	}
}
