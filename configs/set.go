package configs

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Set returns the text of a rig file with one value replaced, for a what-if
// ("drawworks.drive.release", "0.6s"); all else stays as it is, byte for byte. An
// optional key that the file does not have is put in as a line of its own.
//
// The value is not judged here: ReadRig does that with the returned text. An error
// says that the path leads to no single value of a rig file, and what was near.
func Set(text []byte, path, value string) ([]byte, error) {
	fail := func(got, want string) ([]byte, error) {
		return nil, fmt.Errorf("set %s: got %s, want %s", path, got, want)
	}
	if strings.ContainsAny(value, "\n\r") || !utf8.ValidString(value) {
		return fail(strconv.Quote(value), "a value of one line")
	}
	r, _ := readRig("", text)
	root, err := parse(text)
	if err != nil {
		return fail("a text that is not YAML ("+err.Error()+")", "a rig file")
	}
	at := root
	steps := pathSteps(path)
	for i, step := range steps {
		next := follow(at, step)
		here := joinSteps(steps[:i+1])
		switch {
		case next == nil && i == len(steps)-1 && r.known[here]:
			return insert(text, at, path, value)
		case next == nil && r.known[here]:
			return fail("a file without "+here, "a file that has it")
		case next == nil:
			return fail("no such key ("+here+")", r.near(here))
		}
		at = next
	}
	if at.Kind != yaml.ScalarNode {
		return fail(kindName(at), "the path of a single value")
	}
	begin, end, ok := extent(text, at)
	if !ok {
		return fail("a value that is written over lines, or with a tag or an anchor", "one that stands in one line")
	}
	for _, written := range spellings(value) {
		changed := slices.Concat(text[:begin], []byte(written), text[end:])
		if onlyChange(root, changed, at, value) {
			return changed, nil
		}
	}
	return fail(strconv.Quote(value), "a value that can stand in a YAML file")
}

// spellings returns the ways to write value, the plainest first.
func spellings(value string) []string {
	quoted := "'" + strings.ReplaceAll(value, "'", "''") + "'"
	if value == "" {
		return []string{quoted}
	}
	return []string{value, quoted}
}

func parse(text []byte) (*yaml.Node, error) {
	var document yaml.Node
	if err := yaml.NewDecoder(bytes.NewReader(text)).Decode(&document); err != nil {
		return nil, err
	}
	if len(document.Content) != 1 {
		return nil, errors.New("no document")
	}
	return document.Content[0], nil
}

// pathSteps splits "brakes.service.fade[1].factor" into keys and "[1]".
func pathSteps(path string) []string {
	return strings.Split(strings.ReplaceAll(path, "[", ".["), ".")
}

func joinSteps(steps []string) string {
	return strings.ReplaceAll(strings.Join(steps, "."), ".[", "[")
}

// follow returns what step leads to from n; nil where it leads nowhere.
func follow(n *yaml.Node, step string) *yaml.Node {
	switch n.Kind {
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			if n.Content[i].Value == step {
				return n.Content[i+1]
			}
		}
	case yaml.SequenceNode:
		i, err := strconv.Atoi(strings.Trim(step, "[]"))
		if err == nil && step == fmt.Sprintf("[%d]", i) && i >= 0 && i < len(n.Content) {
			return n.Content[i]
		}
	}
	return nil
}

// near says which keys of the form are closest to path.
func (r *reader) near(path string) string {
	parent, name := "", path
	if i := strings.LastIndexByte(path, '.'); i >= 0 {
		parent, name = path[:i], path[i+1:]
	}
	var names []string
	for known := range r.known {
		if i := strings.LastIndexByte(known, '.'); (i < 0 && parent == "") || (i >= 0 && known[:i] == parent) {
			names = append(names, known[i+1:])
		}
	}
	slices.Sort(names)
	if best, ok := nearest(name, names); ok {
		return fmt.Sprintf("%q perhaps", strings.TrimPrefix(parent+"."+best, "."))
	}
	if len(names) == 0 {
		return "a path of the file"
	}
	return "one of " + strings.Join(names, ", ")
}

// offset returns where in text the node begins.
func offset(text []byte, n *yaml.Node) (int, bool) {
	at := 0
	for line := 1; line < n.Line; line++ {
		i := bytes.IndexByte(text[at:], '\n')
		if i < 0 {
			return 0, false
		}
		at += i + 1
	}
	for column := 1; column < n.Column; column++ {
		_, size := utf8.DecodeRune(text[at:])
		at += size
	}
	return at, at < len(text)
}

// extent returns the bytes of a scalar that stands in one line.
func extent(text []byte, n *yaml.Node) (begin, end int, ok bool) {
	begin, ok = offset(text, n)
	if !ok {
		return 0, 0, false
	}
	rest := text[begin:]
	switch n.Style {
	case 0:
		return begin, begin + len(n.Value), bytes.HasPrefix(rest, []byte(n.Value))
	case yaml.SingleQuotedStyle, yaml.DoubleQuotedStyle:
		length := quotedLength(rest)
		return begin, begin + length, length > 0
	}
	return 0, 0, false
}

// quotedLength returns the length of the quoted text that s begins with; 0 where
// it does not end in its line.
func quotedLength(s []byte) int {
	quote := s[0]
	if quote != '\'' && quote != '"' {
		return 0
	}
	for i := 1; i < len(s) && s[i] != '\n' && s[i] != '\r'; i++ {
		switch {
		case quote == '"' && s[i] == '\\':
			i++
		case s[i] == quote && quote == '\'' && i+1 < len(s) && s[i+1] == quote:
			i++
		case s[i] == quote:
			return i + 1
		}
	}
	return 0
}

// onlyChange tells whether changed reads as the old tree with value at target and
// nothing else different.
func onlyChange(old *yaml.Node, changed []byte, target *yaml.Node, value string) bool {
	root, err := parse(changed)
	return err == nil && sameBut(old, root, target, value)
}

func sameBut(old, now, target *yaml.Node, value string) bool {
	if old == target {
		return now.Kind == yaml.ScalarNode && now.Value == value && now.Anchor == ""
	}
	if old.Kind != now.Kind || old.Value != now.Value || old.Anchor != now.Anchor || len(old.Content) != len(now.Content) {
		return false
	}
	for i := range old.Content {
		if !sameBut(old.Content[i], now.Content[i], target, value) {
			return false
		}
	}
	return true
}

// insert puts "key: value" before the first key of a mapping whose keys stand in
// lines of their own.
func insert(text []byte, parent *yaml.Node, path, value string) ([]byte, error) {
	key := path[strings.LastIndexByte(path, '.')+1:]
	refused := fmt.Errorf("set %s: got a file without that key, want it there: it cannot be put in", path)
	if parent.Kind != yaml.MappingNode || len(parent.Content) == 0 || parent.Style&yaml.FlowStyle != 0 {
		return nil, refused
	}
	first, ok := offset(text, parent.Content[0])
	if !ok {
		return nil, refused
	}
	lineStart := bytes.LastIndexByte(text[:first], '\n') + 1
	indent := text[lineStart:first]
	if len(bytes.Trim(indent, " ")) > 0 {
		return nil, refused
	}
	old, err := parse(text)
	if err != nil {
		return nil, refused
	}
	for _, written := range spellings(value) {
		line := slices.Concat(indent, []byte(key+": "+written+"\n"))
		changed := slices.Concat(text[:lineStart], line, text[lineStart:])
		root, err := parse(changed)
		if err == nil && withoutFirst(root, path, value) && sameBut(old, root, nil, "") {
			return changed, nil
		}
	}
	return nil, refused
}

// withoutFirst takes path's key out of the tree again; false where it does not
// stand first with that value.
func withoutFirst(root *yaml.Node, path, value string) bool {
	steps := pathSteps(path)
	parent := root
	for _, step := range steps[:len(steps)-1] {
		if parent = follow(parent, step); parent == nil {
			return false
		}
	}
	c := parent.Content
	if len(c) < 2 || c[0].Value != steps[len(steps)-1] || c[1].Kind != yaml.ScalarNode || c[1].Value != value {
		return false
	}
	parent.Content = c[2:]
	return true
}
