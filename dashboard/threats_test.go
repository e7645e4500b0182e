package dashboard

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"hoistward/ingest/testnames"
)

// Every threat names tests that show how it is met, and each of these is there.
func TestThreatsNameTests(t *testing.T) {
	text, err := os.ReadFile("THREATS.md")
	if err != nil {
		t.Fatal(err)
	}
	known, named, rows := testnames.Below(t, ".."), regexp.MustCompile("`(Test[A-Za-z0-9]+)`"), 0
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(strings.TrimSpace(line), " | ")
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "|---") || strings.HasPrefix(line, "| who, what") {
			continue
		}
		rows++
		if len(cells) != 3 {
			t.Errorf("a row of %d cells, want who and what, how it is met, shown by: %s", len(cells), line)
			continue
		}
		tests := named.FindAllStringSubmatch(cells[2], -1)
		if len(tests) == 0 {
			t.Errorf("no test shows how this is met: %s", cells[0])
		}
		for _, name := range tests {
			if !known[name[1]] {
				t.Errorf("%s is no test: %s", name[1], cells[0])
			}
		}
	}
	if rows < 40 {
		t.Errorf("%d rows are read", rows)
	}
}
