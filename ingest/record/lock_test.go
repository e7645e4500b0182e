package record

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
)

func TestASecondRecorderIsKeptOut(t *testing.T) {
	dir := t.TempDir()
	first := open(t, dir, Options{Software: "hoistward 9.9"})
	_, err := Open(dir, Options{Software: "another"})
	for _, want := range []string{"hoistward 9.9", fmt.Sprintf("process %d", os.Getpid()), dir} {
		if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want the folder in use and %q in it", err, want)
		}
	}
	closeNow(t, first)
	closeNow(t, open(t, dir, Options{}))
}

// A process that was killed holds nothing.
func TestAKilledRecorderHoldsNothing(t *testing.T) {
	dir := t.TempDir()
	first, last := killOne(t, dir, 2)
	if last < first || first == 0 {
		t.Fatalf("got entries %d to %d confirmed", first, last)
	}
	closeNow(t, open(t, dir, Options{}))
}

// Another process is kept out as well, and says so.
func TestAnotherProcessIsKeptOut(t *testing.T) {
	dir := t.TempDir()
	open(t, dir, Options{})
	child := exec.Command(os.Args[0], "-test.run=^$")
	child.Env = append(os.Environ(), childDir+"="+dir, childRigs+"=2")
	out, _ := child.Output()
	if !strings.Contains(string(out), ErrInUse.Error()) {
		t.Errorf("got %q, want that the folder is in use", out)
	}
}
