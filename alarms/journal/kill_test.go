package journal

import (
	"bufio"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"go.uber.org/goleak"
)

const killedPath = "HOISTWARD_TEST_JOURNAL"

// TestMain writes a journal until it is killed, where the environment says so.
func TestMain(m *testing.M) {
	path := os.Getenv(killedPath)
	if path == "" {
		goleak.VerifyTestMain(m)
	}
	w, err := Open(path, "northfell-1", start)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	for n := 1; ; n++ {
		e := event(n)
		if err := errors.Join(w.Append(&e), w.Sync()); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Println(n) // confirmed
	}
}

// Killed at any moment, what was confirmed is in the journal, in order, and each
// run's journal goes on after the one before.
func TestKilledAtAnyMoment(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.jsonl")
	var confirmed []int
	random := rand.New(rand.NewPCG(1, 2))
	for range 12 {
		last := runAndKill(t, path, random.IntN(200)+1, time.Duration(random.IntN(3000))*time.Microsecond)
		confirmed = append(confirmed, last)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	run, in := -1, 0
	for l, err := range Read(f) {
		var d *Damage
		switch {
		case errors.As(err, &d):
			continue // what a kill tore
		case err != nil:
			t.Fatal(err)
		case l.Event.Occurrence == 0:
			continue // the break entry after it
		case l.Event.Occurrence == 1:
			if run >= 0 && in < confirmed[run] {
				t.Errorf("run %d: %d lines, %d were confirmed", run, in, confirmed[run])
			}
			run++
			in = 0
		}
		if in++; int(l.Event.Occurrence) != in {
			t.Fatalf("line %d: number %d, want %d", l.Number, l.Event.Occurrence, in)
		}
	}
	if run != len(confirmed)-1 || in < confirmed[run] {
		t.Errorf("%d runs, the last with %d lines; want %d with %d", run+1, in, len(confirmed), confirmed[len(confirmed)-1])
	}
}

// runAndKill lets a writer confirm at least n lines, waits a little and kills it; it
// returns the last line that was confirmed.
func runAndKill(t *testing.T, path string, n int, little time.Duration) int {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), killedPath+"="+path)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	last := 0
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		last, err = strconv.Atoi(lines.Text())
		if err != nil {
			t.Fatal(err)
		}
		if last == n {
			time.AfterFunc(little, func() { _ = cmd.Process.Kill() }) // fails only once it is dead
		}
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the writer ended by itself")
	}
	if last < n {
		t.Fatalf("the writer confirmed %d lines, want %d", last, n)
	}
	return last
}
