package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"testing"
)

// A pipe that nobody reads does not hold up who prints; what was lost is said when it is
// read again.
func TestAStuckOutputHoldsNobodyUp(t *testing.T) {
	in, out := io.Pipe()
	l := newLossy(out)
	const lines = 3 * lossyLines
	for i := range lines { // returns, or the test never ends
		fmt.Fprintf(l, "line %d\n", i)
	}
	if l.dropped.Load() < lines-lossyLines-1 {
		t.Errorf("%d dropped, want %d at least", l.dropped.Load(), lines-lossyLines-1)
	}
	go func() { l.close(); out.Close() }()
	read, said := 0, false
	for s := bufio.NewScanner(in); s.Scan(); {
		said = said || strings.Contains(s.Text(), "lines before this one were not printed")
		read++
	}
	if !said || read < lossyLines {
		t.Errorf("read %d lines, told of the lost ones: %v", read, said)
	}
}
