package alarms

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"
)

// ParseEvent reads one line of the journal. It is strict: one object, each key at
// most once, none unknown, none of the wrong type, none missing but "channel" and
// "person". Null for a value or a limit becomes NaN.
func ParseEvent(line []byte) (Event, error) {
	e := Event{Value: math.NaN(), Limit: math.NaN()}
	d := json.NewDecoder(bytes.NewReader(line))
	d.UseNumber()
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return Event{}, fmt.Errorf("journal line: got %s, want a JSON object", clip(line))
	}
	var seen [len(fields)]bool
	for d.More() {
		k, err := d.Token()
		if err != nil {
			return Event{}, fmt.Errorf("journal line: %w", err)
		}
		key, _ := k.(string) // an object's key is a string, or Token fails
		i, err := fieldOf(key, &seen)
		if err != nil {
			return Event{}, err
		}
		v, err := d.Token()
		if err != nil {
			return Event{}, fmt.Errorf("journal line: key %q: %w", key, err)
		}
		if err := fields[i].set(&e, v); err != nil {
			return Event{}, fmt.Errorf("journal line: key %q: %w", key, err)
		}
	}
	if _, err := d.Token(); err != nil {
		return Event{}, fmt.Errorf("journal line: %w", err)
	}
	if rest := bytes.TrimSpace(line[d.InputOffset():]); len(rest) != 0 {
		return Event{}, fmt.Errorf("journal line: got %s after the object, want nothing", clip(rest))
	}
	for i, f := range fields {
		if !seen[i] && !f.optional {
			return Event{}, fmt.Errorf("journal line: key %q is missing", f.key)
		}
	}
	return e, nil
}

func fieldOf(key string, seen *[len(fields)]bool) (int, error) {
	for i, f := range fields {
		if f.key != key {
			continue
		}
		if seen[i] {
			return 0, fmt.Errorf("journal line: key %q stands twice", key)
		}
		seen[i] = true
		return i, nil
	}
	return 0, fmt.Errorf("journal line: key %q is unknown", key)
}

type field struct {
	key      string
	optional bool
	set      func(*Event, json.Token) error
}

var fields = [14]field{
	{"time", false, func(e *Event, t json.Token) error { return setTime(&e.Time, t) }},
	{"rig", false, func(e *Event, t json.Token) error { return setString(&e.Rig, t) }},
	{"alarm", false, func(e *Event, t json.Token) error { return setString(&e.Alarm, t) }},
	{"channel", true, func(e *Event, t json.Token) error { return setString(&e.Channel, t) }},
	{"event", false, func(e *Event, t json.Token) error { return setWord(&e.Event, t) }},
	{"state", false, func(e *Event, t json.Token) error { return setWord(&e.State, t) }},
	{"priority", false, func(e *Event, t json.Token) error { return setWord(&e.Priority, t) }},
	{"reason", false, func(e *Event, t json.Token) error { return setString(&e.Reason, t) }},
	{"value", false, func(e *Event, t json.Token) error { return setNumber(&e.Value, t) }},
	{"limit", false, func(e *Event, t json.Token) error { return setNumber(&e.Limit, t) }},
	{"unit", false, func(e *Event, t json.Token) error { return setString(&e.Unit, t) }},
	{"occurrence", false, func(e *Event, t json.Token) error { return setUint(&e.Occurrence, t) }},
	{"person", true, func(e *Event, t json.Token) error { return setString(&e.Person, t) }},
	{"version", false, func(e *Event, t json.Token) error { return setUint(&e.Version, t) }},
}

func setTime(to *time.Time, t json.Token) error {
	s, _ := t.(string)
	v, err := time.Parse(timeLayout, s)
	if err != nil || len(s) != len(timeLayout) {
		return fmt.Errorf("got %v, want a time such as %s", t, timeLayout)
	}
	*to = v
	return nil
}

func setString(to *string, t json.Token) error {
	s, ok := t.(string)
	if !ok {
		return fmt.Errorf("got %v, want text", t)
	}
	*to = s
	return nil
}

func setWord(to interface{ UnmarshalText([]byte) error }, t json.Token) error {
	s, ok := t.(string)
	if !ok {
		return fmt.Errorf("got %v, want a word", t)
	}
	return to.UnmarshalText([]byte(s))
}

func setNumber(to *float64, t json.Token) error {
	if t == nil {
		*to = math.NaN()
		return nil
	}
	n, ok := t.(json.Number)
	v, err := strconv.ParseFloat(string(n), 64)
	if !ok || err != nil {
		return fmt.Errorf("got %v, want a number or null", t)
	}
	*to = v
	return nil
}

func setUint(to *uint64, t json.Token) error {
	n, ok := t.(json.Number)
	v, err := strconv.ParseUint(string(n), 10, 64)
	if !ok || err != nil {
		return fmt.Errorf("got %v, want a whole number, 0 or more", t)
	}
	*to = v
	return nil
}

// clip quotes the beginning of b for an error.
func clip(b []byte) string {
	if len(b) > 40 {
		return strconv.Quote(string(b[:40])) + "…"
	}
	return strconv.Quote(string(b))
}
