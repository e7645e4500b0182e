package configs

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one mistake in a file.
type Problem struct {
	File string `json:"file"` // as it was named to the reader
	Line int    `json:"line"` // from 1; 0 = the file as a whole
	Key  string `json:"key"`  // path of the key, "reeving.lines"; empty = no single key
	Got  string `json:"got"`  // what stands there
	Want string `json:"want"` // what should
}

// String returns the problem as one line: "R1.yaml:12: reeving.lines: got 7, want ...".
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Key != "" {
		b.WriteString(p.Key + ": ")
	}
	fmt.Fprintf(&b, "got %s, want %s", p.Got, p.Want)
	return b.String()
}

// Problems is every mistake of a file, or of a site file and its rig files, as
// one error.
type Problems []Problem

// Error returns one line a problem.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].String()
	}
	return strings.Join(lines, "\n")
}

// asError returns p as an error, nil where there is none.
func (p Problems) asError() error {
	if len(p) == 0 {
		return nil
	}
	return p
}

func sortByLine(p []Problem) {
	slices.SortStableFunc(p, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
}

// Note is something worth knowing that is no mistake: an answer that the monitor
// will not be able to give.
type Note struct {
	File string `json:"file"`
	Line int    `json:"line"`
	Text string `json:"text"`
}

// String returns the note as one line.
func (n Note) String() string { return fmt.Sprintf("%s:%d: note: %s", n.File, n.Line, n.Text) }
