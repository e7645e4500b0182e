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
	// maxStrangers is how many rigs without a file are told by name, and maxStranger
	// how many bytes of a name are kept.
	maxStrangers = 100
	maxStranger  = 64
)

// OtherSources gathers the rejects of sources beyond the limit of names, which a
// sender of made-up topics would otherwise use to fill the memory.
const OtherSources = "(others)"

// OtherStrangers likewise gathers the rigs without a file beyond the limit of names.
const OtherStrangers = "(others)"

// Counters counts rejects by source and reason and keeps the last example of
// each. It is safe for concurrent use; the zero value is ready.
type Counters struct {
	mu        sync.Mutex
	sources   map[string]*[NumRejects]tally
	strangers map[Stranger]uint64 // by source and rig, with N 0
}

// Stranger is a rig that sends and has no rig file.
type Stranger struct {
	Source string `json:"source"`
	Rig    string `json:"rig"`
	N      uint64 `json:"readings"`
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

// Add counts one reject of source, with an example of what was rejected; of an unknown
// rig that is its name.
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
	if r == RejectUnknownRig {
		c.stranger(source, example)
	}
}

func (c *Counters) stranger(source, rig string) {
	if c.strangers == nil {
		c.strangers = map[Stranger]uint64{}
	}
	key := Stranger{Source: source, Rig: strings.ToValidUTF8(rig[:min(len(rig), maxStranger)], "·")}
	if _, known := c.strangers[key]; !known {
		if len(c.strangers) >= maxStrangers {
			key.Rig = OtherStrangers
		}
		key.Source, key.Rig = strings.Clone(key.Source), strings.Clone(key.Rig)
	}
	c.strangers[key]++
}

// Strangers returns the rigs that send without a rig file, by source and name: the
// first hundred, and the rest of each source together.
func (c *Counters) Strangers() []Stranger {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := make([]Stranger, 0, len(c.strangers))
	for s, n := range c.strangers {
		s.N = n
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b Stranger) int {
		return cmp.Or(strings.Compare(a.Source, b.Source), strings.Compare(a.Rig, b.Rig))
	})
	return out
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
