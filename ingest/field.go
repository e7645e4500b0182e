package ingest

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// FieldStep is one step to a value in a message: a key, or a place in a list; in a
// JSON Pointer a number may be either.
type FieldStep struct {
	Key   string
	Name  bool // it can be a key
	Place bool // it can be a place
}

// ParseField takes the name of a field apart. A field is named in one of three ways:
//
//	hook_load                a key of the message
//	data.sensors[2].value    keys and places in lists, from 0, on the way to it
//	/data/sensors/2/value    the same as a JSON Pointer (RFC 6901), in which a key may
//	                         hold dots and brackets; ~1 stands for / and ~0 for ~
func ParseField(field string) ([]FieldStep, error) {
	if strings.HasPrefix(field, "/") {
		return parsePointer(field)
	}
	if !strings.ContainsAny(field, ".[]") {
		if field == "" {
			return nil, errors.New(`field: got nothing, want a key such as "v" or a path such as "data.v"`)
		}
		return []FieldStep{{Key: field, Name: true}}, nil
	}
	var path []FieldStep
	rest := field
	bad := func(why string) ([]FieldStep, error) {
		return nil, fmt.Errorf("field %q: %s, want a path such as data.sensors[2].value", field, why)
	}
	for first := true; rest != ""; first = false {
		if rest[0] == '[' {
			number, after, closed := strings.Cut(rest[1:], "]")
			if !closed || !place(number) {
				return bad("got no place in a list between brackets")
			}
			path, rest = append(path, FieldStep{Key: number, Place: true}), after
			continue
		}
		if !first {
			if rest[0] != '.' {
				return bad("got no dot after a bracket")
			}
			rest = rest[1:]
		}
		end := strings.IndexAny(rest, ".[")
		if end < 0 {
			end = len(rest)
		}
		if end == 0 {
			return bad("got an empty key")
		}
		if strings.Contains(rest[:end], "]") {
			return bad("got a bracket that nothing opened")
		}
		path, rest = append(path, FieldStep{Key: rest[:end], Name: true}), rest[end:]
	}
	return path, nil
}

func parsePointer(field string) ([]FieldStep, error) {
	var path []FieldStep
	for token := range strings.SplitSeq(field[1:], "/") {
		plain := strings.NewReplacer("~1", "", "~0", "").Replace(token)
		if strings.Contains(plain, "~") {
			return nil, fmt.Errorf("field %q: got a ~ that stands for nothing, want ~0 for ~ and ~1 for /", field)
		}
		key := strings.ReplaceAll(strings.ReplaceAll(token, "~1", "/"), "~0", "~")
		path = append(path, FieldStep{Key: key, Name: true, Place: place(key)})
	}
	return path, nil
}

// place tells whether s is the number of a place in a list (RFC 6901, section 4).
func place(s string) bool {
	n, err := strconv.ParseUint(s, 10, 20)
	return err == nil && strconv.FormatUint(n, 10) == s
}

// Within tells whether the value at path a is that at b, or holds it, or is in it.
func Within(a, b []FieldStep) bool {
	for i := range min(len(a), len(b)) {
		if a[i].Key != b[i].Key || !(a[i].Name && b[i].Name || a[i].Place && b[i].Place) {
			return false
		}
	}
	return true
}
