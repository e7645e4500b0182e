package ingest

import (
	"cmp"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"
)

// Limits of Counters.
const (
	maxExample = 120  // characters of an example
	maxSources = 1000 // sources counted by name
)

// OtherSources gathers the rejects of sources beyond the limit of names, which a
// sender of made-up topics would otherwise use to fill the memory.
const OtherSources = "(others)"

// Counters counts rejects by source and reason and keeps the last example of
// each. It is safe for concurrent use; the zero value is ready.
type Counters struct {
	mu      sync.Mutex
	sources map[string]*[NumRejects]tally
}

type tally struct {
	n    uint64
	last string
}

// Count is one line of a snapshot.
type Count struct {
	Source  string `json:"source"`
	Reason  Reject `json:"-"`
	Words   string `json:"reason"`
	N       uint64 `json:"count"`
	Example string `json:"example,omitempty"` // the last one, printable, at most 120 characters
}

// Add counts one reject of source, with an example of what was rejected.
func (c *Counters) Add(source string, r Reject, example string) {
	r = min(r, NumRejects-1)
	example = printable(example)
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.sources == nil {
		c.sources = map[string]*[NumRejects]tally{}
	}
	s := c.sources[source]
	if s == nil {
		if len(c.sources) >= maxSources {
			source = OtherSources
		}
		if s = c.sources[source]; s == nil {
			s = new([NumRejects]tally)
			c.sources[strings.Clone(source)] = s
		}
	}
	s[r].n++
	s[r].last = example
}

// Total returns how often source was rejected for r.
func (c *Counters) Total(source string, r Reject) uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	if s := c.sources[source]; s != nil && r < NumRejects {
		return s[r].n
	}
	return 0
}

// Snapshot returns all counts that are not zero, by source and then reason.
func (c *Counters) Snapshot() []Count {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []Count
	for name, s := range c.sources {
		for r := range s {
			if s[r].n > 0 {
				out = append(out, Count{printable(name), Reject(r), Reject(r).String(), s[r].n, s[r].last})
			}
		}
	}
	slices.SortFunc(out, func(a, b Count) int {
		return cmp.Or(strings.Compare(a.Source, b.Source), cmp.Compare(a.Reason, b.Reason))
	})
	return out
}

// printable returns at most maxExample characters of s, with what cannot be
// printed replaced, so that a log or a page can show it. A cut is marked "…".
func printable(s string) string {
	whole := true
	n := 0
	for i, r := range s {
		if n == maxExample {
			whole, s = false, s[:i]
			break
		}
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			whole = false
		}
		n++
	}
	if whole {
		return strings.Clone(s)
	}
	out := []rune(strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return '·'
		}
		return r
	}, s))
	if n == maxExample {
		out = append(out[:maxExample-1], '…')
	}
	return string(out)
}
