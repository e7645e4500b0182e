package historian

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// forwardUntilKilled is the child of TestKilledForwarderLosesNothing.
func forwardUntilKilled(dir, url string) {
	_, err := Open(Options{
		URL: url, Org: "northfell", Bucket: "hoist",
		Recordings: filepath.Join(dir, "recordings"), State: filepath.Join(dir, "historian"),
		Interval: time.Millisecond, Batch: 50, Rate: 1e9,
	})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	select {}
}

// The process dies with SIGKILL at a random request, before or after the server has
// taken it, or a random time after; then the next one goes on.
func TestKilledForwarderLosesNothing(t *testing.T) {
	rounds := 50
	if testing.Short() {
		rounds = 8
	}
	dir := t.TempDir()
	s := newStore(t)
	o := options(t, dir, s.server.URL)
	all := readings("R1", 0, rounds*120, time.Second)
	recordAll(t, o.Recordings, 1, all...)
	for round := range rounds {
		killOne(t, s, dir, rand.New(rand.NewPCG(7, uint64(round))))
	}
	s.setAnswer(nil)
	if got, _ := filepath.Glob(filepath.Join(o.State, "*damaged*")); len(got) > 0 {
		t.Errorf("got %q set aside: a kill is no damage", got)
	}
	atKill, had := s.counts()
	stop(t, start(t, o))
	compare(t, s.snapshot(), wanted(all...), 0)
	if r := refusedLines(t, o); r != "" {
		t.Errorf("put aside: %s", r)
	}
	t.Logf("%d kills in %d requests; %d values were there before the last run, %d lines came for %d readings",
		rounds, atKill, had, s.lines, len(all))
}

func killOne(t *testing.T, s *store, dir string, r *rand.Rand) {
	t.Helper()
	at, taken, later := 1+r.IntN(4), r.IntN(2) == 0, time.Duration(r.IntN(3000))*time.Microsecond
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "HISTORIAN_TEST_DIR="+dir, "HISTORIAN_TEST_URL="+s.server.URL)
	var out strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &out
	due := make(chan struct{}, 100)
	n := 0
	s.setAnswer(func(w http.ResponseWriter, req *http.Request, lines []string) bool {
		s.mu.Lock()
		n++
		here := n == at
		s.mu.Unlock()
		if !here {
			return false
		}
		due <- struct{}{}
		if taken {
			return false // the server takes it, and answers if there is still somebody
		}
		<-req.Context().Done()
		return true
	})
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	exited := make(chan error, 1)
	go func() { exited <- cmd.Wait() }()
	select {
	case <-due:
		if taken {
			time.Sleep(later) // the moment of the kill is what is random here
		}
	case err := <-exited:
		t.Fatalf("the child ended by itself: %v: %s", err, out.String())
	case <-time.After(2 * time.Minute):
		cmd.Process.Kill()
		t.Fatal("the child did not come to its request in two minutes")
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	<-exited
}
