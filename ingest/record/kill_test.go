package record

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"hoistward/ingest"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
)

const (
	childDir  = "RECORD_TEST_CHILD_DIR"  // set: this process is the one to be killed
	childRigs = "RECORD_TEST_CHILD_RIGS" // how many rigs it records
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		rigs, err := strconv.ParseUint(os.Getenv(childRigs), 10, 64)
		if err == nil {
			err = recordUntilKilled(dir, rigs)
		}
		fmt.Println(err)
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// killEntry follows from seq alone: so many rigs in turn, a midnight every 5,000
// entries, ticks among the samples.
func killEntry(seq, rigs uint64) ingest.Entry {
	e := sampleAt(fmt.Sprint("R", seq/3%rigs), seq)
	e.Received = noon.Add(time.Duration(seq) * (24 * time.Hour / 5000))
	if seq%7 == 0 {
		e.Kind, e.Sample = ingest.EntryTick, ingest.Sample{}
	}
	return e
}

// recordUntilKilled records 1,000 entries a second, adds batches of random sizes and
// prints each batch that Flush has confirmed. Each fifth entry has a journal line.
func recordUntilKilled(dir string, rigs uint64) error {
	last, err := LastSeq(dir)
	if err != nil {
		return err
	}
	r, err := Open(dir, Options{Interval: 3 * time.Millisecond, Batch: 100, OpenFiles: 4, Spool: 1 << 20})
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
			e := killEntry(last, rigs)
			if !r.Add(e) || last%5 == 0 && !r.AddEvent(e.Rig, last, e.Received, fmt.Append(nil, last)) {
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
// warning at random moments; each next one goes on in the same folder. With many rigs
// most of what is confirmed is in the spool.
func TestKilledProcessLosesNothingConfirmed(t *testing.T) {
	for _, c := range []struct {
		name         string
		rigs         uint64
		kills, whole int
	}{{"two rigs", 2, 16, 150}, {"forty rigs, four open files", 40, 6, 50}} {
		t.Run(c.name, func(t *testing.T) {
			kills := c.kills
			switch {
			case os.Getenv("HOISTWARD_TOOLS") == "required":
				kills = c.whole
			case testing.Short():
				kills = 2
			}
			killTimes(t, kills, c.rigs)
		})
	}
}

func killTimes(t *testing.T, kills int, rigs uint64) {
	dir := t.TempDir()
	confirmed := map[uint64]bool{}
	for i := range kills {
		first, last := killOne(t, dir, rigs)
		for seq := first; seq <= last && first > 0; seq++ {
			confirmed[seq] = true
		}
		if i%10 == 9 || i+1 == kills {
			checkConfirmed(t, dir, rigs, confirmed)
		}
	}
	t.Logf("%d kills, %d entries confirmed, none lost", kills, len(confirmed))
}

// killOne runs a child, kills it at a random moment after its first confirmation, and
// returns the entries it confirmed. The end of one day's file and the making of the
// next are among what it is killed in: a midnight comes every 5 s.
func killOne(t *testing.T, dir string, rigs uint64) (first, last uint64) {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^$")
	child.Env = append(os.Environ(), childDir+"="+dir, fmt.Sprint(childRigs, "=", rigs))
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

func checkConfirmed(t *testing.T, dir string, rigs uint64, confirmed map[uint64]bool) {
	t.Helper()
	files, err := Files(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		integrity(t, f)
	}
	found, last := 0, uint64(0)
	for e, err := range Read(dir) {
		if err != nil {
			t.Fatal(err)
		}
		if want := killEntry(e.Seq, rigs); e != want {
			t.Fatal(cmp.Diff(want, e, exactly))
		}
		if e.Seq <= last {
			t.Fatalf("got entry %d after %d", e.Seq, last)
		}
		if last = e.Seq; confirmed[e.Seq] {
			found++
		}
	}
	if found != len(confirmed) {
		t.Fatalf("got %d of %d confirmed entries", found, len(confirmed))
	}
	lines := map[uint64]int{}
	for e, err := range Events(dir) {
		if err != nil {
			t.Fatal(err)
		}
		lines[e.Seq]++
	}
	for seq := range confirmed {
		if want := oneIf(seq%5 == 0); lines[seq] != want {
			t.Fatalf("got %d journal lines of entry %d, want %d", lines[seq], seq, want)
		}
	}
}

func oneIf(b bool) int {
	if b {
		return 1
	}
	return 0
}
