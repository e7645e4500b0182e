package record

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
	"time"

	"hoistward/ingest"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
)

const childDir = "RECORD_TEST_CHILD_DIR" // set: this process is the one to be killed

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		fmt.Println(recordUntilKilled(dir))
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// killEntry follows from seq alone: two rigs in turn, a midnight every 5,000
// entries, ticks among the samples.
func killEntry(seq uint64) ingest.Entry {
	e := sampleAt([]string{"R1", "R2"}[seq/3%2], seq)
	e.Received = noon.Add(time.Duration(seq) * (24 * time.Hour / 5000))
	if seq%7 == 0 {
		e.Kind, e.Sample = ingest.EntryTick, ingest.Sample{}
	}
	return e
}

// recordUntilKilled records 1,000 entries a second, adds batches of random sizes and
// prints each batch that Flush has confirmed.
func recordUntilKilled(dir string) error {
	last, err := LastSeq(dir)
	if err != nil {
		return err
	}
	r, err := Open(dir, Options{Interval: 3 * time.Millisecond, Batch: 100})
	if err != nil {
		return err
	}
	rate := time.NewTicker(10 * time.Millisecond)
	for {
		first := last + 1
		for i := range 1 + rand.IntN(60) {
			if i%10 == 0 {
				<-rate.C
			}
			last++
			if !r.Add(killEntry(last)) {
				return fmt.Errorf("entry %d not taken", last)
			}
		}
		if err := r.Flush(context.Background()); err != nil {
			return err
		}
		if s := r.Status(); s.LastError != "" || s.Refused > 0 {
			return fmt.Errorf("status %+v", s)
		}
		fmt.Println("confirmed", first, last)
	}
}

// TestKilledProcessLosesNothingConfirmed kills a recording process without
// warning at random moments; each next one goes on in the same folder.
func TestKilledProcessLosesNothingConfirmed(t *testing.T) {
	kills := 24
	switch {
	case os.Getenv("HOISTWARD_TOOLS") == "required":
		kills = 200
	case testing.Short():
		kills = 4
	}
	dir := t.TempDir()
	confirmed := map[uint64]bool{}
	for i := range kills {
		first, last := killOne(t, dir)
		for seq := first; seq <= last && first > 0; seq++ {
			confirmed[seq] = true
		}
		if i%10 == 9 || i+1 == kills {
			checkConfirmed(t, dir, confirmed)
		}
	}
	t.Logf("%d kills, %d entries confirmed, none lost", kills, len(confirmed))
}

// killOne runs a child, kills it at a random moment after its first confirmation, and
// returns the entries it confirmed. The end of one day's file and the making of the
// next are among what it is killed in: a midnight comes every 5 s.
func killOne(t *testing.T, dir string) (first, last uint64) {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^$")
	child.Env = append(os.Environ(), childDir+"="+dir)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	child.Stderr = os.Stderr
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	var timer *time.Timer
	for lines.Scan() {
		var a, b uint64
		if n, _ := fmt.Sscanf(lines.Text(), "confirmed %d %d", &a, &b); n != 2 {
			child.Process.Kill()
			t.Fatalf("child: %s", lines.Text())
		}
		if first == 0 {
			first = a
			timer = time.AfterFunc(time.Duration(rand.IntN(120))*time.Millisecond, func() { child.Process.Kill() })
		}
		last = b
	}
	if timer == nil {
		t.Fatal("child: ended without a confirmation")
	}
	timer.Stop()
	child.Process.Kill()
	child.Wait()
	return first, last
}

func checkConfirmed(t *testing.T, dir string, confirmed map[uint64]bool) {
	t.Helper()
	files, err := Files(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		integrity(t, f)
	}
	found := 0
	for e, err := range Read(dir) {
		if err != nil {
			t.Fatal(err)
		}
		if want := killEntry(e.Seq); e != want {
			t.Fatal(cmp.Diff(want, e, exactly))
		}
		if confirmed[e.Seq] {
			found++
		}
	}
	if found != len(confirmed) {
		t.Fatalf("got %d of %d confirmed entries", found, len(confirmed))
	}
}
