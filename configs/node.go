package configs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// largestFile is the most that a rig or site file may hold: a hundred times what
// people write.
const largestFile = 1 << 20

// reader walks the nodes of one file and gathers the mistakes.
type reader struct {
	file     string
	problems []Problem
	lines    map[string]int    // of every key that was met, by path
	bad      map[string]bool   // paths that have a problem
	raw      map[string]string // single values as they stand, by path
	known    map[string]bool   // paths that the form has, in this setting
	unread   []func(float64)   // setters of the numbers that could not be read
	numbers  []Key             // as they were asked for
}

func newReader(file string) *reader {
	return &reader{file: file, lines: map[string]int{}, bad: map[string]bool{}, known: map[string]bool{}, raw: map[string]string{}}
}

func (r *reader) add(line int, key, got, want string) {
	r.bad[key] = true
	r.problems = append(r.problems, Problem{r.file, line, key, got, want})
}

// done returns the problems in order of line.
func (r *reader) done() []Problem {
	sortByLine(r.problems)
	return r.problems
}

// lineOf returns the line of path, or of the nearest key around it.
func (r *reader) lineOf(path string) int {
	for path != "" {
		if line, ok := r.lines[path]; ok {
			return line
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return 1
}

var yamlLine = regexp.MustCompile(`line (\d+): `)

// document returns the root mapping of the one document in text.
func (r *reader) document(text []byte, want string) (*object, bool) {
	if len(text) > largestFile {
		r.add(0, "", fmt.Sprintf("a file of %d bytes", len(text)), fmt.Sprintf("at most %d", largestFile))
		return nil, false
	}
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	var root, second yaml.Node
	err := decoder.Decode(&root)
	switch {
	case errors.Is(err, io.EOF):
		r.add(1, "", "an empty file", want)
		return nil, false
	case err != nil:
		r.syntax(err, 1)
		return nil, false
	}
	switch err := decoder.Decode(&second); {
	case err == nil:
		r.add(second.Line, "", "a second document", "one document in a file")
	case !errors.Is(err, io.EOF):
		r.syntax(err, 1)
	}
	if len(root.Content) != 1 || root.Content[0].Kind != yaml.MappingNode {
		r.add(1, "", "no keys", want)
		return nil, false
	}
	return r.object(root.Content[0], "", 1), true
}

func (r *reader) syntax(err error, line int) {
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	if m := yamlLine.FindStringSubmatchIndex(text); m != nil {
		if n, e := strconv.Atoi(text[m[2]:m[3]]); e == nil {
			line = n
		}
		text = text[:m[0]] + text[m[1]:]
	}
	r.add(line, "", "text that is not YAML ("+text+")", "YAML, indented with spaces")
}

// object is one mapping of the file. One that is missing is silent: it gives
// nothing and reports nothing, because its absence was reported once.
type object struct {
	r      *reader
	path   string
	line   int
	silent bool
	names  []string // as they stand, in order
	keys   map[string]*yaml.Node
	asked  []string
}

func (r *reader) silentObject(path string) *object { return &object{r: r, path: path, silent: true} }

func (r *reader) object(n *yaml.Node, path string, line int) *object {
	o := &object{r: r, path: path, line: line, keys: map[string]*yaml.Node{}}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if key.ShortTag() == "!!merge" {
			r.add(key.Line, path, "a merge (<<)", "the keys themselves")
			continue
		}
		if key.Kind != yaml.ScalarNode || key.Value == "" || key.Value == "~" {
			r.add(key.Line, path, "a key that is not a name", "a name")
			continue
		}
		at := o.at(key.Value)
		if first, twice := o.keys[key.Value]; twice {
			r.add(key.Line, at, fmt.Sprintf("the key a second time (first in line %d)", first.Line), "it once")
			continue
		}
		r.lines[at] = key.Line
		o.keys[key.Value] = value
		o.names = append(o.names, key.Value)
	}
	return o
}

func (o *object) at(key string) string {
	if o.path == "" {
		return key
	}
	return o.path + "." + key
}

func (o *object) has(key string) bool {
	_, ok := o.keys[key]
	return ok
}

func (o *object) ask(key string) {
	if !slices.Contains(o.asked, key) {
		o.asked = append(o.asked, key)
	}
	o.r.known[o.at(key)] = true
}

// take returns the node of key. A missing key is reported where it is required.
func (o *object) take(key string, required bool, want string) (*yaml.Node, bool) {
	o.ask(key)
	n, ok := o.keys[key]
	switch {
	case !ok && required && !o.silent:
		o.r.add(o.line, o.at(key), "nothing", want)
		return nil, false
	case !ok:
		return nil, false
	}
	return n, o.r.plain(n, o.at(key), want)
}

// plain refuses what would make one value stand for another, and empty values.
func (r *reader) plain(n *yaml.Node, path, want string) bool {
	switch {
	case n.Kind == yaml.AliasNode:
		r.add(n.Line, path, "an alias (*"+n.Value+")", "the value itself")
	case n.Anchor != "":
		r.add(n.Line, path, "an anchor (&"+n.Anchor+")", "the value alone")
	case n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null":
		r.add(n.Line, path, "nothing", want)
	default:
		return true
	}
	return false
}

// scalar returns the text of a single value and its line.
func (o *object) scalar(key string, required bool, want string) (string, int, bool) {
	n, ok := o.take(key, required, want)
	if !ok {
		return "", 0, false
	}
	text, ok := o.r.text(n, o.at(key), want)
	return text, n.Line, ok
}

func (r *reader) text(n *yaml.Node, path, want string) (string, bool) {
	if n.Kind != yaml.ScalarNode {
		r.add(n.Line, path, kindName(n), want)
		return "", false
	}
	r.raw[path] = n.Value
	return n.Value, true
}

// child returns the mapping under key; one that is missing or of another kind is
// silent.
func (o *object) child(key string, required bool) *object {
	at := o.at(key)
	n, ok := o.take(key, required, "a group of keys")
	if !ok {
		return o.r.silentObject(at)
	}
	return o.r.mapping(item{at, n}, o.r.lineOf(at))
}

func (r *reader) mapping(m item, line int) *object {
	if m.node.Kind != yaml.MappingNode {
		r.add(m.node.Line, m.path, kindName(m.node), "a group of keys")
		return r.silentObject(m.path)
	}
	return r.object(m.node, m.path, line)
}

// item is one member of a list.
type item struct {
	path string // "sources[0]"
	node *yaml.Node
}

// list returns the items under key.
func (o *object) list(key string, required bool, want string) []item {
	n, ok := o.take(key, required, want)
	if !ok {
		return nil
	}
	if n.Kind != yaml.SequenceNode || len(n.Content) == 0 {
		o.r.add(n.Line, o.at(key), kindName(n), want)
		return nil
	}
	var items []item
	for i, member := range n.Content {
		at := fmt.Sprintf("%s[%d]", o.at(key), i)
		o.r.lines[at] = member.Line
		if o.r.plain(member, at, "a value") {
			items = append(items, item{at, member})
		}
	}
	return items
}

// close reports the keys that nobody asked for.
func (o *object) close() {
	for _, name := range o.names {
		if slices.Contains(o.asked, name) {
			continue
		}
		var free []string
		for _, known := range o.asked {
			if !o.has(known) {
				free = append(free, known)
			}
		}
		want := "no such key; known here: " + strings.Join(o.asked, ", ")
		if near, ok := nearest(name, free); ok {
			want = fmt.Sprintf("%q perhaps", near)
		} else if near, ok := nearest(name, o.asked); ok {
			want = fmt.Sprintf("%q, which is there already", near)
		}
		at := o.at(name)
		o.r.add(o.r.lineOf(at), at, "an unknown key", want)
	}
}

func kindName(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a group of keys"
	case yaml.SequenceNode:
		if len(n.Content) == 0 {
			return "an empty list"
		}
		return "a list"
	case yaml.ScalarNode:
		return strconv.Quote(n.Value)
	}
	return "an alias"
}

// allow lets the keys stand unread, because what they mean hangs on a key that
// could not be read.
func (o *object) allow(keys ...string) {
	for _, key := range keys {
		o.asked = append(o.asked, key)
		o.r.bad[o.at(key)] = true
	}
}

// refuse reports each of the keys that is there: known, but not in this setting.
func (o *object) refuse(want string, keys ...string) {
	for _, key := range keys {
		if o.has(key) {
			o.ask(key)
			at := o.at(key)
			o.r.add(o.r.lineOf(at), at, "the key", want)
		}
	}
}
