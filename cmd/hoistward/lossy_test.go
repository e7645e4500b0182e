package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"testing"

	"go.uber.org/zap"
)

// A pipe that nobody reads does not hold up who prints; what was lost is said when it is
// read again, to the line.
func TestAStuckOutputHoldsNobodyUp(t *testing.T) {
	in, out := io.Pipe()
	l := newLossy(out)
	const lines = 3 * lossyLines
	for i := range lines { // returns, or the test never ends
		fmt.Fprintf(l, "line %d\n", i)
	}
	go func() { l.close(); <-l.done; out.Close() }()
	read, lost := 0, 0
	for s := bufio.NewScanner(in); s.Scan(); {
		var n int
		if _, err := fmt.Sscanf(s.Text(), "%d lines before this one were not printed", &n); err == nil {
			lost += n
		} else {
			read++
		}
	}
	if read+lost != lines || lost < lines-lossyLines-1 {
		t.Errorf("read %d lines, told of %d lost ones, want %d in all and %d lost at least", read, lost, lines, lines-lossyLines-1)
	}
}

// The same line a hundred thousand times is a few in the log, and nobody waits for them.
func TestTheLogIsBounded(t *testing.T) {
	in, out, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	was := os.Stderr
	os.Stderr = out
	log, err := newLog(zap.InfoLevel)
	os.Stderr = was
	if err != nil {
		t.Fatal(err)
	}
	lines := make(chan int)
	go func() {
		n := 0
		for s := bufio.NewScanner(in); s.Scan(); {
			n++
		}
		lines <- n
	}()
	for range 100_000 {
		log.Info("the same trouble")
	}
	_ = log.Sync()
	out.Close()
	if n := <-lines; n < 100 || n > 20_000 {
		t.Errorf("%d lines of 100,000, want few", n)
	}
}
