package mqtt

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
)

// rigField stands in a configured topic where the rig's name stands in a real one.
const rigField = "{rig}"

// topic is a configured topic such as "hoist/{rig}/readings".
type topic struct {
	levels []string
	rig    int // index of the level that is the rig's name
}

// routes are what a client reads: configured topics, then plain filters.
type routes struct {
	topics  []topic
	filters []string // of the topics, in order, then the plain ones
}

func parseRoutes(topics []Topic, filters []string) (routes, error) {
	var r routes
	for _, t := range topics {
		p, err := parseTopic(t.Pattern)
		if err != nil {
			return r, err
		}
		for i, other := range r.topics {
			if p.overlap(other) {
				return r, fmt.Errorf("topic %q: got one whose messages can also be of %q, want topics that differ", t.Pattern, topics[i].Pattern)
			}
		}
		r.topics = append(r.topics, p)
		r.filters = append(r.filters, p.filter())
	}
	for _, f := range filters {
		if err := checkFilter(f); err != nil {
			return r, err
		}
	}
	r.filters = append(r.filters, filters...)
	if len(r.filters) == 0 {
		return r, errors.New("topic: got none, want one such as \"hoist/{rig}/readings\"")
	}
	return r, nil
}

// find returns which configured topic name is of, and the rig in it; -1 where it
// is of none.
func (r *routes) find(name string) (pattern int, rig string, ok bool) {
	for i := range r.topics {
		if rig, ok := r.topics[i].rigOf(name); ok {
			return i, rig, true
		}
	}
	return -1, "", len(r.filters) > len(r.topics)
}

// checkFilter tells what is wrong with a plain topic filter, if anything (MQTT
// 3.1.1, section 4.7.1).
func checkFilter(s string) error {
	levels := strings.Split(s, "/")
	for i, level := range levels {
		if level == "+" || level == "#" && i == len(levels)-1 {
			continue
		}
		if err := checkLevel(level); err != nil {
			return fmt.Errorf("filter %q: %w", s, err)
		}
	}
	return nil
}

func parseTopic(s string) (topic, error) {
	t := topic{levels: strings.Split(s, "/"), rig: -1}
	for i, level := range t.levels {
		switch {
		case level == rigField && t.rig >= 0:
			return t, fmt.Errorf("topic %q: got %s twice, want it once", s, rigField)
		case level == rigField:
			t.rig = i
		case strings.Contains(level, rigField):
			return t, fmt.Errorf("topic %q: got %q, want %s alone between slashes", s, level, rigField)
		default:
			if err := checkLevel(level); err != nil {
				return t, fmt.Errorf("topic %q: %w", s, err)
			}
		}
	}
	if t.rig < 0 {
		return t, fmt.Errorf("topic %q: got no %s, want the place of the rig's name, such as \"hoist/{rig}/readings\"", s, rigField)
	}
	return t, nil
}

// checkLevel refuses what MQTT forbids in a name, and what some brokers answer by
// closing the connection, again at each try.
func checkLevel(level string) error {
	switch {
	case level == "":
		return errors.New("got an empty level, want a name between slashes")
	case strings.ContainsAny(level, "+#"):
		return fmt.Errorf("got %q, want no wildcard", level)
	case strings.ContainsFunc(level, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == unicode.ReplacementChar }):
		return fmt.Errorf("got %q, want no space or control character", level)
	}
	return nil
}

// CheckTopic tells what is wrong with a topic to publish on, if anything.
func CheckTopic(s string) error {
	if len(s) > 65535 {
		return fmt.Errorf("topic of %d bytes, want at most 65535", len(s))
	}
	for level := range strings.SplitSeq(s, "/") {
		if err := checkLevel(level); err != nil {
			return fmt.Errorf("topic %q: %w", s, err)
		}
	}
	return nil
}

// overlap tells whether one topic can be of both patterns: a broker may then
// deliver a message once or twice.
func (t topic) overlap(u topic) bool {
	if len(t.levels) != len(u.levels) {
		return false
	}
	for i := range t.levels {
		if t.levels[i] != u.levels[i] && i != t.rig && i != u.rig {
			return false
		}
	}
	return true
}

// filter returns the topic filter to subscribe to.
func (t topic) filter() string {
	levels := append([]string(nil), t.levels...)
	levels[t.rig] = "+"
	return strings.Join(levels, "/")
}

// rigOf returns the rig's name in a topic that a message came on.
func (t topic) rigOf(name string) (string, bool) {
	rig, i := "", 0
	for level := range strings.SplitSeq(name, "/") {
		switch {
		case i >= len(t.levels):
			return "", false
		case i == t.rig:
			rig = level
		case level != t.levels[i]:
			return "", false
		}
		i++
	}
	return rig, i == len(t.levels) && checkLevel(rig) == nil
}
