package listen

import (
	"fmt"
	"strings"
)

// hint says what may be wrong with a topic that no channel is read from.
func (s *Source) hint(topic string) string {
	levels := strings.Split(topic, "/")
	for _, t := range s.mapping.Topics {
		want := strings.Split(t.Pattern, "/")
		if len(want) != len(levels) {
			continue
		}
		differs, at := 0, 0
		for i := range want {
			if want[i] != "{rig}" && want[i] != levels[i] {
				differs++
				at = i
			}
		}
		switch {
		case differs == 1 && strings.EqualFold(want[at], levels[at]):
			return fmt.Sprintf("%q is written %q in the site file's topic %q", printable(levels[at]), want[at], t.Pattern)
		case differs == 1:
			return fmt.Sprintf("it differs from the site file's topic %q in %q", t.Pattern, printable(levels[at]))
		case differs == 0:
			return "the level at {rig} is no name of a rig"
		}
	}
	return "no channel of the site file is read from it"
}

// Reads tells whether some channel is read from topic.
func (s *Source) Reads(topic string) bool {
	levels := strings.Split(topic, "/")
	for _, t := range s.mapping.Topics {
		want := strings.Split(t.Pattern, "/")
		same := len(want) == len(levels)
		for i := 0; same && i < len(want); i++ {
			same = want[i] == "{rig}" || want[i] == levels[i]
		}
		if same {
			return true
		}
	}
	return false
}

// Around returns the narrowest filter that takes in all the topics, to look for
// what is sent beside them (MQTT 3.1.1, section 4.7.1.2).
func Around(patterns []string) string {
	var common []string
	for i, p := range patterns {
		levels := strings.Split(p, "/")
		fixed := levels[:len(levels)-1] // a channel that is misspelt may stand at the last
		for k, l := range fixed {
			if l == "{rig}" {
				fixed = fixed[:k]
				break
			}
		}
		if i == 0 {
			common = fixed
			continue
		}
		n := 0
		for n < min(len(common), len(fixed)) && common[n] == fixed[n] {
			n++
		}
		common = common[:n]
	}
	return strings.Join(append(append([]string(nil), common...), "#"), "/")
}
